"""The course as a camera sees it: lines to draw, and the strip in which a craft can be."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np

from vidspeed.geometry.lens import camera_points, folded, project
from vidspeed.values import Course, CourseDrawing, Craft, FlightLine, Floats, Pose, Strip

POINTS = 61  # a line of the course in this many points, so that a bent lens bends it
GATE_HALF_WIDTH_M = 2.0
GATE_ABOVE_LINE_M = 2.0
WIDE = 4.0  # the strip reaches this many standard uncertainties of the flight line
LEAST_REACH_M = 2.0
BEYOND = 0.5  # parts of the course before the start and after the finish
STRIP_SLACK = 0.05  # what a strip that was searched may fall short of another
SQUEEZED = 0.9  # of the way to where a lens folds back: beyond, no picture shows how fast it goes
SPEED_SLACK = 1.5  # limits in pixels a second are loosened by this much: ranges are not known


def drawing(course: Course, line: FlightLine, pose: Pose, lens: Floats) -> CourseDrawing:
    """Return course line, flight line and both gates in pixels; `lens` is (9,)."""
    x_m = np.linspace(0.0, course.length_m, POINTS)
    ground = np.column_stack([x_m, np.zeros((POINTS, 2))])
    flown = np.column_stack([x_m, np.full(POINTS, line.offset_m), np.full(POINTS, line.height_m)])
    top = line.height_m + GATE_ABOVE_LINE_M
    gates = [_shown(_gate(x, line.offset_m, top), pose, lens) for x in (0.0, course.length_m)]
    return CourseDrawing(
        course_line_px=_shown(ground, pose, lens),
        flight_line_px=_shown(flown, pose, lens),
        gates_px=(gates[0], gates[1]),
    )


def _shown(course_m: Floats, pose: Pose, lens: Floats) -> Floats:
    """Project points (n, 3) to pixels (n, 2); NaN where no picture can show them."""
    seen = project(course_m, pose, lens)
    seen[folded(camera_points(course_m, pose), lens)] = np.nan
    return seen


def _gate(x_m: float, middle_m: float, top_m: float) -> Floats:
    """Return the outline (n, 3) of a gate: up one post, across, down the other."""
    left, right = middle_m - GATE_HALF_WIDTH_M, middle_m + GATE_HALF_WIDTH_M
    corners = np.array(
        [[x_m, left, 0.0], [x_m, left, top_m], [x_m, right, top_m], [x_m, right, 0.0]]
    )
    parts = np.linspace(0.0, 1.0, 9)[:, None]
    return np.concatenate([start + parts * (end - start) for start, end in pairwise(corners)])


def strip(course: Course, line: FlightLine, craft: Craft, pose: Pose, lens: Floats) -> Strip | None:
    """Return where in the picture the craft can be and how fast, None where that says little.

    None where the flight line is not stated, or a part of the strip lies behind the camera. `lens`
    is (9,); the polygon is in pixels, speeds in pixels a second. What lies so far aside that the
    lens model folds it back into the picture is left out.
    """
    if not line.stated:
        return None
    box = _box(course, line)
    corners = project(box, pose, lens)
    if not np.all(np.isfinite(corners)):
        return None
    speeds = _pixel_speeds(course, line, pose, lens)
    corners = corners[~folded(camera_points(box, pose), lens)]
    if len(corners) < 3 or not len(speeds):
        return None
    hull = corners[cv2.convexHull(corners.astype(np.float32), returnPoints=False).ravel()]
    if len(hull) < 3:
        return None
    low = float(speeds.min()) * craft.speed_mps[0] / SPEED_SLACK
    high = float(speeds.max()) * craft.speed_mps[1] * SPEED_SLACK
    return Strip(polygon_px=hull, speed_px_s=(low, high))


def covers(wide: Strip, strip: Strip) -> bool:
    """Tell whether who looked in one strip has as good as looked in another.

    A strip is no sharp limit: by `STRIP_SLACK` of its width and of its speeds it may be exceeded.
    """
    width = float(_depths(wide.polygon_px, wide.polygon_px).max(axis=1).min())
    inside = float(_depths(wide.polygon_px, strip.polygon_px).min())
    low, high = wide.speed_px_s
    return (
        inside >= -STRIP_SLACK * width
        and strip.speed_px_s[0] >= low * (1.0 - STRIP_SLACK)
        and strip.speed_px_s[1] <= high * (1.0 + STRIP_SLACK)
    )


def _depths(polygon_px: Floats, points_px: Floats) -> Floats:
    """Return how far inside each side (s,) of a convex polygon points (n, 2) lie: (s, n) pixels."""
    along = np.roll(polygon_px, -1, axis=0) - polygon_px
    inward = np.column_stack([-along[:, 1], along[:, 0]])
    inward /= np.maximum(np.linalg.norm(inward, axis=1, keepdims=True), 1e-9)
    depths = np.sum((points_px[None] - polygon_px[:, None]) * inward[:, None], axis=2)
    turn = np.sum((polygon_px[None] - polygon_px[:, None]) * inward[:, None])
    return np.asarray(depths if turn > 0.0 else -depths)


def _reach(line: FlightLine) -> tuple[float, float]:
    """Return how far the strip reaches sideways and up, metres."""
    sideways = np.hypot(line.offset_u_m, line.drift_u_m)
    upward = np.hypot(line.height_u_m, line.climb_u_m)
    return (
        float(max(WIDE * sideways, LEAST_REACH_M)),
        float(max(WIDE * upward, LEAST_REACH_M)),
    )


def _box(course: Course, line: FlightLine) -> Floats:
    """Return points (n, 3) on the edges of the box that the strip encloses."""
    sideways, upward = _reach(line)
    x_m = np.linspace(-BEYOND * course.length_m, (1.0 + BEYOND) * course.length_m, POINTS)
    edges = [
        np.column_stack(
            [x_m, np.full(POINTS, line.offset_m + y), np.full(POINTS, line.height_m + z)]
        )
        for y in (-sideways, sideways)
        for z in (-upward, upward)
    ]
    return np.concatenate(edges)


def _pixel_speeds(course: Course, line: FlightLine, pose: Pose, lens: Floats) -> Floats:
    """Return pixels that a metre along x is worth (n,), over the course and both its sides.

    Only of places that a picture can show.
    """
    sideways, _ = _reach(line)
    x_m = np.linspace(-BEYOND * course.length_m, (1.0 + BEYOND) * course.length_m, POINTS)
    found = []
    for y in (-sideways, 0.0, sideways):
        here = np.column_stack(
            [x_m, np.full(POINTS, line.offset_m + y), np.full(POINTS, line.height_m)]
        )
        here = here[~folded(camera_points(here, pose), lens, SQUEEZED)]
        there = here + np.array([0.1, 0.0, 0.0])
        found.append(
            np.linalg.norm(project(there, pose, lens) - project(here, pose, lens), axis=1) / 0.1
        )
    return np.concatenate(found)
