"""How a picture moves whose pieces are not found any more: others are chosen, for a moment each.

A camera that is panned after dark soon shows none of the lamps with which the clip began, or
begins with none. Whether lamps went out or the picture left them is told by those that are there
now. What the movement means is judged elsewhere (`geometry/steady.py`).
"""

from __future__ import annotations

from collections.abc import Callable

from vidspeed.clip.ground.sway import TOGETHER, SwayMeter
from vidspeed.values import Picture, Sway

EVERY = 2 * TOGETHER  # frames from one choice to the next
MOST = 24  # choices in a clip


class Astray:
    """Chooses pieces anew while a clip's own are lost; state that `take` moves on."""

    def __init__(self) -> None:
        self._before: Picture | None = None
        self._meter: SwayMeter | None = None
        self._count = 0
        self._found: list[Sway] = []

    def take(self, time_s: float, halved: Callable[[], Picture], *, lost: bool) -> None:
        """Take the next frame; `halved` gives it at half its size (h, w), and is seldom asked."""
        if not lost or len(self._found) == MOST:
            self._before, self._meter, self._count = None, None, 0
            return
        turn = self._count % EVERY
        self._count += 1
        if turn == 0:
            self._before = halved()
        elif turn <= TOGETHER and self._before is not None:
            half = halved()
            if self._meter is None:
                self._meter = SwayMeter(half, [self._before])
            self._meter.take(time_s, half)
            if turn == TOGETHER:
                self._found.append(self._meter.sway())
                self._meter = None

    def sways(self) -> tuple[Sway, ...]:
        """Return how each choice of pieces moved."""
        return tuple(self._found)
