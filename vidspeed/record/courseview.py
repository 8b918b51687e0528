"""The plan view: the course from above, with the cameras, what they see, and the flight paths."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from vidspeed.record.canvas import BLUE, GREEN, INK, ORANGE, SKY, VERMILLION, plain
from vidspeed.record.slim import LABEL_PT, lay_out, slim_chart
from vidspeed.values import CameraFit, Floats, Outcome, PassResult

PATHS = ((BLUE, "-"), (VERMILLION, "--"), (GREEN, "-."), (ORANGE, ":"))
GATE_M = 3.0  # half the width at which a gate is drawn
MOST_NAMED = 8  # passes that are named one by one
TALLEST_IN, SHORTEST_IN = 5.0, 2.2


def plan_view(outcome: Outcome) -> Figure:
    """Draw the course from above, true to scale, and below it the paths with y stretched."""
    length_m = outcome.session.course.length_m
    flown = [row for row in outcome.passes if row.path_m is not None]
    low, high = _frame(outcome, length_m)
    tall = float(np.clip(5.4 * (high[1] - low[1]) / (high[0] - low[0]), SHORTEST_IN, TALLEST_IN))
    figure, (above, near) = slim_chart(tall + 2.1, (tall, 1.5))
    for fit in outcome.cameras:
        _camera(above, fit, _width_px(outcome, fit), float(np.hypot(*(high - low))))
    _markers(above, outcome)
    for axes in (above, near):
        _course(axes, length_m, 1.0 if axes is above else _reach(flown) / GATE_M)
        _paths(axes, flown)
        axes.set_ylabel("y (m)", fontsize=LABEL_PT, color=INK)
    above.set_xlim(low[0], high[0])
    above.set_ylim(low[1], high[1])
    above.set_aspect("equal", adjustable="box")
    near.set_xlabel("x, along the course (m); below, y is stretched", fontsize=LABEL_PT, color=INK)
    near.set_xlim(low[0], high[0])
    lay_out(figure, [above, near], 4)
    return figure


def plan_words(outcome: Outcome) -> str:
    """Say in words what the plan view shows."""
    cameras = "; ".join(
        f"camera {fit.camera} at x {fit.pose.position_m[0]:.1f} m, y {fit.pose.position_m[1]:.1f} m"
        for fit in outcome.cameras
    )
    paths = "; ".join(
        f"pass {row.label} at y {row.path_m[:, 1].min():.2f} to {row.path_m[:, 1].max():.2f} m"
        for row in outcome.passes[:MOST_NAMED]
        if row.path_m is not None
    )
    length = f"Plan of the course, {outcome.session.course.length_m:g} m long"
    return ". ".join(part for part in (length, cameras, paths) if part)


def _frame(outcome: Outcome, length_m: float) -> tuple[Floats, Floats]:
    """Return the corners of what is drawn from above, metres."""
    points = [np.array([[0.0, -GATE_M], [length_m, GATE_M]])]
    points += [fit.pose.position_m[None, :2] for fit in outcome.cameras]
    points += [row.path_m[:, :2] for row in outcome.passes if row.path_m is not None]
    every = np.concatenate(points)
    every = every[np.isfinite(every).all(axis=1)]
    low, high = every.min(axis=0), every.max(axis=0)
    room = 0.07 * float(np.max(high - low))
    return low - room, high + room


def _width_px(outcome: Outcome, fit: CameraFit) -> float:
    """Return the width of a camera's picture."""
    return float(outcome.session.camera(fit.camera).image_size_px[0])


def _camera(axes: Axes, fit: CameraFit, width_px: float, far_m: float) -> None:
    """Draw a camera where it stands, and the sides of what it sees."""
    at = fit.pose.position_m[:2]
    edges_px = np.array([0.0, width_px])
    sight = (
        np.column_stack([(edges_px - fit.lens[2]) / fit.lens[0], np.zeros(2), np.ones(2)])
        @ fit.pose.camera_from_course
    )
    ends = at + far_m * sight[:, :2] / np.linalg.norm(sight[:, :2], axis=1, keepdims=True)
    axes.fill([at[0], *ends[:, 0]], [at[1], *ends[:, 1]], color=SKY, alpha=0.12, lw=0)
    for end in ends:
        axes.plot([at[0], end[0]], [at[1], end[1]], color=SKY, lw=0.9)
    axes.plot(*at, ls="", marker="s", ms=7, color=INK)
    axes.annotate(
        plain(fit.camera, 20), tuple(at), xytext=(8.0, 0.0), textcoords="offset points",
        va="center", fontsize=10, color=INK, parse_math=False,
    )  # fmt: skip


def _markers(axes: Axes, outcome: Outcome) -> None:
    """Draw the surveyed markers."""
    places = [row.xyz_m[:2] for row in outcome.session.markers]
    if places:
        xy = np.array(places)
        axes.plot(xy[:, 0], xy[:, 1], ls="", marker="+", ms=6, color=INK, label="marker")


def _course(axes: Axes, length_m: float, stretch: float) -> None:
    """Draw the course line and both gates."""
    axes.plot([0.0, length_m], [0.0, 0.0], color=INK, lw=1.0, ls=(0, (1, 2)), label="course line")
    for x_m in (0.0, length_m):
        half = GATE_M * stretch
        axes.plot(
            [x_m, x_m], [-half, half], color=INK, lw=2.0, label="gate" if x_m == 0.0 else None
        )


def _reach(flown: Sequence[PassResult]) -> float:
    """Return how far from the course line the paths get, metres."""
    sides = [float(np.abs(row.path_m[:, 1]).max()) for row in flown if row.path_m is not None]
    return 1.15 * max([*sides, 0.2])


def _paths(axes: Axes, flown: Sequence[PassResult]) -> None:
    """Draw the solved path of every pass, with a head where it ends."""
    for number, row in enumerate(flown):
        assert row.path_m is not None
        colour, style = PATHS[number % len(PATHS)]
        head, end = (">", -1) if row.direction != "reverse" else ("<", 0)
        name = f"pass {row.label}" if number < MOST_NAMED else None
        axes.plot(
            row.path_m[:, 0], row.path_m[:, 1], color=colour, ls=style, lw=1.4,
            marker=head, markevery=[end], ms=5, label=name and plain(name, 24),
        )  # fmt: skip
