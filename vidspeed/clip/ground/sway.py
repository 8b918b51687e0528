"""How the background moves while a clip runs: a few fixed pieces of it, looked up in every frame.

Where a piece lies is solved in one step from its gradient, at half the picture's size, together
with its brightness and contrast: B. D. Lucas, T. Kanade, Proc. 7th IJCAI (1981) 674-679. It
costs a small part of a frame's decoding: what lies around the pieces is put aside until there are
several frames of it, and those in which nothing moved are solved together. While the picture stands
still it is looked at thirty times a second, which tells a shaking that begins; then at every frame.
What the movement means is judged elsewhere (`geometry/steady.py`).
"""

from __future__ import annotations

from array import array
from typing import NamedTuple

import numpy as np

from vidspeed.clip.background import halved
from vidspeed.clip.ground.pieces import (
    AROUND,
    BLUR,
    HALF,
    REACH,
    Singles,
    middles,
    slopes,
    smoothed,
)
from vidspeed.clip.read import Luma
from vidspeed.clip.shelf import Shelf
from vidspeed.values import Bools, Floats, Ints, Picture, Sway

LEAST_CONTRAST = 0.4  # of a piece: below it, it is dark or hidden, and not elsewhere
MOST_LEFT = 0.45  # of a piece's contrast: more is left where something else lies there
CHANGED = 0.15  # of a piece's contrast: a coder leaves less of what was only shifted, nearly always
FEWEST = 3  # pieces of a background that is the median of some frames
NEAR = 1.2  # half-size pixels: from farther away one step does not find a piece
SEARCHED = 8  # pieces by which the picture is searched for where most are lost
LEAST_NOISE = 0.4  # luma levels of a half-size pixel
SIDE = 2 * AROUND + 1
WIDE = 2 * (HALF + BLUR) + 1  # half-size pixels of a piece and what its smoothing reaches
TOGETHER = 16  # frames
FEW_MOVED = 0.2  # of the pieces
STOOD = 0.1  # half-size pixels: some frames in which the middle piece moves less stand still
LATELY, LATELY_S = 0.7, 0.25  # of the reach is left after so long
ON_ITS_WAY = 0.8  # of how far it went lies between the first frame and the last
SELDOM_S = 0.03  # after so long, at least, a picture that stands still is looked at again
FOUND = 1.0 / 3.0  # of the pieces: where fewer are found they are astray


class _Solved(NamedTuple):
    """How far pieces lie from where they were looked for (..., 2), their contrast, what is left."""

    away: Floats
    contrast: Floats
    left: Floats


class SwayMeter:
    """Follows the pieces; state that `take` moves on."""

    def __init__(self, level: Picture, frames: list[Picture]) -> None:
        """Choose the pieces of a background (h, w) at half size; `frames` tell the noise."""
        smooth = smoothed(level)
        self._noise = max(1.4826 * _away(smooth, frames), LEAST_NOISE)
        self._shape = level.shape
        self._middles = middles(smooth, self._noise)
        if len(self._middles) < FEWEST:  # of a camera that moves, the median shows no lamps
            smooth = smoothed(frames[0])
            self._middles = middles(smooth, self._noise)
        count = len(self._middles)
        across = np.arange(-HALF, HALF + 1)
        self._place = ((AROUND + across[:, None]) * SIDE + AROUND + across[None, :]).ravel()
        self._learn(smooth)
        self._last = np.zeros((count, 2), dtype=np.int64)
        self._waiting = np.empty((count, TOGETHER, SIDE, SIDE), np.uint8)
        self._whole: Luma | None = None  # the same at full size, halved together
        self._waiting_s: list[float] = []
        self._next_s = -np.inf  # before which no frame is looked at
        self._seldom = False
        self._times = array("d")
        self._away: Shelf[Floats] = Shelf()  # of some frames each
        self._latest: list[Floats] = []  # of those that were settled last
        self._lost = array("d")
        self._changed = np.zeros(count, dtype=np.int64)  # frames
        self.astray = not count  # none, or hardly any, of the pieces is found any more
        self.reach = 0.0  # half-size pixels: how far the picture went lately

    def take(self, time_s: float, half: Picture) -> None:
        """Look up the pieces in the next frame, given at half size (h, w)."""
        if not len(self._middles):
            return
        for piece, (x, y) in enumerate(self._corners):
            part = half[y : y + SIDE, x : x + SIDE]
            self._waiting[piece, len(self._waiting_s)] = part
        self._waiting_s.append(time_s)
        if len(self._waiting_s) == TOGETHER:
            self.settle()

    def take_whole(self, time_s: float, luma: Luma) -> None:
        """Look up the pieces in the next frame, given at its full size."""
        if not len(self._middles) or time_s < self._next_s:
            return
        if self._whole is None:
            self.settle()
            shape = (len(self._middles), TOGETHER, 2 * SIDE, 2 * SIDE)
            self._whole = np.zeros(shape, luma.dtype)
        place, size = len(self._waiting_s), 2 * SIDE
        for piece, (x, y) in enumerate(self._corners):
            self._whole[piece, place] = luma[2 * y : 2 * y + size, 2 * x : 2 * x + size]
        self._waiting_s.append(time_s)
        if len(self._waiting_s) == TOGETHER:
            self.settle()
        self._next_s = time_s + (SELDOM_S if self._seldom else 0.0)

    def settle(self) -> None:
        """Find the pieces in the frames that wait."""
        frames = len(self._waiting_s)
        if not frames:
            return
        smooth: Singles | None = None  # of all that was put aside: only where something moved
        done, self._latest = 0, []
        while done < frames:
            if smooth is None:
                still = self._solution(self._nearby(frames))
            else:
                still = self._solved(smooth[:, done:], self._last)
            settled = self._settled(still)
            self._keep(done, _Solved(*(each[:, :settled] for each in still)), self._last)
            done += settled
            if done < frames:
                if smooth is None:
                    smooth = self._smoothed(frames)
                self._follow(done, smooth[:, done : done + 1])
                done += 1
        kept = LATELY ** ((self._waiting_s[-1] - self._waiting_s[0]) / LATELY_S)
        self._waiting_s.clear()
        away = np.concatenate(self._latest)
        self._away.put(away, away.nbytes)
        found = np.isfinite(away[:, :, 0])
        self.astray = bool((found.mean(axis=1) < FOUND).all())
        seen = found.any(axis=1)
        went, goes_on = _reach(away[seen]) if seen.any() else (0.0, False)
        self._seldom = bool(seen.all()) and went < STOOD and frames == TOGETHER
        self.reach = max(2.0 * went if goes_on else went, kept * self.reach)

    def _smoothed(self, frames: int) -> Singles:
        """Return all that was put aside of so many frames, smoothed (m, n, SIDE * SIDE)."""
        count = len(self._middles)
        if self._whole is not None:
            small = halved(self._whole.reshape(-1, 2 * SIDE))
            self._waiting = small.reshape(count, TOGETHER, SIDE, SIDE)
        parts = np.moveaxis(self._waiting[:, :frames], 2, 0)
        smooth = smoothed(parts.reshape(SIDE, -1)).reshape(SIDE, count, frames, SIDE)
        return np.moveaxis(smooth, 0, 2).reshape(count, frames, SIDE * SIDE)

    def _nearby(self, frames: int) -> Singles:
        """Return the pixels of pieces in so many frames where they were last, smoothed (m, n, p).

        As `_smoothed` has them, at a third of the work; side by side, since narrow rows are slow.
        """
        count, step = len(self._middles), 1 if self._whole is None else 2
        held = self._waiting if self._whole is None else self._whole
        parts = np.empty((step * WIDE, count, frames, step * WIDE), held.dtype)
        for piece, (x, y) in enumerate(step * (self._last + REACH)):
            wide = slice(y, y + step * WIDE), slice(x, x + step * WIDE)
            parts[:, piece] = np.moveaxis(held[piece, :frames, *wide], 1, 0)
        rows = parts.reshape(step * WIDE, -1)
        smooth = smoothed(rows if step == 1 else halved(rows))
        inner = smooth.reshape(WIDE, count, frames, WIDE)[BLUR:-BLUR, ..., BLUR:-BLUR]
        return np.moveaxis(inner, 0, 2).reshape(count, frames, -1)

    def _settled(self, still: _Solved) -> int:
        """Return in how many frames, from the first, the pieces lie where they were before.

        A few that seem to be farther off are not: noise, or something that moves before them.
        """
        found = self._there(still)
        apart = bool((np.ptp(self._last, axis=0) > 0).any())
        step = found & np.any(np.rint(still.away) != 0.0, axis=2)
        moved = (step.mean(axis=0) > FEW_MOVED) | (found.mean(axis=0) <= 0.5)
        moved |= apart & ~found.all(axis=0)
        return int(np.argmax(moved)) if moved.any() else len(moved)

    def _follow(self, number: int, smooth: Singles) -> None:
        """Find the pieces of a frame (m, 1, SIDE * SIDE) in which they moved."""
        at = self._last
        solved = self._solved(smooth, at)
        if not self._there(solved).mean() > 0.5:
            at = self._searched(smooth[:, 0])
            solved = self._solved(smooth, at)
        for _ in range(4):
            found = self._there(solved)[:, 0]
            step = np.where(found[:, None], np.rint(solved.away[:, 0]), 0.0)
            if found.any():  # those that are lost look where the others are
                typical = np.rint(np.median((at + solved.away[:, 0])[found], axis=0))
                step = np.where(found[:, None], step, typical - at)
            if not step.any():
                break
            at = np.clip(at + step.astype(np.int64), -REACH, REACH)
            solved = self._solved(smooth, at)
        self._keep(number, solved, at)

    def _keep(self, first: int, solved: _Solved, at: Ints) -> None:
        """Write down where the pieces are in some frames (m, n), looked for at places (m, 2)."""
        found = self._there(solved)
        frames = found.shape[1]
        away = np.where(found[:, :, None], at[:, None] + solved.away, np.nan)
        self._times.extend(self._waiting_s[first : first + frames])
        self._latest.append(away.swapaxes(0, 1))
        self._lost.extend(np.mean(~found & (solved.left >= MOST_LEFT), axis=0))
        self._changed += np.count_nonzero(solved.left > CHANGED, axis=1)
        self._last = np.where(np.any(found, axis=1, keepdims=True), at, self._last)

    @staticmethod
    def _there(solved: _Solved) -> Bools:
        """Tell which pieces were found near where they were looked for."""
        near = np.abs(solved.away).max(axis=-1) < NEAR
        return np.asarray((solved.contrast > LEAST_CONTRAST) & (solved.left < MOST_LEFT) & near)

    def _searched(self, smooth: Singles) -> Ints:
        """Return where (m, 2) the strongest pieces together fit best, tried place by place."""
        across = np.arange(-REACH, REACH + 1)
        steps = np.stack(np.meshgrid(across, across), axis=-1).reshape(-1, 2)
        offsets = steps[:, 1] * SIDE + steps[:, 0]
        seen = smooth[:SEARCHED, self._place[None, :] + offsets[:, None]]
        seen = seen - seen.mean(axis=2, keepdims=True)
        size = np.sqrt(np.mean(seen**2, axis=2)) + self._noise
        alike = np.mean(seen * self._pattern[:SEARCHED, None, :], axis=2) / size
        alike /= self._contrast[:SEARCHED, None]
        return np.broadcast_to(steps[int(np.argmax(alike.mean(axis=0)))], self._last.shape)

    def sway(self) -> Sway:
        """Return where the pieces were in the frames looked at, in pixels of the whole picture."""
        self.settle()
        away_px, done = np.empty((len(self._times), len(self._middles), 2)), 0
        for part in self._away:
            away_px[done : done + len(part)] = part
            done += len(part)
        away_px *= 2.0
        away_px.flags.writeable = False  # whoever keeps it needs no copy
        return Sway(
            time_s=np.array(self._times),
            places_px=2.0 * self._middles.astype(np.float64) + 0.5,
            away_px=away_px,
            replaced=np.array(self._lost),
            changing=self._changed / max(len(self._times), 1),
        )

    def _learn(self, smooth: Singles) -> None:
        """Work out each piece's pattern, its slopes, and what solves for its place."""
        corners = self._middles - AROUND
        self._corners = [(int(x), int(y)) for x, y in corners]
        parts = np.array([smooth[y : y + SIDE, x : x + SIDE] for x, y in self._corners])
        parts = parts.reshape(-1, SIDE, SIDE)
        rows, columns = slopes(parts)
        (xy, xx), yy = slopes(columns), slopes(rows)[0]
        pieces, down, across, xx_here, xy_here, yy_here = (
            self._inner(each) for each in (parts, rows, columns, xx, xy, yy)
        )
        self._pattern = pieces - pieces.mean(axis=1, keepdims=True)
        self._contrast = np.maximum(np.sqrt(np.mean(self._pattern**2, axis=1)), 1e-3)
        design = np.stack([-across, -down, self._pattern, np.ones_like(across)], axis=1)
        inverse = np.linalg.pinv(design.astype(float)).astype(np.float32)
        self._solver, self._by = inverse, design  # (m, pixels, 4) and (m, 4, pixels)
        self._bend = np.stack([0.5 * xx_here, xy_here, 0.5 * yy_here], axis=1)
        (xxy, xxx), (yyy, yyx) = slopes(xx), slopes(yy)
        third = [self._inner(each) for each in (xxx / 6.0, xxy / 2.0, yyx / 2.0, yyy / 6.0)]
        self._beyond = np.asarray(np.stack(third, axis=1) @ inverse[:, :, :2], np.float32)

    def _inner(self, parts: Singles) -> Singles:
        """Return the pixels (m, pixels) of pieces (m, SIDE, SIDE) that are compared."""
        return parts.reshape(-1, SIDE * SIDE)[:, self._place]

    def _solved(self, smooth: Singles, at: Ints) -> _Solved:
        """Solve for pieces in frames (m, n, SIDE * SIDE) from where they are looked for (m, 2)."""
        places = self._place + (at[:, 1] * SIDE + at[:, 0])[:, None]
        return self._solution(np.take_along_axis(smooth, places[:, None, :], axis=2))

    def _solution(self, seen: Singles) -> _Solved:
        """Solve for the pieces in frames (m, n, p) from where they were looked for.

        The second step allows for the curvature of the pattern. What its change by the third order
        still makes of a movement is taken off in the end.
        """
        found = seen @ self._solver
        contrast = np.maximum(found[:, :, 2], 0.05)
        x, y = (np.clip(found[:, :, k] / contrast, -1.2, 1.2) for k in (0, 1))
        bent = np.stack([x * x, x * y, y * y], axis=2) @ self._bend
        straight = seen - bent * contrast[:, :, None]
        found = straight @ self._solver
        contrast = np.maximum(found[:, :, 2], 0.05)
        left = straight - found @ self._by
        spread = np.sqrt(np.maximum(np.mean(left**2, axis=2) - self._noise**2, 0.0))
        size = np.sqrt(np.maximum(seen.var(axis=2) - self._noise**2, 1e-6))
        dark = size < LEAST_CONTRAST * self._contrast[:, None]
        share = np.where(dark, 0.0, spread / np.maximum(size, 1e-3))
        away = found[:, :, :2] / contrast[:, :, None]
        x, y = (np.clip(away[:, :, k], -1.2, 1.2) for k in (0, 1))
        away = away + np.stack([x**3, x * x * y, x * y * y, y**3], axis=2) @ self._beyond
        return _Solved(away.astype(float), np.where(dark, 0.0, found[:, :, 2]), share.astype(float))


def _reach(away: Floats) -> tuple[float, bool]:
    """Return how far the middle one of pieces (n, m, 2) went in n frames, along its worse axis.

    And whether it was on its way to the end, and may go as far again.
    """
    middle = np.nanmedian(away, axis=1)
    went = np.ptp(middle, axis=0)
    worse = int(np.argmax(went))
    return float(went[worse]), bool(abs(middle[-1] - middle[0])[worse] > ON_ITS_WAY * went[worse])


def _away(smooth: Singles, frames: list[Picture]) -> float:
    """Return the median distance of smoothed frames from a smooth picture, in three bands of it.

    Light that flickers makes a frame brighter as a whole, and is no noise.
    """
    height = len(smooth)
    bands = [slice(k * height // 6, k * height // 6 + max(height // 12, 8)) for k in (1, 3, 5)]
    apart = [smoothed(frame[rows]) - smooth[rows] for frame in frames for rows in bands]
    return float(np.median([np.median(np.abs(each - np.median(each))) for each in apart]))
