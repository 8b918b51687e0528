"""Charts of one pass: its speed along the course, and what is left of its lights."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from vidspeed.record.canvas import BLUE, GREEN, INK, ORANGE, SKY, VERMILLION, plain
from vidspeed.record.slim import LABEL_PT, lay_out, slim_chart
from vidspeed.record.units import unit_named
from vidspeed.values import PassResult, Sighted

CAMERA_COLOURS = (ORANGE, GREEN, VERMILLION, BLUE)
CAMERA_MARKS = ("o", "s", "^", "D")  # for those who cannot tell the colours


def speed_chart(result: PassResult, unit: str = "kmh") -> Figure:
    """Draw the speed along the course with its 95 % band, and where each camera saw lights."""
    spoken = unit_named(unit)
    figure, (axes,) = slim_chart(2.9)
    if result.profile is not None:
        x, factor = result.profile.x_m, result.coverage_factor or 2.0
        speed = result.profile.speed_mps * spoken.per_mps
        half = factor * result.profile.speed_u_mps * spoken.per_mps
        axes.fill_between(x, speed - half, speed + half, color=SKY, alpha=0.35, lw=0, label="95 %")
        axes.plot(x, speed, color=BLUE, lw=2.0, label="speed at this place")
    if result.speed_mps is not None:
        mean = result.speed_mps * spoken.per_mps
        axes.axhline(mean, color=INK, lw=1.0, ls="--", label="speed of the pass")
    _seen(axes, result)
    _label(axes, "place along the course, x (m)", f"speed along it ({spoken.label})")
    lay_out(figure, [axes], 3)
    return figure


def _seen(axes: Axes, result: PassResult) -> None:
    """Draw a tick at the foot of the chart for every used light, a row for each camera."""
    for number, sighted in enumerate(result.sightings):
        x = sighted.x_m[sighted.used]
        foot = np.full(len(x), 0.025 + 0.055 * number)
        axes.plot(
            x, foot, ls="", marker="|", ms=6, mew=1.2,
            color=CAMERA_COLOURS[number % len(CAMERA_COLOURS)],
            transform=axes.get_xaxis_transform(),
            label=plain(f"light seen by {sighted.camera}", 30),
        )  # fmt: skip


def residual_chart(result: PassResult) -> Figure:
    """Draw seen less computed of every used light, across and down the picture."""
    figure, (across, down) = slim_chart(3.0, (1.0, 1.0), shared=True)
    for number, sighted in enumerate(result.sightings):
        for axes, axis in ((across, 0), (down, 1)):
            _draw_left(axes, sighted, axis, number)
    for axes, name in ((across, "across"), (down, "down")):
        axes.axhline(0.0, color=INK, lw=0.8)
        _label(axes, "", f"{name} (px)")
    down.set_xlabel("place along the course, x (m)", fontsize=LABEL_PT, color=INK)
    lay_out(figure, [across, down], 3)
    return figure


def _draw_left(axes: Axes, sighted: Sighted, axis: int, number: int) -> None:
    """Draw what is left of one camera's lights along one axis of its picture."""
    used = sighted.used & np.isfinite(sighted.residual_px[:, axis])
    axes.plot(
        sighted.x_m[used], sighted.residual_px[used, axis], ls="", ms=3.5, mew=0,
        marker=CAMERA_MARKS[number % len(CAMERA_MARKS)],
        color=CAMERA_COLOURS[number % len(CAMERA_COLOURS)], label=plain(sighted.camera, 30),
    )  # fmt: skip


def _label(axes: Axes, across: str, up: str) -> None:
    """Name both axes."""
    axes.set_xlabel(across, fontsize=LABEL_PT, color=INK)
    axes.set_ylabel(up, fontsize=LABEL_PT, color=INK)
