"""Which pieces of a background can be followed: small parts of it with slopes in both directions.

A background is looked at at half the picture's size, smoothed.
"""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.values import Ints, Picture

HALF = 7  # half-size pixels on either side of a piece's middle
REACH = 9  # half-size pixels: a piece that moved farther is lost
BLUR = 2  # half-size pixels that the smoothing reaches
AROUND = HALF + REACH + BLUR  # half-size pixels put aside on either side of a piece's middle
CELLS = (8, 5)  # a piece in each, where there is one that can be followed
MOST_U = 0.12  # half-size pixels: a piece known worse than this in one frame is not followed
WEIGHED = 24  # half-size pixels that the weight of a piece's slopes reaches

Singles = NDArray[np.float32]


def smoothed(half: Picture) -> Singles:
    """Return pictures (h, w) smoothed."""
    return np.asarray(cv2.GaussianBlur(half.astype(np.float32), (5, 5), 1.0))


def slopes(pictures: Singles) -> tuple[Singles, Singles]:
    """Return the slopes down and across of pictures (..., h, w), levels a half-size pixel.

    By five points: by three, those of a lamp's image come out a tenth too small.
    """
    down, across = (np.asarray(each) for each in np.gradient(pictures, axis=(-2, -1)))
    near = 4.0 / 3.0
    down[..., 2:-2, :] *= near
    down[..., 2:-2, :] -= (pictures[..., 4:, :] - pictures[..., :-4, :]) / 12.0
    across[..., 2:-2] *= near
    across[..., 2:-2] -= (pictures[..., 4:] - pictures[..., :-4]) / 12.0
    return np.asarray(down, np.float32), np.asarray(across, np.float32)


def middles(smooth: Singles, noise: float) -> Ints:
    """Return the middles (m, 2) of the best piece of each cell that can be followed, best first.

    `noise` is that of the smoothed frame, in which neighbours are correlated: u below allows for
    it by the pixels that share their noise.
    """
    edge = AROUND
    height, width = smooth.shape
    columns = np.linspace(edge, max(width - edge, edge), CELLS[0] + 1).astype(int)
    rows = np.linspace(edge, max(height - edge, edge), CELLS[1] + 1).astype(int)
    found = []
    for top, bottom in pairwise(rows):
        if top == bottom:
            continue
        least = _followed(smooth, top, bottom)
        for left, right in pairwise(columns):
            part = least[:, left:right]
            if part.size and float(part.max()) > (3.5 * noise / MOST_U) ** 2:
                y, x = np.unravel_index(int(part.argmax()), part.shape)
                found.append((float(part.max()), left + int(x), top + int(y)))
    kept: list[tuple[int, int]] = []
    for _, x, y in sorted(found, reverse=True):
        if all(max(abs(x - other[0]), abs(y - other[1])) > HALF for other in kept):
            kept.append((x, y))
    return np.array(kept, dtype=np.int64).reshape(-1, 2)


def _followed(smooth: Singles, top: int, bottom: int) -> Singles:
    """Return how well (n, w) a piece about each pixel of some rows can be followed.

    It is the smaller eigenvalue of the sums of products of slopes.
    """
    above = top - max(top - WEIGHED, 0)
    down, across = slopes(smooth[top - above : bottom + WEIGHED])
    area = float((2 * HALF + 1) ** 2)
    sums = [
        area * cv2.GaussianBlur(each, (0, 0), HALF / 1.7)  # highest in the middle of what is seen
        for each in (across * across, across * down, down * down)
    ]
    middle, half = 0.5 * (sums[0] + sums[2]), 0.5 * (sums[0] - sums[2])
    least = middle - np.sqrt(half * half + sums[1] * sums[1])
    return np.asarray(least[above : above + bottom - top], np.float32)
