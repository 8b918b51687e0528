"""The picture of a whole pass: every sighting in one picture, with the course as it is seen."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.transforms import ScaledTranslation

from vidspeed.clip.still import unpacked
from vidspeed.record.canvas import SKY, VERMILLION, draw_course, legend_below, photo
from vidspeed.values import Bools, CourseDrawing, Crossing, Floats, PassResult, Picture, Sighted
from vidspeed.values.pictured import Filmed

BESIDE_IN = 0.13  # marks stand this far below a light, so that nothing lies on the craft
LEAST_TALL, MOST_TALL = 0.24, 0.75  # height over width of what is shown
ROOM = 0.07  # of the width, around what matters


def whole_pass(
    result: PassResult, sighted: Sighted, filmed: Filmed, drawing: CourseDrawing | None
) -> Figure:
    """Draw every frame of a pass in one picture, course and gates in perspective, times at them.

    The lights themselves stay as they were filmed; a mark stands below each.
    """
    picture = unpacked(filmed.packed)
    low, high = _bounds(sighted, filmed, picture, drawing)
    figure, axes = photo(picture, low, high, corner_px=filmed.corner_px, step=filmed.step)
    draw_course(axes, drawing, gate_words(result, filmed.lane.clip, filmed.lane.camera))
    _marks(axes, sighted)
    legend_below(figure, axes)
    return figure


def gate_words(result: PassResult, clip: str, camera: str) -> tuple[str, str]:
    """Return the moments at the start and the finish gate as one clip's clock had them."""
    at = next((row for row in result.crossings if (row.clip, row.camera) == (clip, camera)), None)
    if at is None or result.status != "measured":
        return "", ""
    start_s, finish_s = _start_first(at, result.direction)
    return f" {start_s:.4f} s", f" {finish_s:.4f} s"


def _start_first(at: Crossing, direction: str | None) -> tuple[float, float]:
    """Return the times at the start and the finish gate, whichever was passed first."""
    times = (at.time_in_s, at.time_out_s)
    return times if direction != "reverse" else (times[1], times[0])


def _marks(axes: Axes, sighted: Sighted) -> None:
    """Put a mark below each light: a stroke where it was used, a cross where it was not.

    One that the user dismissed has a mark of its own.
    """
    assert axes.figure is not None
    below = axes.transData + ScaledTranslation(0.0, -BESIDE_IN, axes.figure.dpi_scale_trans)
    used, xy, out = sighted.used, sighted.track.xy_px, dismissed(sighted)
    for chosen, marker, colour, name in (
        (used, "|", SKY, "light used"),
        (~used & ~out, "x", VERMILLION, "light not used"),
        (out, "s", VERMILLION, "light dismissed by hand"),
    ):
        if chosen.any():
            axes.plot(
                xy[chosen, 0], xy[chosen, 1], ls="", marker=marker, ms=6, color=colour, mew=1.4,
                transform=below, label=f"{name} ({int(chosen.sum())})",
            )  # fmt: skip


def dismissed(sighted: Sighted) -> Bools:
    """Tell which lights (n,) the user dismissed."""
    if sighted.dismissed is None:
        return np.zeros(len(sighted.track), dtype=bool)
    return sighted.dismissed


def _bounds(
    sighted: Sighted, filmed: Filmed, picture: Picture, drawing: CourseDrawing | None
) -> tuple[Floats, Floats]:
    """Return the corners of what is shown: what matters of the picture, with room around it."""
    first = np.array(filmed.corner_px, dtype=np.float64) - 0.5
    last = first + filmed.step * np.array(picture.shape[1::-1], dtype=np.float64)
    points = [sighted.track.xy_px, filmed.lane.line_px]
    if drawing is not None:
        points += [drawing.course_line_px, *drawing.gates_px]
    return window(first, last, points)


def window(first: Floats, last: Floats, points: Sequence[Floats]) -> tuple[Floats, Floats]:
    """Return the corners of the part of a picture that holds all points (n, 2) in it, with room."""
    every = np.concatenate([np.zeros((0, 2)), *points])
    every = every[np.isfinite(every).all(axis=1)]
    every = every[((every >= first) & (every <= last)).all(axis=1)]
    if not len(every):
        return first, last
    room = ROOM * (last[0] - first[0])
    low = np.maximum(every.min(axis=0) - room, first)
    high = np.minimum(every.max(axis=0) + room, last)
    return _of_shape(low, high, first, last)


def _of_shape(low: Floats, high: Floats, first: Floats, last: Floats) -> tuple[Floats, Floats]:
    """Return a window that is neither a slit nor a tower, as far as the picture goes."""
    low, high = low.copy(), high.copy()
    for axis, ratio in ((1, LEAST_TALL), (0, 1.0 / MOST_TALL)):
        wanted = ratio * float(high[1 - axis] - low[1 - axis])
        lacking = wanted - float(high[axis] - low[axis])
        if lacking > 0.0:
            low[axis] = max(low[axis] - lacking / 2.0, first[axis])
            high[axis] = min(high[axis] + lacking / 2.0, last[axis])
    return low, high
