"""Find a chart in a picture: its inner corners, named by where they lie on the chart."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vidspeed.geometry.chart import corner_places
from vidspeed.geometry.codes import dictionary
from vidspeed.geometry.corners import sharpened
from vidspeed.values import Chart, Floats, Picture, Value

SEARCHED_PX = 1100  # the chart is searched in a picture made no wider than this
CLEAR = 0.42  # of a square around a corner of a chessboard, where only its two edges are seen
FEWEST = 8  # corners of a view
FLAT = 0.15  # width over length of the corners of a view that lie on a line: they tell no pose
MOST_LOST = 0.3  # share of a chessboard's corners that may be spoilt (glare, a thumb)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sighting(Value):
    """A chart in a picture: `plane_m` (n, 2), `xy_px` (n, 2), median edge width `blur_px`."""

    plane_m: Floats
    xy_px: Floats
    blur_px: float


def find_chart(picture: Picture, chart: Chart) -> Sighting | None:
    """Return the chart's corners in a picture (h, w) uint8, None where it is not seen."""
    scale = max(1.0, picture.shape[1] / SEARCHED_PX)
    small = picture
    if scale > 1.0:
        less = cv2.resize(picture, None, fx=1 / scale, fy=1 / scale, interpolation=cv2.INTER_AREA)
        small = np.asarray(less, np.uint8)
    found = _chessboard(small, chart) if chart.family is None else _charuco(small, chart)
    if found is None:
        return None
    plane, xy = found
    return _refined(picture, chart, plane, (xy + 0.5) * scale - 0.5)


def found_again(picture: Picture, chart: Chart, before: Sighting) -> Sighting | None:
    """Return a chart in the frame next to one in which it was found, None where it is lost."""
    return _refined(picture, chart, before.plane_m, before.xy_px)


def _refined(picture: Picture, chart: Chart, plane: Floats, xy: Floats) -> Sighting | None:
    fitted = sharpened(picture, plane, xy, clear_radius(chart))
    good = fitted.good
    least = FEWEST if chart.family is not None else int(np.ceil((1.0 - MOST_LOST) * len(plane)))
    if np.count_nonzero(good) < max(least, FEWEST) or _on_a_line(plane[good]):
        return None
    return Sighting(
        plane_m=plane[good],
        xy_px=fitted.xy_px[good],
        blur_px=float(np.median(fitted.blur_px[good])),
    )


def clear_radius(chart: Chart) -> float:
    """Return how far around a corner only its two edges are seen, in squares."""
    if chart.code_m is None:
        return CLEAR
    inset = (chart.square_m - chart.code_m) / (2.0 * chart.square_m)
    return float(min(CLEAR, 0.85 * np.sqrt(2.0) * inset))


def _on_a_line(plane: Floats) -> bool:
    extents = np.linalg.svd(plane - plane.mean(axis=0), compute_uv=False)
    return bool(extents[1] < FLAT * extents[0])


def _chessboard(picture: Picture, chart: Chart) -> tuple[Floats, Floats] | None:
    """Find a chessboard; its corners come row by row, whichever of its ends is taken as first."""
    size = (chart.columns, chart.rows)
    done, seen = cv2.findChessboardCornersSB(picture, size, flags=cv2.CALIB_CB_NORMALIZE_IMAGE)
    if not done:
        flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
        done, seen = cv2.findChessboardCorners(picture, size, flags=flags | cv2.CALIB_CB_FAST_CHECK)
    if not done:
        return None
    grid = np.asarray(seen, dtype=np.float64).reshape(chart.rows, chart.columns, 2)
    along, down = grid[0, -1] - grid[0, 0], grid[-1, 0] - grid[0, 0]
    if along[0] * down[1] - along[1] * down[0] < 0.0:  # named as seen from behind
        grid = grid[:, ::-1]
    return corner_places(chart), grid.reshape(-1, 2)


def _charuco(picture: Picture, chart: Chart) -> tuple[Floats, Floats] | None:
    """Find a ChArUco chart, of which only a part may be in the picture."""
    assert chart.family is not None and chart.code_m is not None
    size = (chart.columns + 1, chart.rows + 1)
    board = cv2.aruco.CharucoBoard(size, chart.square_m, chart.code_m, dictionary(chart.family))
    seen, numbers, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(picture)
    if numbers is None or len(numbers) < FEWEST:
        return None
    places = corner_places(chart)[np.asarray(numbers).ravel()]
    if _on_a_line(places):
        return None
    return places, np.asarray(seen, dtype=np.float64).reshape(-1, 2)
