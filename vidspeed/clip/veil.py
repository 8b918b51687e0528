"""Veiling glare: light that a lens scatters over the whole picture, or over a wide zone of it.

A bright lamp near the axis lifts all levels by a smooth surface that changes from frame to frame.
It is told from a change of exposure, which moves a level by a share of how far it is above black.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.clip.deviations import UNIT, Raised
from vidspeed.clip.shown import Luma
from vidspeed.values import Bools, Floats

MANY_PLACES, FEW_PLACES = 100, 20  # that stand out before a veil is looked for, and after another
CELL = 32  # half-size pixels of a block: wider than the image of a light
EVERY = 8  # of these one is looked at, either way: 16 of a block, whose median errs by 0.3 sigma
LEAST_CELLS = 12  # of which a veil can be told to be smooth
LEAST_LEVELS, LEAST_AGAIN = 1.0, 0.5  # of luma: what a light must stand out by, and after another
ZONE = 0.25  # share of the blocks over which a veil lies at least; no light is so wide
LEAPS = 0.5  # of its height by which a veil changes from block to block, at most, on average
BLACK = (-12.0, 36.0)  # levels between which black lies, 0 or 16, where an exposure has changed
GAINS = (0.2, 6.0)  # by which an exposure may change
EXACT = 0.15  # of a change: a change of exposure explains it to that
LEAST_RANGE = 3.0  # levels, of the blocks' standard deviation, by which an exposure can be told
LIT = 235.0  # levels: what is near white was cut off
MOST_BEND = 0.05  # a level, of the veil: of a transfer curve that is the steeper the darker
UNSURE = 0.1  # of a veil: texture and blocks leave so much of it
NEAR_LEVELS = 4.0  # about the median of differences: noise, whose mean is finer than a level
RIM_PX = 7  # full-size pixels, of the margin around a light


class Veil(NamedTuple):
    """A veil over a half-size picture: the background (h, w) with it, and the ceiling (h, w)."""

    level: Raised
    ceiling: Raised


def veiled(seen: Raised, level: Raised, ceiling: Raised, *, lately: bool) -> Veil | None:
    """Return the background under the veil of a frame, None where there is none.

    `seen` and `level` (h, w) are the frame and the background at half size, in `UNIT` of a level of
    luma, `ceiling` (h, w) how far noise reaches. `lately` says that there was one a
    moment ago: what may be an exposure's change, or is small, is then one, too.
    """
    blocks = _blocks(seen, level)
    if blocks is None:
        return None
    away, below = blocks.away / UNIT, blocks.level / UNIT
    smooth = np.asarray(cv2.medianBlur(_wider(away), 3), np.float64)[1:-1, 1:-1]
    if not _is_wide(smooth, LEAST_AGAIN if lately else LEAST_LEVELS):
        return None
    if not lately and _is_exposure(smooth, below):
        return None
    surface = _spread_out(smooth * UNIT, seen.shape)
    bend = _bend(seen, level, surface, blocks)
    if bend:
        around = _spread_out(blocks.level, seen.shape)
        share: Any = cv2.subtract(level, around, dtype=cv2.CV_32F)
        surface = cv2.multiply(surface, cv2.addWeighted(share, bend / UNIT, share, 0.0, 1.0))
    raised: Any = np.maximum(cv2.add(level, surface, dtype=cv2.CV_16S), 0)
    height = cv2.absdiff(raised, level)
    more = cv2.addWeighted(ceiling, 1.0, height, UNSURE, 0.0, dtype=cv2.CV_16S)
    return Veil(raised, np.asarray(more, np.int16))


class _Blocks(NamedTuple):
    """Medians of blocks (m, n): how far the frame is above its background, and the latter."""

    away: Floats
    level: Floats


def _some(picture: Raised) -> Raised:
    """Return the pixels that are looked at, those of whole blocks (m * k, n * k)."""
    side = CELL // EVERY
    height, width = (size // CELL * side for size in picture.shape)
    return picture[EVERY // 2 :: EVERY, EVERY // 2 :: EVERY][:height, :width]


def _blocks(seen: Raised, level: Raised) -> _Blocks | None:
    """Return the medians of the blocks, None where there are too few."""
    below = _some(level)
    side = CELL // EVERY
    rows, columns = below.shape[0] // side, below.shape[1] // side
    if rows * columns < LEAST_CELLS or min(rows, columns) < 2:
        return None
    above = _some(seen) - below
    found = []
    for values in (above, below):
        cells = values.reshape(rows, side, columns, side).swapaxes(1, 2).reshape(rows, columns, -1)
        found.append(np.median(cells, axis=2))
    return _Blocks(*found)


def _is_wide(away: Floats, least: float) -> bool:
    """Say whether blocks (m, n) of differences, in levels, are smooth and cover a wide zone."""
    if max(np.mean(away > least), np.mean(away < -least)) < ZONE:
        return False
    leaps = [np.abs(np.diff(away, axis=axis)).mean() for axis in (0, 1)]
    return bool(max(leaps) <= LEAPS * np.abs(away[np.abs(away) > least]).mean())


def _is_exposure(away: Floats, below: Floats) -> bool:
    """Say whether a change is a share of how far each level is above black."""
    whole = (below + away < LIT) & (below < LIT)
    if np.mean(whole) < ZONE:
        return True  # nothing tells it from one
    level, change = below[whole], away[whole]
    size = float(np.median(np.abs(change)))
    spread = float(np.std(level))
    slope, start = _line(level, change)
    off = float(np.median(np.abs(change - start - slope * level)))
    if off > max(EXACT * size, 0.5 * LEAST_LEVELS):
        return False
    if spread < LEAST_RANGE:
        share = float(np.median(change)) / max(float(np.median(level)) - 16.0, 1.0)
        return GAINS[0] < 1.0 + share < 1.5 and abs(slope - share) < 0.5 * abs(share)
    black = -start / slope if abs(slope) > 1e-6 else np.inf
    return BLACK[0] < black < BLACK[1] and GAINS[0] < 1.0 + slope < GAINS[1]


def _line(x: Floats, y: Floats) -> tuple[float, float]:
    """Return slope and start of a straight line through points (n,)."""
    middle = float(x.mean())
    size = float(np.sum((x - middle) ** 2))
    slope = float(np.sum((x - middle) * y)) / size if size > 1e-9 else 0.0
    return slope, float(y.mean()) - slope * middle


def _bend(seen: Raised, level: Raised, surface: Floats, blocks: _Blocks) -> float:
    """Return by what share a level the veil is less where it is brighter, as a number below 0."""
    below = _some(level).astype(np.float64) / UNIT
    veil = _some(np.asarray(surface)) / UNIT
    left = (_some(seen) - _some(level)) / UNIT - veil
    around = np.repeat(np.repeat(blocks.level / UNIT, CELL // EVERY, 0), CELL // EVERY, 1)
    basis = veil * (below - around)
    near = np.abs(left) < np.abs(veil)
    size = float(np.sum(basis[near] ** 2))
    if size < 1e-9:
        return 0.0
    return float(np.clip(np.sum(basis[near] * left[near]) / size, -MOST_BEND, 0.0))


def _spread_out(blocks: Floats, shape: tuple[int, ...]) -> Any:
    """Return a smooth surface (h, w) float32 through the middles of blocks (m, n), both 2 or more.

    Beyond the outermost middles it goes on as steeply as between them.
    """
    wide = _wider(blocks)
    rows, columns = wide.shape
    smooth = cv2.GaussianBlur(wide, (3, 3), 0.0, borderType=cv2.BORDER_REPLICATE)
    smooth[[0, -1]], smooth[:, [0, -1]] = wide[[0, -1]], wide[:, [0, -1]]
    fine = cv2.resize(smooth, (columns * CELL, rows * CELL), interpolation=cv2.INTER_LINEAR)
    return fine[CELL : CELL + shape[0], CELL : CELL + shape[1]]


def _wider(blocks: Floats) -> NDArray[np.float32]:
    """Return blocks (m + 2, n + 2) that go on beyond the outermost as steeply as there."""
    return np.pad(blocks, 1, mode="reflect", reflect_type="odd").astype(np.float32)


def evened(past: Luma, luma: Luma, own: Bools | None) -> Luma:
    """Return samples (n, h, w) of a patch lifted to what its frame (h, w) is about the light.

    By the mean difference in the patch's rim, what is far off cut to size; in whole levels, of
    which what is left over goes to the next sample.
    """
    rim = np.ones(luma.shape, dtype=bool)
    rim[RIM_PX:-RIM_PX, RIM_PX:-RIM_PX] = False
    if own is not None and np.any(rim & own):
        rim &= own
    away = luma[rim].astype(np.int32) - past[:, rim].astype(np.int32)
    middle = np.median(away, axis=1, keepdims=True)
    mean = np.clip(away, middle - NEAR_LEVELS, middle + NEAR_LEVELS).mean(axis=1)
    lift = np.diff(np.rint(np.cumsum(mean)), prepend=0.0).astype(np.int32)
    top = np.iinfo(luma.dtype).max if luma.dtype == np.uint8 else 1023
    return np.asarray(np.clip(past + lift[:, None, None], 0, top), luma.dtype)
