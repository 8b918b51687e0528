"""How the background moves while a clip runs: a few fixed pieces of it, looked up in every frame.

Where a piece lies is solved in one step from its gradient, at half the picture's size, together
with its brightness and contrast: B. D. Lucas, T. Kanade, Proc. 7th IJCAI (1981) 674-679. It
costs a small part of a frame's decoding, so that no frame is left out. What the movement means is
judged elsewhere (`geometry/steady.py`).
"""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.values import Bools, Floats, Ints, Picture, Sway

HALF = 7  # half-size pixels on either side of a piece's middle
REACH = 9  # half-size pixels: a piece that moved farther is lost
CELLS = (8, 5)  # a piece in each, where there is one that can be followed
MOST_U = 0.12  # half-size pixels: a piece known worse than this in one frame is not followed
LEAST_CONTRAST = 0.4  # of a piece: below it, it is dark or hidden, and not elsewhere
MOST_LEFT = 0.45  # of a piece's contrast: more is left where something else lies there
FEWEST = 3  # pieces of a background that is the median of some frames
NEAR = 1.2  # half-size pixels: from farther away one step does not find a piece
SEARCHED = 8  # pieces by which the picture is searched for where most are lost
LEAST_NOISE = 0.4  # luma levels of a half-size pixel

Singles = NDArray[np.float32]


class SwayMeter:
    """Follows the pieces; state that `take` moves on."""

    def __init__(self, level: Picture, frames: list[Picture]) -> None:
        """Choose the pieces of a background (h, w) at half size; `frames` tell the noise."""
        smooth = _smooth(level)
        away = np.median([np.median(np.abs(_smooth(frame) - smooth)) for frame in frames])
        self._noise = max(1.4826 * float(away), LEAST_NOISE)
        self._shape = level.shape
        self._middles = _middles(smooth, self._noise)
        if len(self._middles) < FEWEST:  # of a camera that moves, the median shows no lamps
            smooth = _smooth(frames[0])
            self._middles = _middles(smooth, self._noise)
        count = len(self._middles)
        across = np.arange(-HALF, HALF + 1)
        offsets = (across[:, None] * level.shape[1] + across[None, :]).ravel()
        self._places = (self._middles[:, 1] * level.shape[1] + self._middles[:, 0])[
            :, None
        ] + offsets
        self._learn(smooth)
        self._last = np.zeros((count, 2), dtype=np.int64)
        self._times: list[float] = []
        self._away: list[Floats] = []
        self._lost: list[float] = []

    def take(self, time_s: float, half: Picture) -> None:
        """Look up the pieces in the next frame, given at half size (h, w)."""
        if not len(self._middles):
            return
        flat = _smooth(half).ravel()
        at = self._last
        if not self._there(*self._solved(flat, at)).mean() > 0.5:
            at = self._searched(flat)
        for _ in range(4):
            away, contrast, left = self._solved(flat, at)
            found = self._there(away, contrast, left)
            step = np.where(found[:, None], np.rint(away), 0.0)
            if found.any():  # those that are lost look where the others are
                typical = np.rint(np.median((at + away)[found], axis=0))
                step = np.where(found[:, None], step, typical - at)
            if not step.any():
                break
            at = np.clip(at + step.astype(np.int64), -REACH, REACH)
        away, contrast, left = self._solved(flat, at)
        found = self._there(away, contrast, left)
        place = at + away
        self._times.append(time_s)
        self._away.append(np.where(found[:, None], place, np.nan))
        self._lost.append(float(np.mean(~found & (left >= MOST_LEFT))))
        self._last = np.where(found[:, None], at, self._last)

    @staticmethod
    def _there(away: Floats, contrast: Floats, left: Floats) -> Bools:
        """Tell which pieces (m,) were found near where they were looked for."""
        near = np.abs(away).max(axis=1) < NEAR
        return np.asarray((contrast > LEAST_CONTRAST) & (left < MOST_LEFT) & near)

    def _searched(self, flat: Singles) -> Ints:
        """Return where (m, 2) the strongest pieces together fit best, tried place by place."""
        few = slice(0, SEARCHED)
        across = np.arange(-REACH, REACH + 1)
        steps = np.stack(np.meshgrid(across, across), axis=-1).reshape(-1, 2)
        offsets = steps[:, 1] * self._shape[1] + steps[:, 0]
        seen = flat[self._places[few][:, None, :] + offsets[None, :, None]]
        seen = seen - seen.mean(axis=2, keepdims=True)
        size = np.sqrt(np.mean(seen**2, axis=2)) + self._noise
        alike = np.mean(seen * self._pattern[few][:, None, :], axis=2) / size
        alike /= self._contrast[few][:, None]
        return np.broadcast_to(steps[int(np.argmax(alike.mean(axis=0)))], self._last.shape)

    def sway(self) -> Sway:
        """Return where the pieces were in every frame, in pixels of the whole picture."""
        count = len(self._middles)
        return Sway(
            time_s=np.array(self._times),
            places_px=2.0 * self._middles.astype(np.float64) + 0.5,
            away_px=2.0 * np.array(self._away).reshape(len(self._times), count, 2),
            replaced=np.array(self._lost),
        )

    def _learn(self, smooth: Singles) -> None:
        """Work out each piece's pattern, its slopes, and what solves for its place."""
        flat = smooth.ravel()
        rows, columns = _slopes(smooth)
        pieces = flat[self._places]
        self._pattern = pieces - pieces.mean(axis=1, keepdims=True)
        self._contrast = np.maximum(np.sqrt(np.mean(self._pattern**2, axis=1)), 1e-3)
        down, across = rows.ravel()[self._places], columns.ravel()[self._places]
        design = np.stack([-across, -down, self._pattern, np.ones_like(across)], axis=2)
        self._solver = np.linalg.pinv(design.astype(float)).astype(np.float32)
        self._by = design
        xx, xy, yy = (
            each.ravel()[self._places]
            for each in (_slopes(columns)[1], _slopes(columns)[0], _slopes(rows)[0])
        )
        self._bend = np.stack([0.5 * xx, xy, 0.5 * yy], axis=2)

    def _solved(self, flat: Singles, at: Ints) -> tuple[Floats, Floats, Floats]:
        """Return how far (m, 2) each piece lies from `at`, its contrast, and what is left of it.

        The second step allows for the curvature of the pattern.
        """
        places = self._places + (at[:, 1] * self._shape[1] + at[:, 0]).astype(np.int64)[:, None]
        seen = flat[places]
        found = _times(self._solver, seen)
        contrast = np.maximum(found[:, 2], 0.05)
        x, y = (
            np.clip(found[:, 0] / contrast, -1.2, 1.2),
            np.clip(found[:, 1] / contrast, -1.2, 1.2),
        )
        bent = _times(self._bend, np.stack([x * x, x * y, y * y], axis=1))
        bent *= contrast[:, None]
        found = _times(self._solver, seen - bent)
        contrast = np.maximum(found[:, 2], 0.05)
        left = seen - bent - _times(self._by, found)
        spread = np.sqrt(np.maximum(np.mean(left**2, axis=1) - self._noise**2, 0.0))
        size = np.sqrt(np.maximum(seen.var(axis=1) - self._noise**2, 1e-6))
        dark = size < LEAST_CONTRAST * self._contrast
        share = np.where(dark, 0.0, spread / np.maximum(size, 1e-3))
        away = found[:, 0:2] / contrast[:, None]
        return away.astype(float), np.where(dark, 0.0, found[:, 2]), share.astype(float)


def _times(matrices: Singles, vectors: Singles) -> Singles:
    """Multiply matrices (m, j, k) by vectors (m, k), each by its own."""
    return np.asarray((matrices @ vectors[:, :, None])[:, :, 0])


def _smooth(half: Picture) -> Singles:
    return np.asarray(cv2.GaussianBlur(half.astype(np.float32), (5, 5), 1.0))


def _slopes(picture: Singles) -> tuple[Singles, Singles]:
    """Return the slopes down and across, levels a half-size pixel."""
    down, across = np.gradient(picture)
    return np.asarray(down, np.float32), np.asarray(across, np.float32)


def _middles(smooth: Singles, noise: float) -> Ints:
    """Return the middles (m, 2) of the best piece of each cell that can be followed, best first.

    `noise` is that of the smoothed frame, in which neighbours are correlated: u below allows for
    it by the pixels that share their noise.
    """
    down, across = _slopes(smooth)
    area = float((2 * HALF + 1) ** 2)
    sums = [
        area * cv2.GaussianBlur(each, (0, 0), HALF / 1.7)  # highest in the middle of what is seen
        for each in (across * across, across * down, down * down)
    ]
    middle, half = 0.5 * (sums[0] + sums[2]), 0.5 * (sums[0] - sums[2])
    least = middle - np.sqrt(half * half + sums[1] * sums[1])  # the smaller eigenvalue
    edge = HALF + REACH + 1
    height, width = smooth.shape
    columns = np.linspace(edge, max(width - edge, edge), CELLS[0] + 1).astype(int)
    rows = np.linspace(edge, max(height - edge, edge), CELLS[1] + 1).astype(int)
    found = []
    for top, bottom in pairwise(rows):
        for left, right in pairwise(columns):
            part = least[top:bottom, left:right]
            if part.size and float(part.max()) > (3.5 * noise / MOST_U) ** 2:
                y, x = np.unravel_index(int(part.argmax()), part.shape)
                found.append((float(part.max()), left + int(x), top + int(y)))
    kept: list[tuple[int, int]] = []
    for _, x, y in sorted(found, reverse=True):
        if all(max(abs(x - other[0]), abs(y - other[1])) > HALF for other in kept):
            kept.append((x, y))
    return np.array(kept, dtype=np.int64).reshape(-1, 2)
