"""A bowed chart is told from a flat one, and from a lens."""

import numpy as np
import pytest

from tests.geometry.charted import held
from tests.geometry.test_lensfit import CHART, LENS, SIZE
from vidspeed.geometry.chart import corner_places
from vidspeed.geometry.lens import project_camera
from vidspeed.geometry.lensfit import fit_lens
from vidspeed.record.lensview import lens_notes
from vidspeed.values import View


def filmed(seed, bow_m=0.0, noise_px=0.05, count=14):
    """Film a chart that is rolled along its longer side: `bow_m` higher in the middle."""
    rng = np.random.default_rng(seed)
    places = corner_places(CHART) - 0.5 * np.ptp(corner_places(CHART), axis=0)
    high = bow_m * (1.0 - (places[:, 0] / places[:, 0].max()) ** 2)
    bent = np.column_stack([places, high])
    made = []
    for number in range(count):
        turn, shift = held(rng, LENS, SIZE, np.array([0.125, 0.0875]))
        shift = shift + turn[:, :2] @ np.array([0.125, 0.0875])
        seen = project_camera(bent @ turn.T + shift, LENS)
        seen = seen + rng.normal(0.0, noise_px, seen.shape)
        made.append(
            View(name=str(number), source="", time_s=None, plane_m=places, xy_px=seen, blur_px=0.7)
        )
    return made


@pytest.mark.parametrize("bow_m", [-0.003, 0.002])
def test_a_bowed_chart_is_named_with_its_size(bow_m):
    fit = fit_lens(filmed(1, bow_m), SIZE)
    assert fit.flatness.bowed
    assert fit.flatness.sag_m == pytest.approx(abs(bow_m), abs=4.0 * fit.flatness.sag_u_m)
    assert fit.flatness.sag_u_m < 0.3e-3
    off = 100.0 * (fit.parameters[0] / LENS[0] - 1.0)
    assert fit.flatness.focal_error_percent == pytest.approx(off, rel=0.15)
    assert any("the chart seems bowed by" in note for note in lens_notes(fit))


def test_flat_charts_are_not():
    found = [fit_lens(filmed(seed), SIZE).flatness for seed in range(2)]
    assert not any(row.bowed for row in found)
    assert all(row.sag_m < 4.0 * row.sag_u_m for row in found)
