"""Know the still part of the picture and its noise, pixel by pixel, while the clip runs.

A ring of samples spread over about two fifths of a second holds the recent past. Their median is
the background of the search, at half the picture's size (the mean of two by two pixels), since
a median forgets a light that passes and keeps the lamps that stand still, and a ring follows a
slow change of exposure. The same ring gives the background of a small patch at full size.

Only the part of the picture in which a craft can be is kept, as eight bit levels where the file
has them, and every frame goes through few passes over it: this runs beside the decoder.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.clip.deviations import (
    GAUSSIAN_MEAN,
    TRIMMED_MEAN,
    UNIT,
    Raised,
    Spread,
    less_two_largest,
)
from vidspeed.clip.gain import jump_curve, steepness, through
from vidspeed.clip.medians import SAMPLES, RunningMiddle, middle_of_stack
from vidspeed.clip.read import Luma
from vidspeed.clip.veil import FEW_PLACES, MANY_PLACES, veiled
from vidspeed.values import Floats, Picture, Value

MEMORY_S = 0.4  # the ring's samples are spread over this time
SIGMAS = 5.0  # a light stands this many standard deviations of noise above the background
MOST_SIGMAS = 20.0
LEAST_STEP = 1.0  # luma levels above the background that are never a light
MOST_FLOOR = 2.0  # times as many where the search is less eager: coders change single blocks
WEIGHTS = np.array([1.0, 2.0, 1.0])  # along each side of three by three pixels
SHAKES = 0.15  # half-size pixels of shaking from which edges of the ground stand out
MOST_REACH = 3.0  # half-size pixels of shaking that are allowed for: 3 px to either side
MANY = 6  # spots in a frame that are taken for noise: the search then becomes less eager
FLOODED = 0.03  # share of the picture that stands out when the exposure jumped, not a light
FLASH = 2  # samples: an exposure that is back within their time was lit up by a flash
HIGHEST = np.float32(32_000.0)  # ceiling; all that can be seen lies below it


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground(Value):
    """The background of a patch: `level` (h, w) and the variance `noise2` (h, w) of one frame.

    `samples` is how many frames the level is the mean of: its own variance is `noise2/samples`.
    """

    level: Floats
    noise2: Floats
    samples: int


@dataclass(frozen=True, slots=True, eq=False)
class Apart:
    """How a half-size picture (h, w) differs from its background, weighed over three by three.

    It is no value, since its arrays are not copied. `seen` and `level` are in `UNIT` of a luma
    level, a lamp's image being spread; `size` is how far they are apart, `over` is 255 where that
    is more than `ceiling`, which noise hardly reaches; `count` is in how many places. `veiled` says
    that a lens's glare lay over the frame, which `level` has too, `uneven` that it lay over it or
    over samples of the background.
    """

    seen: Raised
    level: Raised
    size: Raised
    ceiling: Raised
    over: Picture
    count: int
    veiled: bool = False
    uneven: bool = False

    @property
    def brighter(self) -> Picture:
        """Return where it stands out and is brighter: 255 there (h, w)."""
        away: Any = cv2.subtract(self.seen, self.level)
        return np.asarray(cv2.compare(away, self.ceiling, cv2.CMP_GT), np.uint8)

    @property
    def flooded(self) -> bool:
        """Say whether more became brighter at once, or darker, than lights can have done."""
        most = FLOODED * self.over.size
        if self.count <= most:
            return False
        brighter = cv2.countNonZero(self.brighter)
        return max(brighter, self.count - brighter) > most


class _Ring(NamedTuple):
    """The samples at full and at half size, and the mean deviations of the latter."""

    full: list[Luma]
    half: Sequence[Picture]
    mean: NDArray[np.float32]


class Backdrop:
    """The background of a running clip; state that `offer` moves on."""

    def __init__(self, interval_s: float, inside: NDArray[np.bool_] | None = None) -> None:
        """Search where `inside` (h, w) is true, at half size; None: everywhere."""
        self.spacing = max(1, round(MEMORY_S / (SAMPLES - 1) / interval_s))
        self.sigmas = SIGMAS
        self._outside = None if inside is None else np.where(inside, 0, 32_767).astype(np.int16)
        self._full: list[Luma] = []
        self._half = RunningMiddle()
        self._offered = 0
        self._level: Raised | None = None
        self._spread = Spread()
        self._ceiling: Raised | None = None
        self._ceiling_sigmas = 0.0
        self._raised = 0  # times that the search became less eager under this ceiling
        self._reach = self._ceiling_reach = 0.0  # half-size pixels
        # Before the exposure jumped lately: the middle at half size, and the ring.
        self._flashed: tuple[Picture, _Ring] | None = None
        self._forgotten_in = 0  # frames
        self._veiled = [False] * SAMPLES  # of the ring's samples

    def begin(self, samples: list[tuple[Luma, Picture]]) -> None:
        """Begin with nine samples: pictures at full and at half size."""
        self._full = [luma for luma, _ in samples]
        for _, half in samples:
            self._half.put(half)
        self._level = _weighed(self._half.middle())
        raised = [_weighed(half) for _, half in samples]
        found = [veiled(seen, self._level, seen, lately=False) for seen in raised]
        if any(veil is not None for veil in found):
            found = [veiled(seen, self._level, seen, lately=True) for seen in raised]
        self._veiled = [veil is not None for veil in found]
        levels = [self._level if veil is None else veil.level for veil in found]
        self._spread.begin(np.abs(seen - under) for seen, under in zip(raised, levels, strict=True))
        self._raise_ceiling()

    def offer(self, index: int, luma: Luma, half: Picture, apart: Apart | None = None) -> None:
        """Take a frame into the ring when its turn has come; its noise is learnt from `apart`."""
        self._forgotten_in -= 1
        if self._forgotten_in <= 0:
            self._flashed = None
        if index % self.spacing or not self._full:
            return
        self._full[self._offered % SAMPLES] = luma.copy()
        self._veiled[self._offered % SAMPLES] = apart is not None and apart.veiled
        self._offered += 1
        self._half.put(half)
        self._level = _weighed(self._half.middle())
        renewed = apart is not None and self._spread.learn(apart.size)
        if renewed or abs(self.sigmas / self._ceiling_sigmas - 1.0) > 0.03:
            self._raise_ceiling()

    def apart(self, half: Picture) -> Apart:
        """Return how the half-size picture (h, w) differs from the background."""
        if self._level is None or self._ceiling is None:
            raise RuntimeError("the background is not ready")
        seen = _weighed(half)
        size: Any = cv2.absdiff(seen, self._level)
        over: Any = cv2.compare(size, self._ceiling, cv2.CMP_GT)
        count, uneven = cv2.countNonZero(over), any(self._veiled)
        veil = None
        if count > (FEW_PLACES if uneven else MANY_PLACES):
            veil = veiled(seen, self._level, self._ceiling, lately=uneven)
        plain = Apart(seen, self._level, size, self._ceiling, over, count, uneven=uneven)
        if veil is None:
            return plain
        size = cv2.absdiff(seen, veil.level)
        over = cv2.compare(size, veil.ceiling, cv2.CMP_GT)
        count = cv2.countNonZero(over)
        under = Apart(seen, veil.level, size, veil.ceiling, over, count, veiled=True, uneven=True)
        return replace(plain, uneven=False) if under.flooded else under  # glare alone is smooth

    def adapt(self, spots: int) -> None:
        """Make the search less eager where noise gives many spots, and more again later.

        A few frames are searched with one ceiling: what they say is one thing, and counts as often
        as a background holds.
        """
        if spots > MANY and self._raised < self.spacing:
            self._raised += 1
            self.sigmas = min(self.sigmas * 1.15, MOST_SIGMAS)
        elif spots < MANY // 4:
            self.sigmas = max(self.sigmas / 1.02, SIGMAS)

    def shakes(self, reach: float) -> None:
        """Allow for a ground that goes so far, in half-size pixels, from where it lies."""
        self._reach = min(reach, MOST_REACH)
        if self._reach > max(1.2 * self._ceiling_reach, SHAKES):
            self._raise_ceiling()

    def follow_jump(self, half: Picture) -> bool:
        """Put the ring through the curve by which the exposure jumped; say whether it did.

        What is white then cannot be told apart any more. A flash is soon over, and the ring is
        again what it was before.
        """
        if not self._full:
            return False
        before = self._half.middle()
        if self._flashed is not None and jump_curve(self._flashed[0], half) is None:
            self._renew(self._flashed[1])
            self._flashed = None
            return True
        curve = jump_curve(before, half)
        if curve is None:
            return False
        pictures, mean = self._half.pictures, self._spread.mean
        if self._flashed is None:
            self._flashed = before, _Ring(self._full, pictures, mean)
            self._forgotten_in = FLASH * self.spacing
        steeper = np.maximum(steepness(curve), 1.0).astype(np.float32)[before]
        full, halves = ([through(curve, one) for one in ring] for ring in (self._full, pictures))
        self._renew(_Ring(full, halves, mean * steeper))
        return True

    def _renew(self, ring: _Ring) -> None:
        """Go on with other samples and deviations."""
        self._full = ring.full
        self._half.change(ring.half)
        self._level = _weighed(self._half.middle())
        self._spread.renew(ring.mean)
        self._raise_ceiling()

    @property
    def ring(self) -> tuple[Luma, ...]:
        """Return the samples (h, w) that the background is made of, in the file's own levels."""
        return tuple(self._full)

    def _raise_ceiling(self) -> None:
        """Work out how far noise may reach."""
        floor = LEAST_STEP * UNIT * min(self.sigmas / SIGMAS, MOST_FLOOR)
        step = self._spread.smooth * np.float32(self.sigmas * GAUSSIAN_MEAN)
        np.clip(step, np.float32(floor), HIGHEST, out=step)
        if self._reach > SHAKES and self._level is not None:
            usual = np.float32(max(float(np.median(step[::4, ::4])), floor))
            np.maximum(step, usual + _range_within(self._level, self._reach), out=step)
            np.minimum(step, HIGHEST, out=step)
        ceiling: Raised = step.astype(np.int16)
        if self._outside is not None:
            cv2.max(ceiling, self._outside, dst=ceiling)
        self._ceiling = ceiling
        self._ceiling_sigmas, self._raised = self.sigmas, 0
        self._ceiling_reach = self._reach


def ground(past: Luma) -> Ground:
    """Return background and noise of a patch from its nine samples (9, h, w), in eight-bit levels.

    What stands out of a pixel's own samples by more than three standard deviations is left out:
    the light itself, where it was a moment ago.
    """
    middle = middle_of_stack(past)
    away = np.maximum(past, middle) - np.minimum(past, middle)
    scale = level_scale(past)
    stack, size = past * scale, away * scale
    inner = less_two_largest(iter(away.astype(np.int16))).astype(np.float64) * scale
    spread = inner / (len(past) - 2) / TRIMMED_MEAN
    limit = 3.0 * np.maximum(spread, np.median(spread)) + 1.0
    kept = (size <= limit).astype(np.float64)
    count = np.maximum(kept.sum(axis=0), 1.0)
    level = (stack * kept).sum(axis=0) / count
    left = (stack - level) * kept
    square = np.square(left, out=left).sum(axis=0) / np.maximum(count - 1.0, 1.0)
    return Ground(level=level, noise2=_smooth_noise(square), samples=len(past))


def halved(luma: Luma) -> Picture:
    """Return the picture at half its size (h/2, w/2) uint8, the mean of two by two pixels."""
    height, width = luma.shape[0] // 2, luma.shape[1] // 2
    even = luma[: 2 * height, : 2 * width]
    small = cv2.resize(even, (width, height), interpolation=cv2.INTER_AREA)
    return to_eight_bits(np.asarray(small))


def _weighed(half: Picture) -> Raised:
    """Return a picture weighed over three by three pixels, in `UNIT` of a luma level."""
    return np.asarray(cv2.sepFilter2D(half, cv2.CV_16S, WEIGHTS, WEIGHTS), np.int16)


def _range_within(level: Raised, reach: float) -> NDArray[np.float32]:
    """Return by how much a level (h, w) may change where the picture moves so many pixels."""
    side = math.ceil(reach)
    wide, near = (_range_beside(level, pixels).astype(np.float32) for pixels in (side, side - 1))
    return near + np.float32(reach - (side - 1)) * (wide - near)


def _range_beside(level: Raised, side: int) -> Raised:
    """Return how far the levels (h, w) within so many pixels of each are apart."""
    box = np.ones((2 * side + 1, 2 * side + 1), np.uint8)
    return np.asarray(cv2.subtract(cv2.dilate(level, box), cv2.erode(level, box)), np.int16)


def level_scale(luma: Luma) -> float:
    """Return what a level is worth in levels of eight bits (ten bits in uint16: a quarter)."""
    return 1.0 if luma.dtype == np.uint8 else 0.25


def negative(luma: Luma) -> Luma:
    """Return the picture's negative: what is darker than its background is brighter in it."""
    if luma.dtype == np.uint8:
        return np.asarray(~luma)
    top = luma.dtype.type(round(255.0 / level_scale(luma)))
    return np.asarray(top - np.minimum(luma, top), luma.dtype)


def to_eight_bits(luma: Luma) -> Picture:
    """Return a picture in levels of eight bits (h, w) uint8."""
    if luma.dtype == np.uint8:
        return np.asarray(luma, dtype=np.uint8)
    return np.asarray(cv2.convertScaleAbs(luma, alpha=level_scale(luma)))


def _smooth_noise(square: Floats) -> Floats:
    """Steady a variance from few samples: the mean over five by five pixels, never below 1/12."""
    mean = cv2.blur(np.ascontiguousarray(square), (5, 5))
    return np.asarray(np.maximum(mean, 1.0 / 12.0))
