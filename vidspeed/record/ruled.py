"""Ticks, their figures and the grid of a chart, drawn as one line each where Matplotlib draws many.

An axis of Matplotlib's makes five things of every tick and lays them out several times; two such
axes took more than half of a chart's time. Where the ticks stand is what its locators choose.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.markers import TICKDOWN, TICKLEFT
from matplotlib.ticker import MaxNLocator, ScalarFormatter
from matplotlib.transforms import ScaledTranslation

from vidspeed.record.canvas import INK, POINTS
from vidspeed.values import Floats

STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)  # round ones, times ten to some n
MOST_STEPS = 9
FIGURES_WIDE = 3.0  # that a tick across takes of the axis, in sizes of its figures
FIGURES_TALL = 2.0
TICK_WIDE_PT, FIGURES_GAP_PT, NAME_GAP_PT = 0.8, 3.5, 4.0
LINE = 1.2  # height of a line of words, over their size
WIDEST = 0.64  # width of a digit over its size in the widest of the fonts that a reader may have
WIDTHS = {".": 0.37, ",": 0.37, "\N{MINUS SIGN}": 0.84, "-": 0.45, " ": 0.36}  # of other signs


class Ticks(NamedTuple):
    """Where the ticks of an axis stand (n,), and what is written at each."""

    places: Floats
    texts: Sequence[str]

    def wide_pt(self, size_pt: float) -> float:
        """Return how wide the longest of the texts is written, in points."""
        widths = (size_pt * sum(WIDTHS.get(sign, WIDEST) for sign in text) for text in self.texts)
        return max(widths, default=0.0)


class Ruling(NamedTuple):
    """How an axis is drawn: sizes of its figures and name, length of ticks, and its grid.

    `order` is that of Matplotlib's drawing: 0.5 is below all, 1.5 above pictures.
    """

    tick_pt: float
    name_pt: float
    long_pt: float
    grid_wide_pt: float
    grid_alpha: float
    order: float


def ticks(limits: tuple[float, float], room_pt: float, size_pt: float, *, across: bool) -> Ticks:
    """Return round ticks between limits, as many as have room along an axis so many points long.

    Examples
    --------
    >>> ticks((0.0, 80.0), 300.0, 10.0, across=True).texts
    ['0', '10', '20', '30', '40', '50', '60', '70', '80']
    """
    low, high = sorted(limits)
    each_pt = size_pt * (FIGURES_WIDE if across else FIGURES_TALL)
    most = int(np.clip(room_pt // each_pt, 1, MOST_STEPS))
    every = np.asarray(MaxNLocator(most, steps=STEPS).tick_values(low, high))
    writer: Any = ScalarFormatter(useOffset=False)
    writer.set_scientific(False)
    writer.create_dummy_axis()
    writer.axis.set_view_interval(low, high)
    texts = writer.format_ticks(every)
    slack = 1e-6 * (high - low)
    inside = (every >= low - slack) & (every <= high + slack)
    kept = [text for text, within in zip(texts, inside, strict=True) if within]
    return Ticks(every[inside], kept)


def sides_pt(axes: Axes) -> tuple[float, float]:
    """Return width and height of axes in points."""
    figure = axes.get_figure(root=True)
    assert isinstance(figure, Figure)
    width, height = figure.get_size_inches()
    place = axes.get_position()
    return POINTS * float(width) * place.width, POINTS * float(height) * place.height


def rule(axes: Axes, across: Ticks, up: Ticks, ruling: Ruling, *, written: bool = True) -> None:
    """Draw grid, ticks, figures and names of both axes, whose limits are set for good.

    Without `written` the axis across has ticks alone.
    """
    axes.set_xlim(axes.get_xlim())  # what is drawn here moves no limits
    axes.set_ylim(axes.get_ylim())
    foot, side = axes.get_xaxis_transform(), axes.get_yaxis_transform()
    shown = across if written else across._replace(texts=())
    _grid(axes, across.places, ruling, foot, turned=False)
    _grid(axes, up.places, ruling, side, turned=True)
    _marks(axes, across.places, ruling, foot, turned=False)
    _marks(axes, up.places, ruling, side, turned=True)
    away_pt = ruling.long_pt + FIGURES_GAP_PT
    shift = axes.figure.dpi_scale_trans
    below = ScaledTranslation(0.0, -away_pt / POINTS, shift)
    beside = ScaledTranslation(-away_pt / POINTS, 0.0, shift)
    for place, text in zip(across.places, shown.texts, strict=False):
        _write(axes, place, 0.0, text, ruling.tick_pt, foot + below, ha="center", va="top")
    for place, text in zip(up.places, up.texts, strict=True):
        _write(axes, 0.0, place, text, ruling.tick_pt, side + beside,
               ha="right", va="center_baseline")  # fmt: skip
    _names(axes, shown, up, ruling, away_pt)
    axes.xaxis.set_visible(False)
    axes.yaxis.set_visible(False)


def _names(axes: Axes, across: Ticks, up: Ticks, ruling: Ruling, away_pt: float) -> None:
    """Write the names of both axes beyond their figures."""
    shift = axes.figure.dpi_scale_trans
    figures_pt = ruling.tick_pt * LINE if across.texts else 0.0
    low_pt = away_pt + figures_pt + NAME_GAP_PT
    left_pt = away_pt + up.wide_pt(ruling.tick_pt) + NAME_GAP_PT
    below = ScaledTranslation(0.0, -low_pt / POINTS, shift)
    beside = ScaledTranslation(-left_pt / POINTS, 0.0, shift)
    if name := axes.get_xlabel():
        _write(axes, 0.5, 0.0, name, ruling.name_pt, axes.transAxes + below, ha="center", va="top")
    if name := axes.get_ylabel():
        _write(axes, 0.0, 0.5, name, ruling.name_pt, axes.transAxes + beside,
               ha="right", va="center", rotation=90)  # fmt: skip


def _write(
    axes: Axes, x: float, y: float, text: str, size_pt: float, transform: Any, **how: Any
) -> None:
    axes.text(x, y, text, fontsize=size_pt, transform=transform, color=INK, parse_math=False, **how)


def _grid(axes: Axes, places: Floats, ruling: Ruling, transform: Any, *, turned: bool) -> None:
    """Draw a line across the axes at each place."""
    along = np.repeat(places, 3)
    over = np.tile((0.0, 1.0, np.nan), len(places))
    line = Line2D(
        *((over, along) if turned else (along, over)), color=INK, alpha=ruling.grid_alpha,
        lw=ruling.grid_wide_pt, transform=transform, zorder=ruling.order,
    )  # fmt: skip
    axes.add_artist(line)


def _marks(axes: Axes, places: Floats, ruling: Ruling, transform: Any, *, turned: bool) -> None:
    """Draw a tick at each place, outwards."""
    edge = np.zeros(len(places))
    marker: Any = TICKLEFT if turned else TICKDOWN
    marks = Line2D(
        *((edge, places) if turned else (places, edge)), ls="", transform=transform, color=INK,
        marker=marker, ms=ruling.long_pt, mew=TICK_WIDE_PT,
        clip_on=False, zorder=ruling.order,
    )  # fmt: skip
    axes.add_artist(marks)
