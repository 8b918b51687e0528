"""Know the still part of the picture and its noise, pixel by pixel, while the clip runs.

A ring of samples spread over about a third of a second holds the recent past. Their median is
the background of the search, at half the picture's size (the mean of two by two pixels), since
a median forgets a light that passes and keeps the lamps that stand still, and a ring follows a
slow change of exposure. The same ring gives the background of a small patch at full size.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.clip.gain import jump_curve, through
from vidspeed.clip.read import Luma
from vidspeed.values import Floats, Picture, Value

SAMPLES = 9
MEMORY_S = 0.3  # the ring's samples are spread over this time
GAUSSIAN_MEAN = 1.2533  # standard deviation over mean absolute deviation
TRIMMED_MEAN = 0.475  # of 9 normal values: mean of the 7 smallest distances from their median
SIGMAS = 5.0  # a light stands this many standard deviations of noise above the background
MOST_SIGMAS = 20.0
LEAST_STEP = 1.0  # luma levels above the background that are never a light
UNIT = 16  # of what stands out, in a luma level: the weights below add up to it
WEIGHTS = np.array([1.0, 2.0, 1.0])  # along each side of three by three pixels
MANY = 12  # spots in a frame that are taken for noise: the search then becomes less eager

# Exchanges that sort nine values far enough for the middle one; D. E. Knuth, The Art of Computer
# Programming 3, 5.3.4 (any sorting network); this one is checked by a test on all 0/1 inputs.
_EXCHANGES = (
    (0, 1), (3, 4), (6, 7), (1, 2), (4, 5), (7, 8), (0, 1), (3, 4), (6, 7), (0, 3), (3, 6), (0, 3),
    (1, 4), (4, 7), (1, 4), (5, 8), (2, 5), (5, 8), (2, 4), (4, 6), (2, 4), (2, 3), (5, 6),
)  # fmt: skip


Raised = NDArray[np.int16]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground(Value):
    """The background of a patch: `level` (h, w) and the variance `noise2` (h, w) of one frame.

    `samples` is how many frames the level is the mean of: its own variance is `noise2/samples`.
    """

    level: Floats
    noise2: Floats
    samples: int


class Backdrop:
    """The background of a running clip; state that `offer` moves on."""

    def __init__(self, interval_s: float) -> None:
        self.spacing = max(1, round(MEMORY_S / (SAMPLES - 1) / interval_s))
        self.sigmas = SIGMAS
        self._full: deque[Luma] = deque(maxlen=SAMPLES)
        self._half: deque[Picture] = deque(maxlen=SAMPLES)
        self._level: Picture | None = None
        self._spread: NDArray[np.float32] | None = None
        self._ceiling: Raised | None = None

    @property
    def ready(self) -> bool:
        """Say whether there is a background yet."""
        return len(self._full) == SAMPLES

    def offer(self, index: int, luma: Luma, half: Picture) -> None:
        """Take a frame into the ring when its turn has come."""
        if index % self.spacing == 0:
            self._full.append(luma)
            self._half.append(half)
            if self.ready:
                self._renew(half)

    def apart(self, half: Picture) -> tuple[Raised, Raised]:
        """Return by how much the half-size picture (h, w) stands above the background, and below.

        0 where noise could do it. What stands out is weighed over three by three pixels, as a
        lamp's image is spread; the unit is `UNIT` of a luma level.
        """
        if self._level is None or self._ceiling is None:
            raise RuntimeError("the background is not ready")
        away = _weighed(half, self._level)
        above = np.maximum(cv2.subtract(away, self._ceiling), 0)
        return above, np.maximum(cv2.subtract(-away, self._ceiling), 0)

    def adapt(self, spots: int) -> None:
        """Make the search less eager where noise gives many spots, and more again later."""
        if spots > MANY:
            self.sigmas = min(self.sigmas * 1.15, MOST_SIGMAS)
        elif spots < MANY // 4:
            self.sigmas = max(self.sigmas / 1.02, SIGMAS)

    def follow_jump(self, half: Picture) -> bool:
        """Put the ring through the curve by which the exposure jumped; say whether it did."""
        if self._level is None or self._spread is None:
            return False
        curve = jump_curve(self._level, half)
        if curve is None:
            return False
        size = max(1.0, float(np.ptp(curve)) / 255.0)
        for ring in (self._full, self._half):
            for place, luma in enumerate(ring):
                ring[place] = through(curve, luma)
        self._spread *= np.float32(size)
        self._renew(through(curve, self._level))
        return True

    def past(self, rows: slice, columns: slice) -> Luma:
        """Return the ring's samples of a patch (n, h, w), in the file's own levels."""
        return np.stack([luma[rows, columns] for luma in self._full])

    def _renew(self, half: Picture) -> None:
        """Work out background, noise and ceiling anew."""
        first = self._level is None
        self._level = middle_of_nine(list(self._half))
        for sample in list(self._half) if first else [half]:
            self._learn_spread(np.abs(_weighed(sample, self._level)))
        assert self._spread is not None
        smooth = np.maximum(cv2.blur(self._spread, (9, 9)), self._spread)
        step = np.maximum(self.sigmas * GAUSSIAN_MEAN * smooth, LEAST_STEP * UNIT)
        self._ceiling = np.minimum(step, 32_000.0).astype(np.int16)

    def _learn_spread(self, away: Raised) -> None:
        """Average the absolute deviation over time; a light that passes is cut to size."""
        if self._spread is None:
            self._spread = away.astype(np.float32)
            return
        limit = 4.0 * cv2.blur(self._spread, (9, 9)) + UNIT
        cv2.accumulateWeighted(np.minimum(away, limit).astype(np.float32), self._spread, 0.1)


def ground(past: Luma) -> Ground:
    """Return background and noise of a patch from its samples (n, h, w), in eight-bit levels.

    What stands out of a pixel's own samples by more than three standard deviations is left out:
    the light itself, where it was a moment ago.
    """
    stack = past.astype(np.float64) * level_scale(past)
    away = np.abs(stack - np.median(stack, axis=0))
    spread = np.sort(away, axis=0)[:-2].mean(axis=0) / TRIMMED_MEAN
    limit = 3.0 * np.maximum(spread, np.median(spread)) + 1.0
    kept = away <= limit
    count = np.maximum(kept.sum(axis=0), 1)
    level = np.where(kept, stack, 0.0).sum(axis=0) / count
    square = np.where(kept, (stack - level) ** 2, 0.0).sum(axis=0) / np.maximum(count - 1, 1)
    return Ground(level=level, noise2=_smooth_noise(square), samples=len(past))


def halved(luma: Luma) -> Picture:
    """Return the picture at half its size (h/2, w/2) uint8, the mean of two by two pixels."""
    height, width = luma.shape
    small = cv2.resize(luma, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    return to_eight_bits(np.asarray(small))


def _weighed(half: Picture, level: Picture) -> Raised:
    """Return what stands above the background, weighed over three by three pixels."""
    away = cv2.subtract(half, level, dtype=cv2.CV_16S)
    return np.asarray(cv2.sepFilter2D(away, cv2.CV_16S, WEIGHTS, WEIGHTS), np.int16)


def level_scale(luma: Luma) -> float:
    """Return what a level is worth in levels of eight bits (ten bits in uint16: a quarter)."""
    return 1.0 if luma.dtype == np.uint8 else 0.25


def negative(luma: Luma) -> Luma:
    """Return the picture's negative: what is darker than its background is brighter in it."""
    top = luma.dtype.type(round(255.0 / level_scale(luma)))
    return np.asarray(top - np.minimum(luma, top), luma.dtype)


def to_eight_bits(luma: Luma) -> Picture:
    """Return a picture in levels of eight bits (h, w) uint8."""
    if luma.dtype == np.uint8:
        return np.asarray(luma, dtype=np.uint8)
    return np.asarray(cv2.convertScaleAbs(luma, alpha=level_scale(luma)))


def middle_of_nine(pictures: list[Picture]) -> Picture:
    """Return the median of nine pictures (h, w) uint8, pixel by pixel."""
    lanes: list[Any] = list(pictures)
    for low, high in _EXCHANGES:
        lanes[low], lanes[high] = cv2.min(lanes[low], lanes[high]), cv2.max(lanes[low], lanes[high])
    return np.asarray(lanes[4], np.uint8)


def _smooth_noise(square: Floats) -> Floats:
    """Steady a variance from few samples: the mean over five by five pixels, never below 1/12."""
    mean = cv2.blur(np.ascontiguousarray(square), (5, 5))
    return np.asarray(np.maximum(mean, 1.0 / 12.0))
