"""OpenCV's own chessboard stills and the lens published with them.

Source: Debian package opencv-doc, samples/data: left01.jpg to left14.jpg (no 10), 9 x 6 inner
corners of 25 mm, 640 x 480; left_intrinsics.yml: f 535.9157, centre 342.2832, 235.5708, distortion
-0.26637, -0.03859, 0.00178, -0.00028, 0.23839, mean error 0.3926 px. Standard uncertainty of f by
a fit again with OpenCV's corner finder: 0.92 px.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from vidspeed.clip.still import read_picture
from vidspeed.geometry.bundle import SHARED, adjusted, first_bundle, residuals
from vidspeed.geometry.chart import corner_places
from vidspeed.lens import lens
from vidspeed.session.storage import parse_storage
from vidspeed.values import Chart, View

DATA = Path(__file__).resolve().parents[2] / ".reference" / "opencv-doc"
CHART = Chart(columns=9, rows=6, square_m=0.025)
SIZE = (640, 480)
PUBLISHED = np.array([535.91573396, 535.91573396, 342.28315473, 235.57082910, -0.26637261,
                      -0.03858890, 0.00178319, -0.00028122, 0.23839153])  # fmt: skip
PUBLISHED_F_U_PX = 0.92
MEAN_ERROR_PX = 0.39259

STILLS = sorted(DATA.glob("left[01][0-9].jpg"))
pytestmark = [
    pytest.mark.reference_data,
    pytest.mark.skipif(
        len(STILLS) != 13, reason="opencv-doc's stills are not in .reference (see .ci/run)"
    ),
]


def test_opencvs_corners_give_opencvs_lens():
    views = []
    for path in STILLS:
        picture = read_picture(path)
        done, seen = cv2.findChessboardCorners(picture, (9, 6))
        assert done, path.name
        seen = cv2.cornerSubPix(picture, seen, (11, 11), (-1, -1), (3, 30, 0.01))
        xy = np.asarray(seen, dtype=float).reshape(-1, 2)
        plane = corner_places(CHART)
        views.append(View(name=path.name, source=path.name, time_s=None, plane_m=plane, xy_px=xy))
    terms = (SHARED, "centre", "k1", "k2", "p1 p2", "k3")
    bundle = adjusted(views, first_bundle(views, SIZE), terms)
    assert bundle.lens[:4] == pytest.approx(PUBLISHED[:4], abs=PUBLISHED_F_U_PX)
    assert bundle.lens[4] == pytest.approx(PUBLISHED[4], abs=0.01)
    left = np.concatenate(residuals(views, bundle))
    assert np.sqrt(np.mean(np.sum(left**2, axis=1))) == pytest.approx(MEAN_ERROR_PX, abs=0.03)


def test_the_tool_agrees_with_the_published_lens_within_the_uncertainties():
    found = lens(STILLS, CHART)
    fit = found.fit
    assert len(found.views) == 13
    sizes = np.sqrt(np.diag(fit.covariance))
    apart = np.abs(fit.parameters - PUBLISHED)
    for place in (0, 1, 2, 3):  # both know about as little; expanded uncertainty of a difference
        assert apart[place] < 2.0 * np.hypot(sizes[place], max(PUBLISHED_F_U_PX, sizes[place]))
    assert fit.rms_px < MEAN_ERROR_PX


def test_the_published_file_is_read():
    stored = parse_storage((DATA / "left_intrinsics.yml").read_bytes(), "left_intrinsics.yml")
    assert stored.parameters == pytest.approx(PUBLISHED, abs=1e-8)
    assert stored.size_px == SIZE
