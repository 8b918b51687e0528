"""Charts that sit in the page itself: drawn to be read on a phone, in the page's own ink."""

from __future__ import annotations

import re
from typing import Any

from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from vidspeed.record.canvas import BLUE, DPI, INK

WIDTH_IN = 5.6


def slim_chart(height_in: float, rows: int = 1, **shared: Any) -> tuple[Figure, list[Axes]]:
    """Return a figure with so many axes, one above the other, on white that the page takes away."""
    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI, layout="constrained")
    every = figure.subplots(rows, 1, squeeze=False, **shared)[:, 0]
    for axes in every:
        axes.patch.set_alpha(0.0)
        axes.spines[["top", "right"]].set_visible(False)
        axes.grid(color=INK, alpha=0.14, lw=0.6)
        axes.set_axisbelow(True)
        axes.tick_params(labelsize=10, colors=INK)
    return figure, list(every)


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
