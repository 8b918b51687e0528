"""How far the background's pixels stray over time: the noise, which a light hardly changes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.clip.medians import SAMPLES

UNIT = 16  # of what stands out, in a luma level: the weights over 3 by 3 pixels add up to it
GAUSSIAN_MEAN = 1.2533  # standard deviation over mean absolute deviation
TRIMMED_MEAN = 0.475  # of 9 normal values: mean of the 7 smallest distances from their median
FORGET = 0.1  # of the noise's average at each sample
FOLD = 8  # samples whose deviations are added up before they enter that average
MOST_AWAY = 32_000 // FOLD  # so that so many of them fit into sixteen bits

Raised = NDArray[np.int16]


class Spread:
    """The mean absolute deviation of each pixel over time; a light that passes is cut to size."""

    def __init__(self) -> None:
        self.smooth: NDArray[np.float32] = np.zeros((1, 1), np.float32)
        self.mean: NDArray[np.float32] = self.smooth
        self._limit: Raised = np.zeros((1, 1), np.int16)
        self._sum: Any = self._limit
        self._count = 0

    def begin(self, sizes: Iterator[Raised]) -> None:
        """Begin with the deviations of nine samples, the two largest of each pixel left out."""
        kept = less_two_largest(sizes)
        least = np.float32(1.0 / (SAMPLES - 2) / (TRIMMED_MEAN * GAUSSIAN_MEAN))
        self.renew(np.maximum(kept, 0.0) * least)

    def learn(self, size: Raised) -> bool:
        """Add a sample's deviations; say whether the average has been renewed by it."""
        cv2.add(self._sum, cv2.min(size, self._limit), dst=self._sum)
        self._count += 1
        if self._count < FOLD:
            return False
        keep = (1.0 - FORGET) ** FOLD
        mean = cv2.addWeighted(
            self.mean, keep, self._sum, (1.0 - keep) / FOLD, 0.0, dtype=cv2.CV_32F
        )
        self.renew(np.asarray(mean, np.float32))
        return True

    def renew(self, mean: NDArray[np.float32]) -> None:
        """Go on with these means (h, w)."""
        around = np.asarray(cv2.blur(mean, (9, 9)), np.float32)
        self.mean, self.smooth = mean, np.maximum(mean, around)
        around *= 4.0
        around += UNIT
        cv2.threshold(around, MOST_AWAY, 0.0, cv2.THRESH_TRUNC, dst=around)
        self._limit = around.astype(np.int16)
        self._sum, self._count = np.zeros_like(self._limit), 0


def less_two_largest(sizes: Iterator[Raised]) -> NDArray[np.float32]:
    """Return the sum (h, w) of some deviations, the two largest of each pixel left out."""
    total: Any = next(sizes)
    most: Any = total
    second: Any = np.zeros_like(total)
    for size in sizes:
        total = cv2.add(total, size)
        second = cv2.max(second, cv2.min(most, size))
        most = cv2.max(most, size)
    return np.asarray(total.astype(np.float32) - most - second)
