"""The flight line as a camera sees it, and how far from it the craft may fly in the picture."""

from __future__ import annotations

import numpy as np

from vidspeed.geometry.lens import project
from vidspeed.values import Bools, Corridor, Course, Craft, FlightLine, Floats, Pose

BEYOND = 0.5  # parts of the course before the start and after the finish
FINE = 2001  # places along the course by which the picture's edges are found
STEP_PX = 2.0  # between neighbouring places, in the median
MOST_PLACES, LEAST_PLACES = 1000, 40
WIDE = 3.0  # standard uncertainties of the flight line to either side
MORE_PX = 4.0  # and so much more, for pose and lens
MOST_REACH_PX = 80.0
SLACK = 1.15  # of the speeds: the range is not known
PROBE_M = 0.05


def corridor(
    course: Course,
    line: FlightLine,
    craft: Craft,
    pose: Pose,
    lens: Floats,
    size_px: tuple[int, int],
) -> Corridor | None:
    """Return the flight line in a camera's picture, None where it is not stated or not seen.

    `lens` (9,) and `pose` are the camera's, `size_px` is (width, height).
    """
    if not line.stated:
        return None
    x_m = np.linspace(-BEYOND * course.length_m, (1.0 + BEYOND) * course.length_m, FINE)
    seen = _longest(_inside(_line_px(line, x_m, pose, lens), size_px))
    if seen is None:
        return None
    x_m = x_m[seen]
    steps = np.linalg.norm(np.diff(_line_px(line, x_m, pose, lens), axis=0), axis=1)
    count = min(int(float(np.median(steps)) * len(steps) / STEP_PX) + 1, MOST_PLACES)
    if count < LEAST_PLACES:
        return None
    x_m = np.linspace(x_m[0], x_m[-1], count)
    low, high = craft.speed_mps
    return Corridor(
        x_m=x_m,
        middle_px=_line_px(line, x_m, pose, lens),
        reach_px=_reach_px(line, x_m, pose, lens),
        speed_mps=(low / SLACK, high * SLACK),
    )


def _line_px(line: FlightLine, x_m: Floats, pose: Pose, lens: Floats) -> Floats:
    """Return where places of the flight line (n,) are in the picture (n, 2)."""
    place = np.full((len(x_m), 2), (line.offset_m, line.height_m))
    return project(np.column_stack([x_m, place]), pose, lens)


def _inside(xy_px: Floats, size_px: tuple[int, int]) -> Bools:
    """Say which places (n, 2) are in the picture; NaN is not."""
    with np.errstate(invalid="ignore"):
        return np.asarray(np.all((xy_px >= 0.0) & (xy_px <= np.array(size_px) - 1.0), axis=1))


def _longest(inside: Bools) -> slice | None:
    """Return the longest run of true values, None where there are fewer than two."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(np.int8), [0]])))
    starts, ends = edges[::2], edges[1::2]
    if not len(starts) or (ends - starts).max() < 2:
        return None
    longest = int(np.argmax(ends - starts))
    return slice(int(starts[longest]), int(ends[longest]))


def _reach_px(line: FlightLine, x_m: Floats, pose: Pose, lens: Floats) -> Floats:
    """Return how far across the line (n,) the craft may be in the picture."""
    middle = _line_px(line, x_m, pose, lens)
    along = np.gradient(middle, axis=0)
    across = np.column_stack([-along[:, 1], along[:, 0]])
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-9)
    course = np.column_stack([x_m, np.full((len(x_m), 2), (line.offset_m, line.height_m))])
    spread = (
        np.hypot(line.offset_u_m, 0.5 * line.drift_u_m),
        np.hypot(line.height_u_m, 0.5 * line.climb_u_m),
    )
    square = np.zeros(len(x_m))
    for axis, u_m in ((1, spread[0]), (2, spread[1])):
        moved = course.copy()
        moved[:, axis] += PROBE_M
        per_m = np.sum((project(moved, pose, lens) - middle) * across, axis=1) / PROBE_M
        square += (per_m * u_m) ** 2
    return np.minimum(WIDE * np.sqrt(np.nan_to_num(square, nan=1e6)) + MORE_PX, MOST_REACH_PX)
