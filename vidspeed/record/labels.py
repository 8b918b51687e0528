"""Where names are written beside points of a drawing, so that they can all be read."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from vidspeed.values import Floats

LETTER, HEIGHT = 0.6, 1.05  # of a letter, mean width and height of a line over the size of the font
RING_PT = 5.0  # half of what is drawn about each point
PLACES_PT = (
    (7.0, 6.0, "left"), (7.0, -13.0, "left"), (-7.0, 6.0, "right"), (-7.0, -13.0, "right"),
    (0.0, 9.0, "center"), (0.0, -17.0, "center"), (7.0, 17.0, "left"), (7.0, -24.0, "left"),
    (-7.0, 17.0, "right"), (-7.0, -24.0, "right"), (0.0, 20.0, "center"), (0.0, -28.0, "center"),
)  # fmt: skip
SHARE = {"left": 0.0, "center": 0.5, "right": 1.0}  # of the width that lies left of the point
FAR = 8.0  # what the next place in the list costs, in square points that are covered
WORDS = 6.0  # what covering words costs beside covering a point
OUTSIDE = 1e5


class Placed(NamedTuple):
    """Where words are written: from a point, in points of the drawing, and which side is there."""

    offset_pt: tuple[float, float]
    side: str


def box(at_pt: Floats, words: str, placed: Placed, size_pt: float) -> Floats:
    """Return the box (4,) of words: left, low, right, high, in points."""
    width = LETTER * size_pt * len(words)
    left = at_pt[0] + placed.offset_pt[0] - SHARE[placed.side] * width
    low = at_pt[1] + placed.offset_pt[1] - 0.25 * size_pt
    return np.array([left, low, left + width, low + HEIGHT * size_pt])


def beside(
    at_pt: Floats, words: Sequence[str], taken: Sequence[Floats], room_pt: Floats, size_pt: float
) -> list[Placed]:
    """Choose where each name is written beside its point (n, 2), one after the other.

    `taken` are boxes that are written on already, `room_pt` (4,) the box of the whole drawing. y
    runs upwards.
    """
    boxes = list(taken)
    rings = [np.array([x - RING_PT, y - RING_PT, x + RING_PT, y + RING_PT]) for x, y in at_pt]
    found = []
    for here, name in zip(at_pt, words, strict=True):
        choices = [Placed((x, y), side) for x, y, side in PLACES_PT]
        costs = []
        for turn, choice in enumerate(choices):
            own = box(here, name, choice, size_pt)
            covered = WORDS * sum(_common(own, other) for other in boxes)
            covered += sum(_common(own, other) for other in rings)
            area = float(np.prod(own[2:] - own[:2]))
            outside = area - _common(own, room_pt) > 1e-6
            costs.append(covered + FAR * turn + OUTSIDE * outside)
        best = choices[int(np.argmin(costs))]
        found.append(best)
        boxes.append(box(here, name, best, size_pt))
    return found


def _common(one: Floats, other: Floats) -> float:
    """Return the area that two boxes share."""
    low, high = np.maximum(one[:2], other[:2]), np.minimum(one[2:], other[2:])
    return float(np.prod(np.maximum(high - low, 0.0)))
