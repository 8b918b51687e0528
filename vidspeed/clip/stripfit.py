"""Look closer at a line that was found by adding up: how much of it is a lamp, and where it flew.

Patches along the way are cut from the frames once more, freed of their background (the mean of the
other frames), divided by the noise, and matched with the image of a lamp: a response for each place
of a patch, of unit variance. The way is bent and shifted until the responses along it add up to
most; a sum that noise could reach, that a few frames carry, or that the negative of the picture
reaches as well, is no craft (`striplight.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.clip.background import level_scale
from vidspeed.clip.strip import across_of, bilinear, timed_frames
from vidspeed.clip.strippaths import Line, places_of
from vidspeed.values import Corridor, Floats, Ints, Value
from vidspeed.worker import alive

HALF_PX = 20  # of a patch
AROUND_S = 0.25  # before and after the way, from which its background is known too
EARLY_S = 0.5  # before that, so that a decoder has begun in time
LEAST_OTHERS = 12  # frames that give a background
LEAST_FRAMES = 12  # in which the way must be whole
LEAST_NOISE2 = 1.0 / 12.0  # of a pixel, from rounding
MOST_FRAMES = 600
WIDTHS_PX = (1.1, 1.5, 2.1)  # of a lamp's image, that are tried
LENGTHS = (0.0, 0.06, 0.12, 0.25, 0.5, 1.0)  # of its streak, in steps of a frame
LONGEST_PX = 24.0  # of a streak that is matched; a longer one is matched in part
CUT = 4.0  # standard deviations of a frame's response beyond which it says no more
DRAWS, KEPT, ROUNDS, SHRINK = 1500, 60, 9, 0.65  # of the search for the best way
ALONG_PX = (6.0, 6.0, 5.0, 2.0)  # by which the way may be off, shift, rate, bend, its change
ACROSS_PX = (3.0, 3.0, 1.5)
KERNEL_PX = 10  # half size of a lamp's image

Maps = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patches:
    """What the frames show along a way, n of them; no value, for its size.

    `whitened` (n, h, w) is frame less background over noise, its first pixel at `corner_px` (n, 2)
    of the picture. `middle_px` (n, 2) is the way, `along` and `across` (n, 2) are unit vectors
    there, `step_px` (n,) is the way of a frame, `noise` (n,) that of a pixel in luma levels.
    """

    frame: Ints
    time_s: Floats
    middle_px: Floats
    corner_px: Ints
    along: Floats
    across: Floats
    step_px: Floats
    noise: Floats
    whitened: Maps


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Faint(Value):
    """A way through the frames of some patches, and how strongly a lamp lies on it.

    `off_px` (n, 2) is how far it lies from the middle of each patch, along and across; `score` is
    the sum of the responses (n,) over its standard deviation, `against` the best such sum in the
    negative of the picture; `width_px` and `streak_px` (n,) are the lamp's image that fits best.
    """

    off_px: Floats
    score: float
    against: float
    response: Floats
    width_px: float
    streak_px: Floats


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
        size = 2 * HALF_PX + 1
        whole = np.all(corner >= 0, axis=1)
        whole &= (corner[:, 0] + size <= shape[1]) & (corner[:, 1] + size <= shape[0])
        self._corner, self._middle, self._across = corner[whole], middle[whole], normal[whole]
        self._frame, self._time = frame[on][whole], time_s[on][whole]
        count = int(whole.sum())
        self._own = np.full((count, size, size), np.nan, np.float32)
        self._sum = np.zeros((count, size, size), np.float32)
        self._square = np.zeros((count, size, size), np.float32)
        self._others = np.zeros(count)

    def take(self, time_s: float, luma: Any) -> None:
        """Take a frame."""
        scale = np.float32(level_scale(luma))
        size = 2 * HALF_PX + 1
        nearest = int(np.argmin(np.abs(self._time - time_s))) if len(self._time) else -1
        for number, (left, top) in enumerate(self._corner.tolist()):
            part = luma[top : top + size, left : left + size] * scale
            if number == nearest and abs(self._time[number] - time_s) < 1e-6:
                self._own[number] = part
            elif abs(number - nearest) > 1:
                self._sum[number] += part
                self._square[number] += part * part
                self._others[number] += 1

    def patches(self) -> Patches | None:
        """Return what was cut, None where there is too little of it."""
        kept = (self._others >= LEAST_OTHERS) & np.isfinite(self._own[:, 0, 0])
        if kept.sum() < LEAST_FRAMES:
            return None
        count = self._others[kept][:, None, None]
        level = self._sum[kept] / count
        square = np.maximum(self._square[kept] / count - level**2, 0.0) * count / (count - 1.0)
        noise2 = np.stack([np.maximum(cv2.blur(one, (7, 7)), LEAST_NOISE2) for one in square])
        noise2 = np.maximum(noise2, square / 4.0)  # a single pixel that flickers
        away = self._own[kept] - level
        away -= np.median(away, axis=(1, 2), keepdims=True)
        middle, across = self._middle[kept], self._across[kept]
        velocity = np.gradient(middle, self._time[kept], axis=0)
        along = np.column_stack([across[:, 1], -across[:, 0]])
        interval_s = float(np.median(np.diff(self._time[kept])))
        return Patches(
            frame=self._frame[kept],
            time_s=self._time[kept],
            middle_px=middle,
            corner_px=self._corner[kept],
            along=along,
            across=across,
            step_px=np.linalg.norm(velocity, axis=1) * interval_s,
            noise=np.sqrt(np.median(noise2, axis=(1, 2))),
            whitened=np.asarray(away / np.sqrt(noise2), np.float32),
        )


def _at(known_x: Floats, values: Floats, x: Floats) -> Floats:
    """Interpolate rows (n, 2) known at `known_x`."""
    return np.column_stack([np.interp(x, known_x, values[:, k]) for k in (0, 1)])


def faint_light(patches: Patches) -> Faint:
    """Bend and shift the way until the responses of a lamp along it add up to most."""
    broad = responses(patches, WIDTHS_PX[1], _streak_px(patches, 0.0))
    off, _ = _best_way(patches, broad, 1.0)
    width, length = _image(patches, off)
    streaks = _streak_px(patches, length)
    maps = responses(patches, width, streaks)
    off, _ = _best_way(patches, maps, 0.5, off)
    strong = 2.0 * float(np.median(_looked_up(patches, maps, off)))
    if strong > CUT:  # cut off there, it would not matter where on the lamp the way lies
        off, _ = _best_way(patches, maps, 0.5, off, strong)
    _, against = _best_way(patches, -maps, 1.0)
    return Faint(
        off_px=off,
        score=_total(_looked_up(patches, maps, off)),
        against=against,
        response=_looked_up(patches, maps, off),
        width_px=width,
        streak_px=streaks,
    )


def _streak_px(patches: Patches, length: float) -> Floats:
    """Return how long the matched image is (n,): a part of the way of a frame."""
    return np.minimum(length * patches.step_px, LONGEST_PX)


def _image(patches: Patches, off_px: Floats) -> tuple[float, float]:
    """Return width and length, in steps, of the lamp's image that fits best along a way."""
    sums = {
        (width, length): _total(
            _looked_up(patches, responses(patches, width, _streak_px(patches, length)), off_px)
        )
        for width in WIDTHS_PX
        for length in LENGTHS
    }
    return max(sums, key=lambda image: sums[image])


def responses(patches: Patches, width_px: float, streak_px: Floats) -> Maps:
    """Match each patch (n, h, w) with a lamp's image; the responses have unit variance.

    `streak_px` (n,) is how long the image is along the way.
    """
    found = np.empty_like(patches.whitened)
    for own, patch, along, streak in zip(
        found, patches.whitened, patches.along, streak_px, strict=True
    ):
        kernel = lamp_image(width_px, float(streak) * along, KERNEL_PX)
        own[:] = cv2.filter2D(patch, cv2.CV_32F, kernel, borderType=cv2.BORDER_CONSTANT)
    spread = 1.4826 * float(np.median(np.abs(found)))
    return np.asarray(found / max(spread, 0.2), np.float32)


def lamp_image(width_px: float, streak_px: Floats, half: int) -> Maps:
    """Return the image (h, w) of a lamp that moved by `streak_px` (2,): its squares add up to 1."""
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float64)
    length = float(np.linalg.norm(streak_px))
    steps = max(int(np.ceil(length / width_px)) * 2, 1)
    parts = ((np.arange(steps) + 0.5) / steps - 0.5)[:, None] * np.asarray(streak_px)
    image = sum(
        np.exp(-0.5 * ((x - px) ** 2 + (y - py) ** 2) / width_px**2) for px, py in parts.tolist()
    )
    return np.asarray(image / np.sqrt(np.sum(np.square(image))), np.float32)


def _best_way(
    patches: Patches,
    maps: Maps,
    wide: float,
    start_px: Floats | None = None,
    cut: float = CUT,
) -> tuple[Floats, float]:
    """Return how far off (n, 2) the middles the best way lies, and its score.

    Ways are drawn about the best ones so far, nearer and nearer (cross-entropy method,
    R. Y. Rubinstein); always the same draws, so that the same clip gives the same way.
    """
    rng = np.random.default_rng(7)
    basis = bends(patches.time_s)
    start = np.zeros((len(basis), 2)) if start_px is None else start_px
    scale = wide * np.array([*ALONG_PX, *ACROSS_PX])
    best, top = np.zeros(len(scale)), -np.inf
    centre, spread = best, scale
    for number in range(ROUNDS):
        drawn = centre + spread * rng.normal(size=(DRAWS, len(scale)))
        drawn[0] = best
        sums = _totals(patches, maps, basis, drawn, start, cut)
        order = np.argsort(sums)[-KEPT:]
        if sums[order[-1]] >= top:
            best, top = drawn[order[-1]], float(sums[order[-1]])
        centre = 0.5 * (best + drawn[order].mean(axis=0))
        spread = np.maximum(drawn[order].std(axis=0), scale * SHRINK ** (number + 2))
    return np.asarray(start + _off(basis, best[None])[0]), top


def bends(time_s: Floats) -> Floats:
    """Return shift, rate, bend and its change (n, 4) over the way, each about as large."""
    t = 2.0 * (time_s - time_s[0]) / max(float(np.ptp(time_s)), 1e-9) - 1.0
    return np.column_stack([np.ones_like(t), t, 1.5 * t**2 - 0.5, 2.5 * t**3 - 1.5 * t])


def _off(basis: Floats, drawn: Floats) -> Floats:
    """Return the offsets along and across (d, n, 2) of d draws of seven parameters."""
    along = drawn[:, : len(ALONG_PX)] @ basis.T
    across = drawn[:, len(ALONG_PX) :] @ basis[:, : len(ACROSS_PX)].T
    return np.stack([along, across], axis=2)


def _totals(
    patches: Patches, maps: Maps, basis: Floats, drawn: Floats, start_px: Floats, cut: float
) -> Floats:
    """Return the scores (d,) of some ways, no response counted beyond `cut`."""
    off = start_px + _off(basis, drawn)
    found = np.zeros(len(drawn))
    base = patches.middle_px - patches.corner_px
    for number in range(len(maps)):
        place = base[number] + off[:, number] @ np.stack(
            [patches.along[number], patches.across[number]]
        )
        found += np.clip(bilinear(maps[number], place), -cut, cut)
    return np.asarray(found / np.sqrt(len(maps)))


def _looked_up(patches: Patches, maps: Maps, off_px: Floats) -> Floats:
    """Return the responses (n,) at offsets (n, 2) along and across."""
    base = patches.middle_px - patches.corner_px
    place = base + off_px[:, :1] * patches.along + off_px[:, 1:] * patches.across
    return np.array([bilinear(one, at[None])[0] for one, at in zip(maps, place, strict=True)])


def _total(response: Floats) -> float:
    """Return a sum of responses over its standard deviation, none of them counted far out."""
    return float(np.clip(response, -CUT, CUT).sum() / np.sqrt(len(response)))
