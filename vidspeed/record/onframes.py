"""What is drawn on the frames of a pass, and the band of words below them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from vidspeed.record.canvas import GROUND, MINT, PURPLE, YELLOW, plain
from vidspeed.record.units import Unit, bare_speed_text, unit_named
from vidspeed.values import Bools, CourseDrawing, Floats, PassResult, Picture, Value
from vidspeed.values.pictured import Lane

LINE_PART = 0.0016  # of the picture's width
BAND_PART, LEAST_BAND_PX = 0.085, 54  # of the picture's width
NOTHING = "–"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Said(Value):
    """The words of the band at one moment: the clip's clock, the time since a gate, the speed."""

    clock: str
    since: str
    speed: str


def said_at(result: PassResult, lane: Lane, time_s: float, unit: str = "kmh") -> Said:
    """Return what is known at a frame's time: nothing before a gate, the pass's speed after both.

    A speed so far is that from the first gate to where the craft is, with its U95; of a pass that
    did not show both gates only the speed of its stretch is told, when the stretch is over.
    """
    spoken = unit_named(unit)
    forward = lane.gates_s[0] < lane.gates_s[1]
    seen_s = lane.passed_s - lane.delay_s  # the stamp at which each place is seen
    order = np.argsort(seen_s)
    x_m = float(np.interp(time_s, seen_s[order], lane.x_m[order]))
    first_m = 0.0 if forward else lane.length_m
    way_m = (x_m - first_m) * (1.0 if forward else -1.0)
    here_s = time_s + float(np.interp(x_m, lane.x_m, lane.delay_s))
    since_s = here_s - min(lane.gates_s)
    name = "start" if forward else "finish"
    return Said(
        clock=f"{time_s:.4f} s",
        since=NOTHING if since_s < 0.0 else f"{since_s:.4f} s after the {name} gate",
        speed=_speed_words(result, lane, x_m, way_m, spoken),
    )


def _speed_words(result: PassResult, lane: Lane, x_m: float, way_m: float, unit: Unit) -> str:
    """Return the speed so far, the pass's own at its end, and nothing before it is known."""
    if result.speed_mps is None or result.speed_U95_mps is None:
        return NOTHING
    final = f"{bare_speed_text(result.speed_mps, result.speed_U95_mps, unit)} {unit.label}"
    if result.status != "measured":
        low, high = result.stretch_m or (0.0, lane.length_m)
        end_m = high if lane.gates_s[0] < lane.gates_s[1] else low
        over = (x_m - end_m) * (1.0 if end_m == high else -1.0) >= 0.0
        return f"{final} from x = {low:.1f} to {high:.1f} m" if over else NOTHING
    if way_m >= lane.length_m:
        return f"speed {final}"
    speed, u = (
        float(np.interp(x_m, lane.x_m, row)) for row in (lane.so_far_mps, lane.so_far_u_mps)
    )
    if not (np.isfinite(speed) and np.isfinite(u)):
        return NOTHING
    return f"speed so far {bare_speed_text(speed, _widening(result, lane) * u, unit)} {unit.label}"


def _widening(result: PassResult, lane: Lane) -> float:
    """Return U95 over the speed's own first-order u, so that both agree at the second gate."""
    last = lane.so_far_u_mps[-1 if lane.gates_s[0] < lane.gates_s[1] else 0]
    return (result.speed_U95_mps or 0.0) / float(last)


class Annotator:
    """Draws on the frames of one pass in one clip: the course in the picture, words below it.

    Nothing is put on the craft: the lines are those of the course alone, the same in all frames.
    """

    def __init__(
        self, result: PassResult, lane: Lane, drawing: CourseDrawing | None, unit: str = "kmh"
    ) -> None:
        self._result, self._lane, self._unit = result, lane, unit
        self._drawing = drawing
        self._lines: tuple[Bools, Floats, Floats] | None = None
        self._band: _Band | None = None

    def draw(self, time_s: float, colours: Picture) -> Picture:
        """Return a frame (h, w, 3) with the course drawn in, and below it the band of words."""
        height, width = colours.shape[:2]
        if self._lines is None or self._band is None:
            self._lines = course_lines(self._drawing, (width, height))
            self._band = _Band(width, f"pass {self._result.label}, camera {self._lane.camera}")
        where, ink, keep = self._lines
        marked = colours.copy()
        marked[where] = np.rint(colours[where] * keep + ink).astype(np.uint8)
        band = self._band.draw(said_at(self._result, self._lane, time_s, self._unit))
        return np.concatenate([marked, band])


def course_lines(
    drawing: CourseDrawing | None, size_px: tuple[int, int]
) -> tuple[Bools, Floats, Floats]:
    """Return where course line and gates lie (h, w), k pixels of it, and what they do there.

    A pixel there becomes itself times the last (k, 1) plus the second (k, 3).
    """
    width, height = size_px
    figure = Figure(figsize=(width / 100.0, height / 100.0), dpi=100)
    figure.patch.set_alpha(0.0)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_axis_off()
    axes.set_xlim(-0.5, width - 0.5)
    axes.set_ylim(height - 0.5, -0.5)
    thick = max(1.0, LINE_PART * width) * 0.72  # points at 100 dots an inch
    if drawing is not None:
        lines = (
            (drawing.course_line_px, YELLOW, thick * 0.8),
            (drawing.gates_px[0], MINT, thick * 1.4),
            (drawing.gates_px[1], PURPLE, thick * 1.4),
        )
        for line, colour, weight in lines:
            axes.plot(line[:, 0], line[:, 1], color=colour, lw=weight)
    pixels = _pixels(FigureCanvasAgg(figure))
    where = pixels[:, :, 3] > 0
    share = pixels[where][:, 3:].astype(np.float64) / 255.0
    return where, pixels[where][:, :3] * share, 1.0 - share


class _Band:
    """The band below the picture: drawn anew only where its words change."""

    def __init__(self, width_px: int, name: str) -> None:
        height_px = max(LEAST_BAND_PX, round(BAND_PART * width_px))
        figure = Figure(figsize=(width_px / 100.0, height_px / 100.0), dpi=100, facecolor=GROUND)
        large, small = 0.26 * height_px, 0.17 * height_px  # points at 100 dots an inch
        style: dict[str, Any] = {"color": "white", "parse_math": False}
        self._clock = figure.text(0.015, 0.66, "", fontsize=large, va="center", **style)
        self._speed = figure.text(0.985, 0.66, "", fontsize=large, va="center", ha="right", **style)
        self._since = figure.text(0.015, 0.22, "", fontsize=small, va="center", **style)
        figure.text(
            0.985, 0.22, f"{plain(name, 60)} · ± is U95", fontsize=small, va="center",
            ha="right", **style,
        )  # fmt: skip
        self._canvas = FigureCanvasAgg(figure)

    def draw(self, said: Said) -> Picture:
        """Return the band (h, w, 3)."""
        self._clock.set_text(f"clock {said.clock}")
        self._since.set_text(said.since)
        self._speed.set_text(said.speed)
        return _pixels(self._canvas)[:, :, :3]


def _pixels(canvas: Any) -> Picture:
    """Return the pixels (h, w, 4) of a canvas, drawn."""
    canvas.draw()
    return np.array(canvas.buffer_rgba())
