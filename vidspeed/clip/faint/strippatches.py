"""Patches of the frames along a way, freed of what is behind a light, and divided by the noise."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.clip.background import level_scale
from vidspeed.clip.container import EARLY_S
from vidspeed.clip.faint.slowly import beside, gap_frames, weights
from vidspeed.clip.faint.strip import across_of, timed_frames
from vidspeed.clip.faint.strippaths import Line, places_of
from vidspeed.spread.progress import alive
from vidspeed.values import Corridor, Floats, Ints

HALF_PX = 20  # of a patch
SIDE = 2 * HALF_PX + 1
AROUND_S = 0.25  # before and after the way, from which its background is known too
LEAST_OTHERS = 12  # frames that give a background
LEAST_FRAMES = 12  # in which the way must be whole
LEAST_NOISE2 = 1.0 / 12.0  # of a pixel, from rounding
MOST_FRAMES = 600

Maps = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patches:
    """What the frames show along a way, n of them; no value, for its size.

    `whitened` (n, h, w) is frame less background over noise, its first pixel at `corner_px` (n, 2)
    of the picture. `middle_px` (n, 2) is the way, `along` and `across` (n, 2) are unit vectors
    there, `step_px` (n,) is the way of a frame, `noise` (n,) that of a pixel in luma levels;
    `slow` (n,) is how much larger a pixel's spread is with what changes slowly.
    """

    frame: Ints
    time_s: Floats
    middle_px: Floats
    corner_px: Ints
    along: Floats
    across: Floats
    step_px: Floats
    noise: Floats
    slow: Floats
    whitened: Maps


def patches_along(
    path: Path,
    corridor: Corridor,
    line: Line,
    frame: Ints,
    time_s: Floats,
    *,
    rate_hz: float | None = None,
    spans: float = np.inf,
) -> Patches | None:
    """Cut patches along a way out of frames (n,) of a clip; None where too few show it.

    Only so many of the line's own `spans` from its middle are looked at.

    Raises
    ------
    ClipError
        Where the clip cannot be read again.
    """
    cutter: _Cutter | None = None
    near = np.abs(time_s - line.epoch_s) <= spans * line.span_s
    frame, time_s = frame[near], time_s[near]
    first_s, last_s = _span(corridor, line, time_s)
    from_s, to_s = first_s - AROUND_S, last_s + AROUND_S
    seek_s = None if rate_hz is not None else max(0.0, from_s - EARLY_S)
    for shown in timed_frames(path, rate_hz, from_s=seek_s):
        alive()
        if shown.time_s > to_s:
            break
        if shown.time_s < from_s:
            continue
        if cutter is None:
            cutter = _Cutter(corridor, line, frame, time_s, shown.luma.shape)
        cutter.take(shown.time_s, shown.luma)
    return None if cutter is None else cutter.patches()


def _span(corridor: Corridor, line: Line, time_s: Floats) -> tuple[float, float]:
    """Return when a way enters and leaves the corridor."""
    on = time_s[_on(corridor, line, time_s)]
    return (float(on[0]), float(on[-1])) if len(on) else (np.inf, -np.inf)


def _on(corridor: Corridor, line: Line, time_s: Floats) -> Any:
    """Say at which times (n,) a way is in the corridor; a bent one comes back, which is not it."""
    x_m, _ = places_of(line, time_s)
    inside = (x_m >= corridor.x_m[0]) & (x_m <= corridor.x_m[-1])
    turns = -0.5 * line.x_m[1] / line.x_m[2] if line.x_m[2] else np.inf
    ahead = np.sign(turns) * ((time_s - line.epoch_s) / line.span_s - turns) < 0.0
    return inside & (ahead if np.isfinite(turns) else True)


class _Cutter:
    """Cuts patches out of frames, and learns what is behind each from all other frames."""

    def __init__(
        self, corridor: Corridor, line: Line, frame: Ints, time_s: Floats, shape: tuple[int, ...]
    ) -> None:
        on = np.flatnonzero(_on(corridor, line, time_s))[:MOST_FRAMES]
        x_m, share = places_of(line, time_s[on])
        across = across_of(corridor.middle_px)
        reach = np.interp(x_m, corridor.x_m, corridor.reach_px)
        normal = _at(corridor.x_m, across, x_m)
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        middle = _at(corridor.x_m, corridor.middle_px, x_m) + (share * reach)[:, None] * normal
        corner = np.rint(middle).astype(int) - HALF_PX
        whole = np.all(corner >= 0, axis=1)
        whole &= (corner[:, 0] + SIDE <= shape[1]) & (corner[:, 1] + SIDE <= shape[0])
        self._corner, self._middle, self._across = corner[whole], middle[whole], normal[whole]
        self._frame, self._time = frame[on][whole], time_s[on][whole]
        count = int(whole.sum())
        self._interval_s = float(np.median(np.diff(time_s))) if len(time_s) > 1 else 1.0
        self._gap = gap_frames(corridor, self._interval_s)
        self._own = np.full((count, SIDE, SIDE), np.nan, np.float32)
        self._own_beside = np.zeros((count, SIDE, SIDE), np.float32)
        self._all = _Sums(count)  # of all frames but its own and those next to it
        self._far = _Sums(count)  # of those that are farther off than the frames beside it
        self._held: deque[tuple[float, Any]] = deque()
        self._next = 0  # of those held: the first of which the frames beside it were not known
        self._scale = np.float32(1.0)

    def take(self, time_s: float, luma: Any) -> None:
        """Take a frame."""
        if not len(self._time):
            return
        self._scale = np.float32(level_scale(luma))
        windows = np.lib.stride_tricks.sliding_window_view(luma, (SIDE, SIDE))
        self._held.append((time_s, windows[self._corner[:, 1], self._corner[:, 0]]))
        if len(self._held) > self._next + self._gap + 1:
            self._work()
        while self._next > self._gap + 1:
            self._held.popleft()
            self._next -= 1

    def _work(self) -> None:
        """Add the next frame that is held, and the mean of those beside it."""
        time_s, parts = self._held[self._next]
        parts = parts * self._scale
        near = self._scale * beside([part for _, part in self._held], self._next, self._gap)
        apart = np.abs(self._time - time_s) / self._interval_s
        own = int(np.argmin(apart))
        if abs(self._time[own] - time_s) < 1e-6:
            self._own[own], self._own_beside[own] = parts[own], near[own]
        self._all.add(apart > 1.5, parts, near)
        self._far.add(apart > self._gap + 1.5, parts, near)
        self._next += 1

    def patches(self) -> Patches | None:
        """Return what was cut, None where there is too little of it."""
        while self._next < len(self._held):
            self._work()
        kept = (self._all.count >= LEAST_OTHERS) & np.isfinite(self._own[:, 0, 0])
        if kept.sum() < LEAST_FRAMES:
            return None
        level, _, square, _, _ = self._all.moments(kept)
        _, near_level, var, own, both = self._far.moments(kept)
        known = [weights(*each) for each in zip(var, own, both, strict=True)]
        weight, left = (np.stack(each) for each in zip(*known, strict=True))
        away = self._own[kept] - level - weight * (self._own_beside[kept] - near_level)
        whole = np.sqrt(np.median(square, axis=(1, 2)))
        square = square * left
        noise2 = np.stack([np.maximum(cv2.blur(one, (7, 7)), LEAST_NOISE2) for one in square])
        noise2 = np.maximum(noise2, square / 4.0)  # a single pixel that flickers
        away -= np.median(away, axis=(1, 2), keepdims=True)
        middle, across = self._middle[kept], self._across[kept]
        velocity = np.gradient(middle, self._time[kept], axis=0)
        interval_s = float(np.median(np.diff(self._time[kept])))
        noise = np.sqrt(np.median(noise2, axis=(1, 2)))
        return Patches(
            frame=self._frame[kept],
            time_s=self._time[kept],
            middle_px=middle,
            corner_px=self._corner[kept],
            along=np.column_stack([across[:, 1], -across[:, 0]]),
            across=across,
            step_px=np.linalg.norm(velocity, axis=1) * interval_s,
            noise=noise,
            slow=np.maximum(whole / noise, 1.0),
            whitened=np.asarray(away / np.sqrt(noise2), np.float32),
        )


class _Sums:
    """Sums over frames of some patches, of those beside them, and of their products."""

    def __init__(self, count: int) -> None:
        self.count = np.zeros(count)
        self._sums = np.zeros((5, count, SIDE, SIDE), np.float32)

    def add(self, which: Any, parts: Maps, near: Maps) -> None:
        """Add a frame to the sums of some of the patches."""
        self.count += which
        one, other = parts[which], near[which]
        for own, part in zip(
            self._sums, (one, other, one * one, other * other, one * other), strict=True
        ):
            own[which] += part

    def moments(self, kept: Any) -> tuple[Maps, Maps, Maps, Maps, Maps]:
        """Return both means, both variances and the covariance of some patches."""
        count = np.maximum(self.count[kept], 2.0)[:, None, None]
        one, other, first, second, both = self._sums[:, kept] / count
        share = count / (count - 1.0)
        return (
            one,
            other,
            np.maximum(first - one * one, 0.0) * share,
            np.maximum(second - other * other, 0.0) * share,
            (both - one * other) * share,
        )


def _at(known_x: Floats, values: Floats, x: Floats) -> Floats:
    """Interpolate rows (n, 2) known at `known_x`."""
    return np.column_stack([np.interp(x, known_x, values[:, k]) for k in (0, 1)])
