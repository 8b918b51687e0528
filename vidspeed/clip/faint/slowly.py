"""What changes slowly behind a light is told by the frames shortly before and after it.

Grass and leaves that wave in the wind, and clouds, brighten and darken a pixel over many frames; a
craft is gone after a few. Where that is so the mean of four frames about one, from so far off that
the craft is elsewhere in them, foretells what it shows; in the noise of a camera it does not. How
far it does is a regression over time, pooled over neighbouring pixels: where nothing is foretold
nothing is taken away.
"""

from __future__ import annotations

from collections import deque
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.values import Corridor, Floats

LIGHT_PX = 8.0  # what a lamp's image takes up along its way
POOLED = 9  # pixels on each side over which a regression is pooled
FORETOLD = 0.05  # of the variance: where less is foretold it is chance
MOST_GAP = 12  # frames

Singles = NDArray[np.float32]


def gap_frames(corridor: Corridor, interval_s: float) -> int:
    """Return after how many frames the slowest craft has left a place, its streak included."""
    step_m = float(corridor.x_m[1] - corridor.x_m[0])
    per_m = float(np.median(np.linalg.norm(np.diff(corridor.middle_px, axis=0), axis=1))) / step_m
    step_px = max(per_m * corridor.speed_mps[0] * interval_s, 1e-6)
    return int(np.clip(np.ceil(LIGHT_PX / step_px) + 1, 2, MOST_GAP))


def beside(rows: Any, number: int, gap: int) -> Singles:
    """Return the mean of the frames `gap` and `gap` + 1 before and after one of some frames."""
    near = [number - gap - 1, number - gap, number + gap, number + gap + 1]
    there = [np.asarray(rows[k], np.float32) for k in near if 0 <= k < len(rows)]
    return np.asarray(np.mean(there, axis=0), np.float32)


def weights(var: Floats, own: Floats, both: Floats) -> tuple[Singles, Singles]:
    """Return by what the frames beside one count (h, w), and what variance that leaves, of 1.

    From the variances of a frame and of the mean of those beside it, and their covariance (h, w).
    """
    whole, beside2, common = (_pooled(each) for each in (var, own, both))
    sure = (common > 0.0) & (common**2 > FORETOLD * whole * beside2)
    weight = np.where(sure, np.minimum(common / np.maximum(beside2, 1e-12), 1.0), 0.0)
    gone = 2.0 * weight * common - weight**2 * beside2
    left = np.maximum(1.0 - gone / np.maximum(whole, 1e-12), 1e-3)
    return np.asarray(weight, np.float32), np.asarray(left, np.float32)


def _pooled(values: Floats) -> Any:
    return cv2.blur(np.asarray(values, np.float32), (POOLED, POOLED))


def take_out(levels: Any, gap: int) -> None:
    """Take what is foretold out of the levels (t, m, n) of successive frames, in their place."""
    count = len(levels)
    if count <= 2 * gap + 2:
        return
    mean = levels.mean(axis=0, dtype=np.float32)
    square, own, both = (np.zeros(mean.shape, np.float32) for _ in range(3))
    for number in range(gap + 1, count - gap - 1):
        here, near = levels[number] - mean, beside(levels, number, gap) - mean
        square += here * here
        own += near * near
        both += here * near
    weight, _ = weights(square, own, both)
    if not weight.any():
        return
    before: deque[Any] = deque(maxlen=gap + 1)  # as they were
    for number in range(count):
        back = len(before)
        known = [*before, *(levels[k] for k in range(number, min(number + gap + 2, count)))]
        foretold = weight * (beside(known, back, gap) - mean)
        before.append(levels[number].copy())
        levels[number] -= foretold
