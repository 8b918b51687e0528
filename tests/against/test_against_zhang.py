"""Zhang's planar data: published figures and standard uncertainties.

Source: Z. Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22 (2000)
1330-1334, and the data set that he published with it: five views of 256 corners, 640 x 480.
Published: alpha 832.5, beta 832.53, gamma 0.204494, u0 303.959, v0 206.585, k1 -0.228601,
k2 0.190353; RMS 0.335 px (from memory). A lens without skew, as here and in OpenCV, gives 832.21
and 832.24. The standard uncertainties were computed from the same data with skew by another
program: 1.407, 1.386, 0.712, 0.659, 0.0041, 0.0249.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from vidspeed.geometry.bundle import SEPARATE, adjusted, first_bundle, normals
from vidspeed.geometry.lensfit import fit_lens
from vidspeed.values import View

DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "zhang"
SIZE = (640, 480)
INCH_M = 0.0254
PUBLISHED = np.array([832.5, 832.53, 303.959, 206.585, -0.228601, 0.190353])
PUBLISHED_U = np.array([1.407, 1.386, 0.712, 0.659, 0.0041, 0.0249])
WITHOUT_SKEW_PX = (832.21, 832.24)
RMS_PX = 0.335

pytestmark = [
    pytest.mark.reference_data,
    pytest.mark.skipif(not DATA.is_dir(), reason=f"Zhang's data set is not in {DATA.name}"),
]


@pytest.fixture(scope="module")
def views():
    plane = np.loadtxt(DATA / "Model.txt").reshape(-1, 2) * INCH_M
    return [
        View(
            name=str(number), source=f"data{number}.txt", time_s=None, plane_m=plane,
            xy_px=np.loadtxt(DATA / f"data{number}.txt").reshape(-1, 2),
        )
        for number in range(1, 6)
    ]  # fmt: skip


def test_the_same_model_gives_the_published_figures_and_uncertainties(views):
    bundle = adjusted(views, first_bundle(views, SIZE), (SEPARATE, "centre", "k1", "k2"))
    assert bundle.lens[:2] == pytest.approx(WITHOUT_SKEW_PX, abs=0.01)
    assert np.all(np.abs(bundle.lens[:6] - PUBLISHED) < 0.5 * PUBLISHED_U)
    rows = normals(views, bundle)
    squares = float(rows.squares.sum())
    noise = squares / (2 * 1280 - 6 - 30)
    sizes = np.sqrt(noise * np.diag(np.linalg.inv(rows.inner.sum(axis=0))))
    assert sizes == pytest.approx(PUBLISHED_U, rel=0.01)
    assert np.sqrt(squares / 1280) == pytest.approx(RMS_PX, abs=0.003)


def test_the_chosen_model_agrees_within_the_uncertainties(views):
    fit = fit_lens(views, SIZE)
    sizes = np.sqrt(np.diag(fit.covariance))[:6]
    apart = np.abs(fit.parameters[:6] - PUBLISHED)
    assert np.all(apart < 2.0 * np.hypot(sizes, PUBLISHED_U))
    assert np.all(sizes > 0.9 * PUBLISHED_U)  # nobody knows more than all terms leave


def test_his_chart_is_not_called_bowed(views):
    found = fit_lens(views, SIZE).flatness
    assert not found.bowed and found.sag_m < 0.2e-3
