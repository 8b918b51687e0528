"""Charts that sit in the page itself: drawn to be read on a phone, in the page's own ink.

Their margins are reckoned here, from what the axes have written beside them. Matplotlib's own
layouts draw every word several times to find out, which took a third of each chart.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from vidspeed.record.canvas import BLUE, INK, POINTS, board
from vidspeed.record.ruled import FIGURES_GAP_PT, LINE, NAME_GAP_PT, Ruling, rule, sides_pt, ticks

WIDTH_IN = 5.6
LABEL_PT, TICK_PT, KEY_PT = 10.0, 10.0, 9.5  # sizes of words: of axes, of ticks, of the legend
EDGE_PT, ROOM_PT = 4.0, 10.0  # around all, and between axes one above the other
TICK_LONG_PT = 3.5
TICK_GAP_PT = TICK_LONG_PT + FIGURES_GAP_PT  # a tick with what is left beside it
RULING = Ruling(
    tick_pt=TICK_PT, name_pt=LABEL_PT, long_pt=TICK_LONG_PT, grid_wide_pt=0.6, grid_alpha=0.14,
    order=0.5,
)  # fmt: skip
KEY_EM, KEY_SIGN_EM, KEY_GAP_EM = 2.4, 0.55, 1.2  # a line or mark, a letter, between columns


def slim_chart(
    height_in: float, heights: tuple[float, ...] = (1.0,), *, shared: bool = False
) -> tuple[Figure, list[Axes]]:
    """Return a figure with axes one above the other, on white that the page takes away.

    They are as high as `heights` say beside each other; `shared` axes have their limits in common.
    """
    figure, every = board(WIDTH_IN, height_in, heights, shared=shared)
    for axes in every:
        axes.patch.set_alpha(0.0)
        axes.spines[["top", "right"]].set_visible(False)
    return figure, every


def lay_out(figure: Figure, every: Sequence[Axes], columns: int) -> None:
    """Put axes of a `slim_chart` one above the other, rule them, and their legend above them all.

    To be called when all is drawn: the margins follow from names, ticks and the legend's rows, in
    at most so many `columns`. The legend is that of the first axes.
    """
    handles, labels = every[0].get_legend_handles_labels()
    columns = _columns(labels, columns)
    if handles:
        figure.legend(
            handles, labels, loc="upper center", ncols=columns, fontsize=KEY_PT, frameon=False,
            labelcolor=INK, columnspacing=1.2, handlelength=1.6, borderaxespad=EDGE_PT / KEY_PT,
        )  # fmt: skip
    rows = math.ceil(len(handles) / columns)
    above = EDGE_PT + (KEY_PT * (0.8 + LINE * rows + 0.5 * (rows - 1)) if rows else ROOM_PT)
    wide, tall = (POINTS * float(side) for side in figure.get_size_inches())
    feet = [_foot_pt(axes) for axes in every]
    left_pt = tall - above - EDGE_PT - sum(feet) - ROOM_PT * (len(every) - 1)
    heights = [max(share * left_pt, 1.0) for share in _shares(every)]
    figures = max(
        ticks(axes.get_ylim(), height, TICK_PT, across=False).wide_pt(TICK_PT)
        for axes, height in zip(every, heights, strict=True)
    )
    beside = EDGE_PT + LABEL_PT * LINE + NAME_GAP_PT + TICK_GAP_PT + figures
    width = wide - beside - ROOM_PT - EDGE_PT
    top = tall - above
    for axes, foot, height in zip(every, feet, heights, strict=True):
        box = (beside, top - height, width, height)
        axes.set_position((box[0] / wide, box[1] / tall, box[2] / wide, box[3] / tall))
        axes.apply_aspect()  # what is true to scale may be smaller
        across_pt, up_pt = sides_pt(axes)
        across = ticks(axes.get_xlim(), across_pt, TICK_PT, across=True)
        up = ticks(axes.get_ylim(), up_pt, TICK_PT, across=False)
        rule(axes, across, up, RULING, written=_written(axes))
        top -= height + foot + ROOM_PT


def _columns(labels: Sequence[str], most: int) -> int:
    """Return in how many columns, at most so many, a legend fits into the width of a chart.

    Examples
    --------
    >>> _columns(["gate", "marker", "course line"], 3)
    3
    >>> _columns(["light seen by a camera whose name is long"] * 3, 3)
    1
    """
    room_em = 72.0 * WIDTH_IN / KEY_PT - 1.0
    for columns in range(min(most, len(labels)), 1, -1):
        parts = np.array_split([len(label) for label in labels], columns)
        wide_em = sum(KEY_EM + KEY_SIGN_EM * int(part.max()) for part in parts)
        if wide_em + KEY_GAP_EM * (columns - 1) <= room_em:
            return columns
    return 1


def _shares(every: Sequence[Axes]) -> list[float]:
    """Return which part of the height each of the axes gets."""
    spec = every[0].get_subplotspec()
    assert spec is not None
    ratios = np.asarray(spec.get_gridspec().get_height_ratios(), dtype=np.float64)
    return [float(ratio) for ratio in ratios / ratios.sum()]


def _foot_pt(axes: Axes) -> float:
    """Return how much room ticks and name of an axis across take below it, points."""
    named = bool(axes.get_xlabel())
    return (
        TICK_GAP_PT
        + (TICK_PT * LINE if _written(axes) else 0.0)
        + (NAME_GAP_PT + LABEL_PT * LINE if named else 0.0)
    )


def _written(axes: Axes) -> bool:
    """Tell whether the ticks across are named: of axes that share them, those of the lowest are."""
    return bool(axes.xaxis.get_tick_params()["labelbottom"])


def inline(drawing: bytes, words: str) -> Markup:
    """Return a chart (SVG file) as an `svg` element in the page's ink, with words instead of it."""
    text = drawing.decode("utf-8")
    head, body = re.split(r"(?<=>)", text[text.index("<svg") :], maxsplit=1)
    head = re.sub(r' (width|height)="[^"]*"', "", head)
    body = re.sub(r"<(metadata|style)\b.*?</\1>", "", body, flags=re.DOTALL)
    body = re.sub(r'<g id="[^"]*"', "<g", body)  # the page would hold each name many times
    body = body.replace(INK, "currentColor").replace("#000000", "currentColor")
    body = body.replace("fill: #ffffff", "fill: none")
    body = body.replace(BLUE.lower(), "var(--bar)")  # lighter where the page is dark
    begin = Markup('<svg class="inline" role="img" aria-label="{}"').format(words)
    return begin + Markup(head.removeprefix("<svg") + body.rstrip())
