"""The median of nine pictures, pixel by pixel, at little cost while they are replaced one by one.

The nine stand in three groups of three. A group is sorted when it changes; the median of all is
the middle one of the largest low, the middle middle and the smallest high: what lies below one of
these three, or above one, cannot be it (any sorting network; this one is checked on all inputs of
zeros and ones by a test).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
import numpy.ma  # the first np.median asks for it, and a decoder would wait

from vidspeed.clip.shown import Luma
from vidspeed.values import Picture

SAMPLES = 9
BAND = 64  # rows of large pictures that are worked out together

Three = tuple[Any, Any, Any]
Four = tuple[Any, Any, Any, Any]


class RunningMiddle:
    """Nine pictures of which the oldest makes way for the next; state that `put` moves on."""

    def __init__(self) -> None:
        self._kept: list[Picture] = []
        self._place = 0  # of the oldest
        self._sorted: list[Three] = []
        self._latest = 2  # of the three groups, the one that changes now
        self._others: Four | None = None

    def __len__(self) -> int:
        return len(self._kept)

    def put(self, picture: Picture) -> None:
        """Take a picture (h, w) uint8; the caller may not change it afterwards."""
        if len(self._kept) < SAMPLES:
            self._kept.append(picture)
            if len(self._kept) == SAMPLES:
                self._sort()
            return
        self._kept[self._place] = picture
        group = self._place // 3
        if group != self._latest:
            self._latest, self._others = group, None
        self._sorted[group] = _sorted(*self._kept[3 * group : 3 * group + 3])
        self._place = (self._place + 1) % SAMPLES

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """Return the pictures that it holds."""
        return tuple(self._kept)

    def change(self, pictures: Sequence[Picture]) -> None:
        """Put others in the places of all nine."""
        self._kept = list(pictures)
        self._sort()

    def _sort(self) -> None:
        self._sorted = [_sorted(*self._kept[k : k + 3]) for k in (0, 3, 6)]
        self._others = None

    def middle(self) -> Picture:
        """Return the median (h, w) of the nine."""
        if self._others is None:  # good for as long as they do not change
            self._others = _both(*(self._sorted[k] for k in range(3) if k != self._latest))
        return _middle(self._sorted[self._latest], self._others)


def middle_of_nine(pictures: list[Picture]) -> Picture:
    """Return the median of nine pictures (h, w) uint8, pixel by pixel."""
    one, two, three = (_sorted(*pictures[k : k + 3]) for k in (0, 3, 6))
    return _middle(one, _both(two, three))


def middle_in_bands(pictures: Sequence[Picture]) -> Picture:
    """Return the median of nine large pictures (h, w) uint8, worked out some rows at a time."""
    middle = np.empty_like(pictures[0])
    for top in range(0, len(middle), BAND):
        middle[top : top + BAND] = middle_of_nine([one[top : top + BAND] for one in pictures])
    return middle


def put_middle_of_three(one: Picture, two: Picture, three: Picture) -> None:
    """Put the median of three large pictures (h, w) uint8 in place of the first, by bands."""
    for top in range(0, len(one), BAND):
        rows = slice(top, top + BAND)
        one[rows] = _middle_of_three(one[rows], two[rows], three[rows])


def middle_of_stack(stack: Luma) -> Luma:
    """Return the median of nine small pictures (9, h, w), of ten bits too, in fewer calls."""
    height, width = stack.shape[1:]
    low, middle, high = (
        np.asarray(part).reshape(3, height, width)
        for part in _sorted(*stack.reshape(3, 3 * height, width))
    )
    one, two, three = zip(low, middle, high, strict=True)
    return np.asarray(_middle(one, _both(two, three)))


def _sorted(one: Any, two: Any, three: Any) -> Three:
    """Sort three pictures pixel by pixel: low, middle, high."""
    low, high = cv2.min(one, two), cv2.max(one, two)
    middle = cv2.max(low, three)
    return cv2.min(low, three), cv2.min(middle, high), cv2.max(middle, high)


def _both(one: Three, two: Three) -> Four:
    """Return of two sorted groups the larger low, the two middles in order, the smaller high."""
    return (
        cv2.max(one[0], two[0]),
        cv2.min(one[1], two[1]), cv2.max(one[1], two[1]),
        cv2.min(one[2], two[2]),
    )  # fmt: skip


def _middle(one: Three, others: Four) -> Picture:
    """Return the median of three sorted groups of three, of which two were put together."""
    low = cv2.max(one[0], others[0])
    middle = cv2.max(others[1], cv2.min(others[2], one[1]))
    high = cv2.min(one[2], others[3])
    return np.asarray(_middle_of_three(low, middle, high))


def _middle_of_three(one: Any, two: Any, three: Any) -> Any:
    return cv2.max(cv2.min(one, two), cv2.min(cv2.max(one, two), three))
