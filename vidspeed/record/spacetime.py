"""The space-time picture of a pass: place across, time downwards, both to a printed scale.

A row is what one frame saw along the path, laid out in metres. What moves draws a slope, and the
slope is the speed: one can lay a ruler on it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.markers import TICKDOWN, TICKLEFT

from vidspeed.record.canvas import BLUE, INK, RUST, SHEET, VERMILLION, board, plain
from vidspeed.record.greys import Grey
from vidspeed.record.ruled import Ruling, rule, sides_pt, ticks
from vidspeed.record.units import bare_speed_text, unit_named
from vidspeed.values import Floats, Ints, PassResult, Value
from vidspeed.values.pictured import Filmed

PER_CM = (1.0, 2.0, 2.5, 4.0, 5.0, 8.0, 10.0)  # scales to reckon with, times ten to some n
LEFT_CM, RIGHT_CM, TOP_CM, BELOW_CM = 1.9, 0.7, 1.3, 1.8  # beside the axes, words at size 1
INCH_CM = 2.54
FINE = 6  # lines of the picture for each frame
LEAST_LEVELS = 24.0  # above the background that are drawn black, at least
LEAST_INK = 0.1  # of black; less is the noise of the background
OUTSIDE = 0.14  # grey of what the camera does not see
LEAST_RISE = 0.02  # of the course: a triangle smaller than this shows nothing


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Room(Value):
    """How large the picture between the axes may be, and how large its words and lines are."""

    wide_cm: float
    tall_cm: float
    size: float = 1.0


REPORT = Room(wide_cm=14.0, tall_cm=11.0)  # with its margins within an A4
LARGE = Room(wide_cm=36.0, tall_cm=22.5, size=1.7)  # within an A3 across


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet(Value):
    """The size of the print between its axes, and what a centimetre of it is worth."""

    wide_cm: float
    tall_cm: float
    m_per_cm: float
    s_per_cm: float
    size: float = 1.0

    @property
    def whole_cm(self) -> tuple[float, float]:
        """Return width and height of the whole print."""
        return (
            self.wide_cm + self.size * (LEFT_CM + RIGHT_CM),
            self.tall_cm + self.size * (TOP_CM + BELOW_CM),
        )

    @property
    def sentence(self) -> str:
        """Say what a ruler reads on it."""
        return (
            f"1 cm is {self.m_per_cm:g} m across and {1e3 * self.s_per_cm:g} ms down where it is "
            f"printed {10.0 * self.whole_cm[0]:.0f} mm wide"
        )


def round_scale(least: float) -> float:
    """Return the smallest round scale that is not below `least`.

    Examples
    --------
    >>> round_scale(6.1), round_scale(0.083), round_scale(2.0)
    (8.0, 0.1, 2.0)
    """
    power = 10.0 ** np.floor(np.log10(least) + 1e-9)
    return next(
        float(f"{step * power:.6g}") for step in PER_CM if step * power > least * (1 - 1e-9)
    )


def sheet_of(filmed: Filmed, room: Room = REPORT) -> Sheet:
    """Return the sheet on which a filmed pass fits at round scales."""
    wide_m = float(np.ptp(filmed.lane.x_m))
    early_s, late_s = span_of(filmed)
    m_per_cm, s_per_cm = (
        round_scale(wide_m / room.wide_cm),
        round_scale((late_s - early_s) / room.tall_cm),
    )
    return Sheet(
        wide_cm=wide_m / m_per_cm,
        tall_cm=(late_s - early_s) / s_per_cm,
        m_per_cm=m_per_cm,
        s_per_cm=s_per_cm,
        size=room.size,
    )


def space_time(
    result: PassResult, filmed: Filmed, unit: str = "kmh", *, room: Room = REPORT
) -> Figure:
    """Draw a pass as one camera filmed it: a row a frame, and the speed as a triangle."""
    sheet, size = sheet_of(filmed, room), room.size
    width, height = (side / INCH_CM for side in sheet.whole_cm)
    figure, (axes,) = board(width, height)
    axes.set_position(
        (
            size * LEFT_CM / INCH_CM / width,
            size * BELOW_CM / INCH_CM / height,
            sheet.wide_cm / INCH_CM / width,
            sheet.tall_cm / INCH_CM / height,
        )
    )
    early_s, late_s = span_of(filmed)
    begun_s = min(filmed.lane.gates_s)
    extent = (
        float(filmed.lane.x_m[0]), float(filmed.lane.x_m[-1]),
        1e3 * (late_s - begun_s), 1e3 * (early_s - begun_s),
    )  # fmt: skip
    grey = np.rint(255.0 * laid_out(filmed)).astype(np.uint8)
    axes.add_image(Grey(axes, grey, extent, smooth=False, name=SHEET))
    _gates(axes, filmed, size)
    _triangle(axes, result, filmed, unit, size)
    axes.set_xlim(extent[0], extent[1])
    axes.set_ylim(extent[2], extent[3])
    _rule(axes, size)
    _words(figure, result, filmed, sheet)
    return figure


def span_of(filmed: Filmed) -> tuple[float, float]:
    """Return the first and the last moment that the picture shows, by the clip's own clock."""
    half_s = 0.5 * _interval_s(filmed)
    delay = filmed.lane.delay_s
    return (
        float(filmed.time_s[0] + delay.min() - half_s),
        float(filmed.time_s[-1] + delay.max() + half_s),
    )


def _interval_s(filmed: Filmed) -> float:
    """Return the median time between the frames."""
    if len(filmed.time_s) < 2:
        return 0.02
    return float(np.median(np.diff(filmed.time_s)))


def laid_out(filmed: Filmed) -> Floats:
    """Return the rows as a picture (h, m) from 0 (black: the craft) to 1, its lines even in time.

    Each column has its read-out allowed for. Where no frame is near a line it is white, and what
    the camera does not see is grey.
    """
    early_s, late_s = span_of(filmed)
    interval_s = _interval_s(filmed)
    lines = int(np.clip(FINE * (late_s - early_s) / interval_s, 200, 1600))
    at_s = early_s + (np.arange(lines) + 0.5) * (late_s - early_s) / lines
    near, off_s = _nearest(filmed.time_s, at_s[:, None] - filmed.lane.delay_s[None, :])
    ink = _ink(filmed)
    columns = np.broadcast_to(np.arange(ink.shape[1]), near.shape)
    picture = np.where(off_s <= 0.55 * interval_s, 1.0 - ink[near, columns], 1.0)
    blind = filmed.rows.max(axis=0) == 0
    picture[:, blind] = 1.0 - OUTSIDE
    return np.asarray(picture)


def _nearest(time_s: Floats, wanted_s: Floats) -> tuple[Ints, Floats]:
    """Return which of the frames is nearest to each moment (h, m), and how far it is."""
    last = len(time_s) - 1
    after = np.clip(np.searchsorted(time_s, wanted_s), 0, last)
    before = np.maximum(after - 1, 0)
    nearer = np.abs(wanted_s - time_s[before]) < np.abs(wanted_s - time_s[after])
    near = np.where(nearer, before, after)
    return near, np.abs(wanted_s - time_s[near])


def _ink(filmed: Filmed) -> Floats:
    """Return how far each place of each row (n, m) stands out from its usual level, 0 to 1."""
    rows = filmed.rows.astype(np.float64)
    off = rows - np.median(rows, axis=0)
    off = np.maximum(-off if filmed.darker else off, 0.0)
    top = max(float(np.percentile(off.max(axis=1), 75.0)), LEAST_LEVELS)
    ink = np.clip(off / (0.8 * top), 0.0, 1.0)
    return np.asarray(np.where(ink < LEAST_INK, 0.0, ink))


def _rule(axes: Axes, size: float) -> None:
    """Rule the picture in round steps, as a sheet to measure on; its limits are set by now."""
    axes.set_xlabel("place along the course, m")
    axes.set_ylabel("time since the first gate, ms")
    ruling = Ruling(
        tick_pt=9 * size, name_pt=9 * size, long_pt=5.0 * size, grid_wide_pt=0.5,
        grid_alpha=0.16, order=1.5,
    )  # fmt: skip
    wide_pt, tall_pt = sides_pt(axes)
    across = ticks(axes.get_xlim(), wide_pt, ruling.tick_pt, across=True)
    down = ticks(axes.get_ylim(), tall_pt, ruling.tick_pt, across=False)
    rule(axes, across, down, ruling)
    small: dict[str, Any] = {"ls": "", "ms": 2.5 * size, "mew": 0.6, "color": "k", "clip_on": False}
    foot, side = axes.get_xaxis_transform(), axes.get_yaxis_transform()
    fine = _between(across.places, axes.get_xlim()), _between(down.places, axes.get_ylim())
    axes.plot(fine[0], np.zeros(len(fine[0])), marker=TICKDOWN, transform=foot, **small)
    axes.plot(np.zeros(len(fine[1])), fine[1], marker=TICKLEFT, transform=side, **small)


def _between(places: Floats, limits: tuple[float, float]) -> Floats:
    """Return the small steps (n,) between and beside ticks: five to each of 1 or 5, else four."""
    if len(places) < 2:
        return np.zeros(0)
    step = float(places[1] - places[0])
    parts = 5 if round(step / 10.0 ** np.floor(np.log10(step) + 1e-9), 6) in (1.0, 5.0) else 4
    low, high = sorted(limits)
    numbers = np.arange(-parts, (len(places) + 1) * parts)
    steps = places[0] + step / parts * numbers[numbers % parts != 0]
    return np.asarray(steps[(steps >= low) & (steps <= high)])


def _gates(axes: Axes, filmed: Filmed, size: float) -> None:
    """Draw the gates as two thin lines and name them."""
    for name, x_m in (("start", 0.0), ("finish", filmed.lane.length_m)):
        axes.axvline(x_m, color=BLUE, lw=0.8 * size)
        axes.annotate(
            f"{name} gate", (x_m, 1.0), xycoords=("data", "axes fraction"), xytext=(0.0, 3.0),
            textcoords="offset points", ha="center", va="bottom", color=BLUE, fontsize=9 * size,
        )  # fmt: skip


def _triangle(axes: Axes, result: PassResult, filmed: Filmed, unit: str, size: float) -> None:
    """Draw the speed as a slope: so many metres in so many milliseconds."""
    ends = _ends(result, filmed)
    if ends is None or result.speed_mps is None:
        return
    (from_m, to_m), begun_ms = ends
    spent_ms = 1e3 * abs(to_m - from_m) / result.speed_mps
    ended_ms = begun_ms + spent_ms
    axes.plot([from_m, to_m], [begun_ms, ended_ms], color=VERMILLION, lw=0.9 * size, ls=(0, (6, 3)))
    axes.plot(
        [from_m, from_m, to_m], [begun_ms, ended_ms, ended_ms], color=VERMILLION, lw=1.6 * size,
        solid_joinstyle="miter",
    )  # fmt: skip
    inward, side = (1.0, "left") if to_m > from_m else (-1.0, "right")
    beside: dict[str, Any] = {"color": RUST, "fontsize": 10 * size, "textcoords": "offset points"}
    axes.annotate(
        f"{spent_ms:.1f} ms", (from_m, (begun_ms + 2.0 * ended_ms) / 3.0), rotation=90,
        xytext=(5.0 * size * inward, 0.0), ha=side, va="center", **beside,
    )  # fmt: skip
    axes.annotate(
        f"{abs(to_m - from_m):.2f} m", ((from_m + 2.0 * to_m) / 3.0, ended_ms),
        xytext=(0.0, 4.0 * size), ha="center", va="bottom", **beside,
    )  # fmt: skip
    axes.annotate(
        _quotient(result, abs(to_m - from_m), spent_ms, unit), (from_m, ended_ms),
        xytext=(24.0 * size * inward, 22.0 * size), ha=side, va="bottom",
        linespacing=1.35, **beside,
    )  # fmt: skip


def _quotient(result: PassResult, rise_m: float, spent_ms: float, unit: str) -> str:
    """Write the speed out as length over time."""
    spoken = unit_named(unit)
    assert result.speed_mps is not None
    told = bare_speed_text(result.speed_mps, result.speed_U95_mps or 0.0, spoken)
    return (
        f"{rise_m:.2f} m / {spent_ms / 1e3:.4f} s\n= {result.speed_mps:.2f} m/s\n"
        f"= {told} {spoken.label}"
    )


def _ends(result: PassResult, filmed: Filmed) -> tuple[tuple[float, float], float] | None:
    """Return between which places the speed is, in order of time, and when the first was passed.

    Milliseconds after the first gate; None where there is no such stretch.
    """
    lane = filmed.lane
    low, high = (0.0, lane.length_m) if result.status == "measured" else result.stretch_m or (0, 0)
    low, high = max(low, float(lane.x_m[0])), min(high, float(lane.x_m[-1]))
    if high - low < LEAST_RISE * lane.length_m:
        return None
    order = (low, high) if lane.gates_s[0] < lane.gates_s[1] else (high, low)
    at_s = float(np.interp(order[0], lane.x_m, lane.passed_s))
    return order, 1e3 * (at_s - min(lane.gates_s))


def _words(figure: Figure, result: PassResult, filmed: Filmed, sheet: Sheet) -> None:
    """Write what it is above the picture, and the scale below."""
    lane = filmed.lane
    name = plain(f"Pass {result.label}, camera {lane.camera}, {lane.clip}", 90)
    figure.text(
        0.012, 1.0 - 0.12 / figure.get_figheight(), name, ha="left", va="top",
        fontsize=9.5 * sheet.size, color=INK, parse_math=False,
    )  # fmt: skip
    figure.text(
        0.988, 0.06 / figure.get_figheight(), sheet.sentence, ha="right", va="bottom",
        fontsize=8 * sheet.size, color=INK,
    )  # fmt: skip
