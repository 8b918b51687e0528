"""Words in drawings, each set once: the same names and figures stand in the charts of every pass.

Setting a line of words and filling its letters takes longer than drawing all lines of a chart. What
is kept depends on nothing but the words and how they are set, so that a drawing has the same bytes
whatever was drawn before it.
"""

from __future__ import annotations

from functools import lru_cache
from math import ceil
from typing import Any

import numpy as np
from matplotlib import rcParams
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path

from vidspeed.values import Picture

MOST_KEPT = 512  # lines of words; their pictures take some 5 MB
UPRIGHT = {0.0: 0, 90.0: 1, 180.0: 2, 270.0: 3}  # degrees, quarters of a turn
RIM_PX = 3  # around words, for what of a letter lies outside its box

Colour = tuple[float, float, float]
Size = tuple[float, float, float]  # width, height, and how much of it lies below the baseline


class Pixels(RendererAgg):
    """What paints a figure in pixels; words that lie along an axis come from those kept."""

    def draw_text(
        self, gc: Any, x: float, y: float, s: str, prop: FontProperties, angle: float,
        ismath: Any = False, mtext: Any = None,
    ) -> None:  # fmt: skip
        """Write words at a place in pixels, y down to the baseline; those kept at whole pixels."""
        colour = tuple(float(part) for part in gc.get_rgb())
        opaque = gc.get_alpha() == 1.0 and colour[3:] in ((), (1.0,))
        if ismath or not opaque or angle % 360.0 not in UPRIGHT:
            super().draw_text(gc, x, y, s, prop, angle, ismath, mtext)  # type: ignore[no-untyped-call]
            return
        quarters = UPRIGHT[angle % 360.0]
        picture, (left, below) = _written(
            s, prop.copy(), families(), self.dpi, quarters, colour[:3]
        )
        foot = round(self.height - y)
        self.draw_image(gc, round(x) - left, foot - below, picture)

    def get_text_width_height_descent(self, s: str, prop: FontProperties, ismath: Any) -> Size:
        """Return the size of words in pixels."""
        if ismath:
            return super().get_text_width_height_descent(s, prop, ismath)  # type: ignore[no-any-return, no-untyped-call]
        return _painted_size(s, prop.copy(), families(), self.dpi)


@lru_cache(maxsize=MOST_KEPT)
def drawn_size(words: str, font: FontProperties, families: tuple[str, ...]) -> Size:
    """Return the size in points of words that an SVG file holds as words."""
    return _size(text_to_path.get_text_width_height_descent(words, font, False))


@lru_cache(maxsize=MOST_KEPT)
def _painted_size(
    words: str, font: FontProperties, families: tuple[str, ...], dpi: float
) -> Size:  # fmt: skip
    return _size(_board(1, 1, dpi).get_text_width_height_descent(words, font, False))


@lru_cache(maxsize=MOST_KEPT)
def _written(
    words: str,
    font: FontProperties,
    families: tuple[str, ...],
    dpi: float,
    quarters: int,
    colour: Colour,
) -> tuple[Picture, tuple[int, int]]:
    """Return words as a picture (h, w, 4), from its foot up, and where their beginning lies in it.

    They are turned to the left by so many `quarters` of a turn.
    """
    width, height, descent = _painted_size(words, font, families, dpi)
    wide, tall, below = (ceil(side) + RIM_PX for side in (width + RIM_PX, height + RIM_PX, descent))
    board = _board(wide, tall, dpi)
    pen = board.new_gc()
    pen.set_foreground((*colour, 1.0), isRGBA=True)
    board.draw_text(pen, RIM_PX, tall - below, words, font, 0.0)
    turned = np.rot90(np.asarray(board.buffer_rgba()), quarters)
    beginning = (
        (RIM_PX, below),
        (tall - below, RIM_PX),
        (wide - RIM_PX, tall - below),
        (below, wide - RIM_PX),
    )[quarters]
    return np.ascontiguousarray(turned[::-1]), beginning


def _board(wide: int, tall: int, dpi: float) -> Any:
    drawer: Any = RendererAgg  # of a module of Matplotlib's that has no types
    return drawer(wide, tall, dpi)


def families() -> tuple[str, ...]:
    """Return what stands for the fonts of words that ask for no family of their own."""
    return tuple(rcParams["font.sans-serif"])


def _size(measured: tuple[float, float, float]) -> Size:
    width, height, descent = measured
    return float(width), float(height), float(descent)
