"""Charts to print: a chessboard, a ChArUco chart, coded boards, each with rulers to check scale.

Everything is laid out in millimetres from the top left corner of the page, y down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vidspeed.errors import OptionError
from vidspeed.geometry.codes import cells, how_many
from vidspeed.values import Bools, Chart, Floats, Value

PAPERS = {"a4": (210.0, 297.0), "a3": (297.0, 420.0), "letter": (215.9, 279.4)}  # mm, upright
MARGIN_MM = 8.0  # that printers leave white
RULER_MM = 13.0  # height kept for a ruler and its words
TICK_MM = 10.0
WORDS_MM = 3.2  # height of letters


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Label(Value):
    """Words on a page: where their lower left corner is, mm; `turned` reads upwards."""

    x_mm: float
    y_mm: float
    text: str
    turned: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Page(Value):
    """A page to print: its size and dark boxes (n, 4) of x, y, width, height, all in mm."""

    width_mm: float
    height_mm: float
    boxes_mm: Floats
    labels: tuple[Label, ...]


def chart_page(chart: Chart, paper: str) -> Page:
    """Lay a chart out on a page, lying or upright, whichever holds it.

    Raises OptionError where the page is too small or the chart impossible.
    """
    check_chart(chart)
    square = 1e3 * chart.square_m
    across, down = (chart.columns + 1) * square, (chart.rows + 1) * square
    more = 2 * MARGIN_MM + RULER_MM
    what = f"--board {chart.columns}x{chart.rows}"
    width, height = _turned(paper, across + more, down + more, what)
    left = MARGIN_MM + RULER_MM + (width - 2 * MARGIN_MM - RULER_MM - across) / 2.0
    boxes = chart_boxes(chart)
    boxes[:, 0::2] *= 1e3
    boxes[:, 1::2] *= 1e3
    boxes[:, 0] += left
    boxes[:, 1] += MARGIN_MM
    what = f"{chart.columns} x {chart.rows} inner corners, squares of {square:g} mm"
    if chart.family is not None:
        what += f", ChArUco, codes {chart.family} of {1e3 * (chart.code_m or 0.0):g} mm"
    return _with_rulers(width, height, boxes, what)


def board_pages(family: str, numbers: Sequence[int], side_mm: float, paper: str) -> list[Page]:
    """Lay out one coded board a page; `side_mm` is the side of its dark square.

    Raises OptionError where the page is too small or a code does not exist.
    """
    pages = []
    for number in numbers:
        dark = cells(family, number)
        quiet = side_mm / len(dark)  # a light border of one cell all around
        edge = max(quiet, MARGIN_MM)
        whole = side_mm + 2.0 * edge
        down = whole + RULER_MM + MARGIN_MM
        width, height = _turned(paper, whole, down, f"--side-mm {side_mm:g}")
        boxes = runs(dark) * quiet
        boxes[:, 0] += (width - side_mm) / 2.0
        boxes[:, 1] += edge
        what = f"code {number} of {family}, side {side_mm:g} mm; survey the middle of the square"
        pages.append(_with_rulers(width, height, boxes, what, upright=False))
    return pages


def check_chart(chart: Chart) -> None:
    """Refuse a chart that cannot be found in a picture.

    Raises OptionError with what is allowed.
    """
    least = 2 if chart.family is not None else 3
    if min(chart.columns, chart.rows) < least or max(chart.columns, chart.rows) > 60:
        raise OptionError(
            f"--board is {chart.columns}x{chart.rows}; inner corners from {least} to 60 each way "
            "are allowed, for example 9x6"
        )
    if chart.family is None:
        return
    needed = len(code_squares(chart))
    if needed > how_many(chart.family):
        raise OptionError(
            f"--board {chart.columns}x{chart.rows} takes {needed} codes, {chart.family} has "
            f"{how_many(chart.family)}; take a larger family or fewer squares"
        )
    if not 0.3 * chart.square_m <= (chart.code_m or 0.0) <= 0.9 * chart.square_m:
        raise OptionError(
            f"--code-mm is {1e3 * (chart.code_m or 0.0):g}; 0.3 to 0.9 of the square of "
            f"{1e3 * chart.square_m:g} mm is allowed, 0.7 is good"
        )


def chart_boxes(chart: Chart) -> Floats:
    """Return the dark boxes (n, 4) of a chart: x, y, width, height in metres from its corner."""
    size = chart.square_m
    dark = [
        [i * size, j * size, size, size]
        for j in range(chart.rows + 1)
        for i in range(chart.columns + 1)
        if (i + j) % 2 == 0
    ]
    boxes = [np.array(dark)]
    if chart.family is not None and chart.code_m is not None:
        for number, (i, j) in enumerate(code_squares(chart)):
            code = cells(chart.family, number)
            inset = (size - chart.code_m) / 2.0
            drawn = runs(code) * (chart.code_m / len(code))
            drawn[:, 0] += i * size + inset
            drawn[:, 1] += j * size + inset
            boxes.append(drawn)
    return np.concatenate(boxes)


def code_squares(chart: Chart) -> list[tuple[int, int]]:
    """Return column and row of each light square, in the order of the codes in them."""
    places = ((i, j) for j in range(chart.rows + 1) for i in range(chart.columns + 1))
    return [(i, j) for i, j in places if (i + j) % 2]


def corner_places(chart: Chart) -> Floats:
    """Return the inner corners (rows * columns, 2) of a chart in metres, row by row."""
    i, j = np.meshgrid(np.arange(chart.columns), np.arange(chart.rows))
    return np.asarray(np.column_stack([i.ravel(), j.ravel()]) * chart.square_m, np.float64)


def runs(dark: Bools) -> Floats:
    """Return boxes (n, 4) in cells that cover the dark cells, a run of cells of a row each."""
    boxes = []
    for row, line in enumerate(dark):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(int), [0]])))
        boxes += [[a, row, b - a, 1] for a, b in zip(edges[0::2], edges[1::2], strict=True)]
    return np.array(boxes, dtype=np.float64)


def _turned(paper: str, across_mm: float, down_mm: float, what: str) -> tuple[float, float]:
    """Return width and height of the paper, turned so that it holds so much."""
    if paper.casefold() not in PAPERS:
        raise OptionError(f"--paper is {paper!r}; allowed are A4, A3 and Letter")
    narrow, tall = PAPERS[paper.casefold()]
    for width, height in ((tall, narrow), (narrow, tall)):
        if across_mm <= width and down_mm <= height:
            return width, height
    raise OptionError(
        f"{what} takes {across_mm:.0f} x {down_mm:.0f} mm with its rulers and margins, "
        f"{paper} has {tall:g} x {narrow:g}; make it smaller or take larger paper"
    )


def _with_rulers(
    width: float, height: float, boxes: Floats, what: str, *, upright: bool = True
) -> Page:
    """Add a ruler below and one on the left (where `upright`), and what the page is."""
    long_x = TICK_MM * np.floor((width - 2 * MARGIN_MM - RULER_MM) / TICK_MM)
    long_y = TICK_MM * np.floor((height - 2 * MARGIN_MM - RULER_MM) / TICK_MM)
    base = height - MARGIN_MM - RULER_MM + 4.0
    start, side = MARGIN_MM + RULER_MM, MARGIN_MM + RULER_MM - 4.0
    across = _ruler(long_x)
    across[:, 0] += start
    across[:, 1] += base
    up = _ruler(long_y)[:, [1, 0, 3, 2]]
    up[:, 0] = side - up[:, 0] - up[:, 2]
    up[:, 1] += MARGIN_MM
    other = f", the other {long_y:g} mm" if upright else ""
    words = f"{what}. Print at 100 %; then this ruler is {long_x:g} mm long{other}."
    labels = [Label(x_mm=start, y_mm=base + 8.0, text=words)]
    if upright:
        labels.append(
            Label(x_mm=side - 5.0, y_mm=MARGIN_MM + long_y, text=f"{long_y:g} mm", turned=True)
        )
    return Page(
        width_mm=width,
        height_mm=height,
        boxes_mm=np.concatenate([boxes, across, *([up] if upright else [])]),
        labels=tuple(labels),
    )


def _ruler(long_mm: float) -> Floats:
    """Return boxes of a ruler to the right: from the outer edge of its first tick to the last's."""
    thin = 0.2
    ticks = np.arange(0.0, long_mm + 1.0, TICK_MM)
    high = np.where(np.arange(len(ticks)) % 5 == 0, 3.5, 2.2)
    left = np.clip(ticks - thin / 2.0, 0.0, long_mm - thin)
    marks = np.column_stack([left, np.zeros(len(ticks)), np.full(len(ticks), thin), high])
    return np.vstack([[0.0, 0.0, long_mm, thin], marks])
