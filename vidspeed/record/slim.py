"""Charts that sit in the page itself: drawn to be read on a phone, in the page's own ink.

Their margins are reckoned here, from what the axes have written beside them. Matplotlib's own
layouts draw every word several times to find out, which took a third of each chart.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any

import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from vidspeed.record.canvas import BLUE, DPI, INK

WIDTH_IN = 5.6
LABEL_PT, TICK_PT, KEY_PT = 10.0, 10.0, 9.5  # sizes of words: of axes, of ticks, of the legend
EDGE_PT, ROOM_PT = 4.0, 10.0  # around all, and between axes one above the other
LINE = 1.2  # height of a line of words, over their size
TICK_GAP_PT, LABEL_GAP_PT = 7.0, 4.0  # a tick with what is left beside it; before an axis's name
WIDEST = 0.64  # width of a digit over its size in the widest of the fonts that a reader may have
KEY_EM, KEY_SIGN_EM, KEY_GAP_EM = 2.4, 0.55, 1.2  # a line or mark, a letter, between columns
WIDTHS = {".": 0.37, ",": 0.37, "\N{MINUS SIGN}": 0.84, "-": 0.45, " ": 0.36}  # of other signs


def slim_chart(height_in: float, rows: int = 1, **shared: Any) -> tuple[Figure, list[Axes]]:
    """Return a figure with so many axes, one above the other, on white that the page takes away."""
    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI)
    every = figure.subplots(rows, 1, squeeze=False, **shared)[:, 0]
    for axes in every:
        axes.patch.set_alpha(0.0)
        axes.spines[["top", "right"]].set_visible(False)
        axes.grid(color=INK, alpha=0.14, lw=0.6)
        axes.set_axisbelow(True)
        axes.tick_params(labelsize=TICK_PT, colors=INK)
    return figure, list(every)


def lay_out(figure: Figure, every: Sequence[Axes], columns: int) -> None:
    """Put axes of a `slim_chart` one above the other, and their legend above them all.

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
    beside = EDGE_PT + LABEL_PT * LINE + LABEL_GAP_PT + TICK_GAP_PT + max(map(_tick_pt, every))
    wide, tall = (72.0 * float(side) for side in figure.get_size_inches())
    feet = [_foot_pt(axes) for axes in every]
    left_pt = tall - above - EDGE_PT - sum(feet) - ROOM_PT * (len(every) - 1)
    shares = _shares(every)
    top = tall - above
    for axes, foot, share in zip(every, feet, shares, strict=True):
        height = max(share * left_pt, 1.0)
        box = (beside, top - height, wide - beside - ROOM_PT - EDGE_PT, height)
        axes.set_position((box[0] / wide, box[1] / tall, box[2] / wide, box[3] / tall))
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
    ticks = bool(axes.xaxis.get_tick_params()["labelbottom"])
    named = bool(axes.get_xlabel())
    return (
        TICK_GAP_PT
        + (TICK_PT * LINE if ticks else 0.0)
        + (LABEL_GAP_PT + LABEL_PT * LINE if named else 0.0)
    )


def _tick_pt(axes: Axes) -> float:
    """Return how wide the longest tick of an axis upwards is written, points."""
    low, high = sorted(axes.get_ylim())
    places = [place for place in axes.yaxis.get_majorticklocs() if low <= place <= high]
    texts = axes.yaxis.get_major_formatter().format_ticks(places)
    return max((TICK_PT * sum(WIDTHS.get(sign, WIDEST) for sign in text) for text in texts),
               default=0.0)  # fmt: skip


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
