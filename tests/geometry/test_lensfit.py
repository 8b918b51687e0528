"""Lens and covariance from corners drawn with a known noise: no pictures here."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.geometry.charted import held
from vidspeed.errors import CalibrationError
from vidspeed.geometry.bundle import SHARED, adjusted, first_bundle, homography, normals
from vidspeed.geometry.chart import corner_places
from vidspeed.geometry.lens import project_camera
from vidspeed.geometry.lensfit import fit_lens
from vidspeed.geometry.lensviews import (
    check_enough,
    check_known,
    check_one_zoom,
    coverage,
    spread_views,
)
from vidspeed.values import Chart, View

SIZE = (1280, 720)
CHART = Chart(columns=9, rows=6, square_m=0.025)
LENS = np.array([980.0, 980.0, 636.0, 365.0, -0.12, 0.05, 0.0, 0.0, 0.0])
NOISE_PX = 0.05


def views_of(lens, count=14, seed=1, noise_px=NOISE_PX, shared_px=0.0, source="", **how):
    rng = np.random.default_rng(seed)
    places = corner_places(CHART) - 0.5 * np.ptp(corner_places(CHART), axis=0)
    made = []
    for number in range(count):
        turn, shift = held(rng, lens, SIZE, np.array([0.125, 0.0875]), **how)
        shift = shift + turn[:, :2] @ np.array([0.125, 0.0875])
        seen = project_camera(places @ turn[:, :2].T + shift, lens)
        # errors that the corners of one view share: a bend of the chart in that view
        bend = shared_px * rng.normal(size=(2, 3)) @ np.array([places[:, 0] ** 2,
                  places[:, 0] * places[:, 1], places[:, 1] ** 2]) / 0.01  # fmt: skip
        made.append(
            View(
                name=str(number), source=source or f"{number}.png", time_s=None, plane_m=places,
                xy_px=seen + rng.normal(0.0, noise_px, seen.shape) + bend.T, blur_px=0.7,
            )
        )  # fmt: skip
    return made


def u_of(fit):
    return np.sqrt(np.diag(fit.covariance))


def test_a_lens_without_noise_comes_back_as_it_was():
    lens = np.array([980.0, 980.0, 636.0, 365.0, -0.2, 0.08, 0.001, -0.0007, 0.02])
    views = views_of(lens, noise_px=0.0)
    start = first_bundle(views, SIZE)
    assert start.lens[0] == pytest.approx(980.0, rel=0.1)
    terms = (SHARED, "centre", "k1", "k2", "p1 p2", "k3")
    assert adjusted(views, start, terms).lens == pytest.approx(lens, abs=1e-6)


@pytest.mark.parametrize("count", [4, 20])
def test_the_homography_is_the_one_that_was_used(count):
    rng = np.random.default_rng(4)
    matrix = np.array([[900.0, 20, 300], [-15, 880, 200], [0.1, -0.2, 1.0]])
    plane = rng.uniform(-1, 1, (count, 2))
    seen = np.column_stack([plane, np.ones(count)]) @ matrix.T
    found = homography(plane, seen[:, :2] / seen[:, 2:])
    assert found / found[2, 2] == pytest.approx(matrix, rel=1e-9)


def test_normal_equations_hold_the_derivatives():
    views = views_of(LENS, count=3)
    bundle = replace(adjusted(views, first_bundle(views, SIZE)), terms=(SHARED, "centre", "k1"))
    step = np.array([0.7, 0.3, -0.4, 1e-3])

    def squares(part):  # of each view when lens and its pose go along this step
        lens = bundle.lens + part * np.array([step[0], step[0], *step[1:], 0, 0, 0, 0])
        held_there = adjusted(views, replace(bundle, lens=lens), ())
        return normals(views, replace(held_there, terms=())).squares

    at_best = adjusted(views, bundle, ())
    rows = normals(views, replace(at_best, terms=bundle.terms))
    gap = 1e-2
    slope = (squares(gap) - squares(-gap)) / (2 * gap)
    assert slope == pytest.approx(-2.0 * rows.pull @ step, rel=1e-3)


def test_normal_equations_hold_the_curvature():
    views = views_of(LENS, count=3, noise_px=0.0)
    bundle = adjusted(views, first_bundle(views, SIZE), (SHARED, "centre", "k1", "k2"))
    step = np.array([0.7, 0.3, -0.4, 1e-3, 0.0])
    rows = normals(views, bundle)
    moved = replace(bundle, lens=bundle.lens + np.array([0.7, 0.7, 0.3, -0.4, 1e-3, 0, 0, 0, 0]))
    left = normals(views, adjusted(views, moved, ())).squares
    assert left == pytest.approx(rows.inner @ step @ step, rel=0.02)


@pytest.mark.parametrize(
    ("bends", "least"),
    [
        ((0.0, 0.0, 0.0, 0.0, 0.0), ()),
        ((-0.12, 0.0, 0.0, 0.0, 0.0), ("k1",)),
        ((-0.2, 0.08, 0.0, 0.0, 0.0), ("k1", "k2")),
        ((-0.2, 0.08, 0.002, -0.0015, 0.0), ("k1", "k2", "p1 p2")),
    ],
)
def test_the_simplest_distortion_that_is_there_is_fitted(bends, least):
    lens = np.array([*LENS[:4], *bends])
    fit = fit_lens(views_of(lens, seed=3), SIZE)
    terms = tuple(term for term in fit.terms if term != "focal lengths")
    assert terms[: len(least)] == least
    assert len(terms) <= len(least) + 2  # chance may add some
    free = u_of(fit) > 0
    assert np.all(np.abs(fit.parameters - lens)[free] < 4.5 * u_of(fit)[free])
    assert not np.any(fit.covariance[~free]) and not np.any(fit.covariance[:, ~free])
    assert not np.any(fit.parameters[~free])
    assert fit.rms_px == pytest.approx(NOISE_PX * np.sqrt(2), rel=0.1)


def test_square_pixels_are_kept_square_and_others_are_noticed():
    square = fit_lens(views_of(LENS), SIZE)
    assert square.parameters[0] == square.parameters[1]
    assert square.covariance[0] == pytest.approx(square.covariance[1])
    flat = LENS.copy()
    flat[1] *= 1.01
    fit = fit_lens(views_of(flat), SIZE)
    assert "focal lengths" in fit.terms
    assert fit.parameters[1] / fit.parameters[0] == pytest.approx(1.01, abs=5e-4)


def test_the_covariance_covers_independent_corners():
    z = []
    for seed in range(8):
        fit = fit_lens(views_of(LENS, count=10, seed=100 + seed), SIZE)
        z.append((fit.parameters - LENS)[[0, 2, 3]] / u_of(fit)[[0, 2, 3]])
    # the RMS of 8 lies within 0.41 to 1.66 in 99 %; what was not fitted makes u a little wide
    assert np.all(np.sqrt(np.mean(np.square(z), axis=0)) < 1.66)
    assert np.sqrt(np.mean(np.square(z))) > 0.5


def test_errors_that_whole_views_share_widen_the_covariance():
    plain = fit_lens(views_of(LENS, seed=5), SIZE)
    bent = fit_lens(views_of(LENS, seed=5, shared_px=0.15), SIZE)
    assert 1.0 <= plain.widening < 1.4
    assert bent.widening > 1.5 * plain.widening
    z = (bent.parameters - LENS)[[0, 2, 3]] / u_of(bent)[[0, 2, 3]]
    assert np.abs(z).max() < 3.5


def test_a_corner_that_is_none_is_left_out():
    views = views_of(LENS, seed=6)
    spoilt = views[4].xy_px.copy()
    spoilt[10] += [6.0, -4.0]
    fit = fit_lens([*views[:4], replace(views[4], xy_px=spoilt), *views[5:]], SIZE)
    assert fit.rms_px < 1.2 * NOISE_PX * np.sqrt(2)
    assert abs(fit.parameters[0] - LENS[0]) < 4 * u_of(fit)[0]


def test_too_few_views_are_refused_with_what_to_do():
    with pytest.raises(CalibrationError, match=r"found in 4 .* of 30 pictures .* at least 6"):
        check_enough(views_of(LENS, count=4), SIZE, 30)


def test_views_from_one_direction_are_refused():
    views = views_of(LENS, tilt=(0.0, 0.03))
    with pytest.raises(CalibrationError, match=r"from one direction.*tilt it by 20 to 45"):
        check_enough(views, SIZE, 14)


def test_views_in_the_middle_are_refused():
    far = views_of(LENS, count=40, span=(0.2, 0.25))
    middle = [v for v in far if np.all(np.abs(v.xy_px.mean(axis=0) - [640, 360]) < [180, 110])]
    assert len(middle) > 5
    with pytest.raises(CalibrationError, match=r"only in the middle.*every corner"):
        check_enough(middle, SIZE, 40)


def test_good_views_are_not_refused():
    views = views_of(LENS, count=16)
    check_enough(views, SIZE, 16)
    fit = fit_lens(views, SIZE)
    check_known(fit)
    check_one_zoom(views, SIZE, fit.parameters)
    with pytest.raises(CalibrationError, match=r"focal length only to 2\.0 %"):
        check_known(replace(fit, covariance=np.diag([384.0] * 9)))


def test_two_zooms_are_told_apart():
    other = LENS.copy()
    other[0:2] *= 1.05
    views = [*views_of(LENS, count=8, source="a.mp4"), *views_of(other, count=8, source="b.mp4")]
    fit = fit_lens(views, SIZE)
    with pytest.raises(CalibrationError, match=r"9\d\d\.\d px in a.mp4, 10\d\d\.\d px in b.mp4"):
        check_one_zoom(views, SIZE, fit.parameters)


def test_views_that_are_unlike_are_taken_and_blurred_ones_are_not():
    views = views_of(LENS, count=40)
    crowd = [replace(views[0], name=f"crowd {k}") for k in range(60)]
    soft = [replace(view, name=f"soft {view.name}", blur_px=3.0) for view in views[:10]]
    taken = spread_views([*crowd, *soft, *views], SIZE, most=20)
    assert len(taken) == 20
    assert sum(view.name.startswith("crowd") for view in taken) <= 1
    assert not any(view.name.startswith("soft") for view in taken)
    cells = coverage(taken, SIZE)
    assert cells.shape == (5, 8) and cells.sum() == 20 * 54
    assert np.mean(cells > 0) >= 0.9 * np.mean(coverage(views, SIZE) > 0)
