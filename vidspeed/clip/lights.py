"""Find what stands out of the background in one frame: spots, with the pixels to fit them by.

By day a craft may be darker than what lies behind it. Such a spot keeps the negative of its
pixels, and is from there on treated like any other.

A spot is found at half size, cheaply, and keeps a patch of the frame at full size together with
the background's samples there. Only the spots of a track that moves are fitted (`fit.py`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np

from vidspeed.clip.background import Apart, Backdrop, level_scale, negative
from vidspeed.clip.read import Luma
from vidspeed.clip.window import Pane
from vidspeed.values import Bools, Floats, Ints, Value

MOST_SPOTS = 24  # the strongest of a frame are kept, of either sign
BESIDE = 8  # half-size pixels: nearer to a stronger spot of the other sign, it is its fringe
NEAR = 3  # half-size pixels: what stands out so near to each other is one spot
SKIRT = 0.1  # of a group's largest value: what is less is its skirt, by which others are not joined
MOST_PLACES = 240  # that stand out: of more, groups are found in the picture and not in a list
MARGIN_PX = 14  # full-size pixels around what stood out
SHUT_PX = 4  # full-size pixels around another spot that are not this one's own
FLOODED = 0.03  # share of the picture that stands out when the exposure jumped, not a light
CLEAR = 1.6  # times the ceiling: what stands out so far is no noise
MOST_CLEAR = 6  # spots that may do so and are not taken for noise
STANDING, LIKE = 0.35, 3.0  # half-size pixels, and ratio of strengths: it was there before


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spot(Value):
    """A place in one frame that stands out: rough figures, and the pixels of the patch.

    `xy_px` (2,) is the centre of what stands out, `half_px` (2,) half the streak's vector,
    `sigma_px` its width; `corner_px` (x, y) is the patch's first pixel; `luma` (h, w) and `past`
    (n, h, w) are the frame and the background's samples there, `own` (h, w) is False where
    another spot lies. `cut` says that it reaches the edge of the picture, `darker` that it is
    darker than the background: `luma`, `past` and `peak` are then those of the negative.
    """

    frame: int
    time_s: float
    xy_px: Floats
    half_px: Floats
    sigma_px: float
    peak: float
    snr: float
    corner_px: tuple[int, int]
    luma: Luma
    past: Luma
    own: Bools
    cut: bool
    darker: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Box:
    """A group of half-size pixels that stand out: its rectangle, its middle, and how strongly.

    `strength` is the sum of what stands above the ceiling; `clear` says that it is no noise.
    """

    left: int
    top: int
    right: int  # one past the last
    bottom: int
    x: float
    y: float
    strength: float
    darker: bool
    clear: bool


class Finder:
    """Finds the spots of frame after frame; remembers what stood out in the frame before."""

    def __init__(self, backdrop: Backdrop) -> None:
        self._backdrop = backdrop
        self._before: list[_Box] = []

    def spots(self, pane: Pane, apart: Apart) -> list[Spot]:
        """Return the spots of a frame, brighter and darker ones, strongest of each sign first.

        What stood out at the same place in the frame before has changed and stayed, as the blocks
        of a coder do: it is no spot.
        """
        if not apart.count:
            self._before = []
            self._backdrop.adapt(0)
            return []
        if flooded(apart):
            self._before = []
            if self._backdrop.follow_jump(pane.half):
                apart = self._backdrop.apart(pane.half)
            if not apart.count or flooded(apart):
                return []
        boxes = _groups(apart)
        new = [box for box in boxes if not _stands(box, self._before)]
        self._before = boxes
        clear = sum(box.clear for box in new)
        self._backdrop.adapt(len(new) - min(clear, MOST_CLEAR))
        brighter = [box for box in new if not box.darker]
        darker = [box for box in new if box.darker]
        strongest = [*_strongest(brighter, darker), *_strongest(darker, brighter)]
        return [_spot(pane, self._backdrop, box, boxes) for box in strongest]


def _stands(box: _Box, before: list[_Box]) -> bool:
    """Say whether a group was there in the frame before."""
    for old in before:
        near = abs(old.x - box.x) < STANDING and abs(old.y - box.y) < STANDING
        if near and old.darker == box.darker and 1.0 / LIKE < old.strength / box.strength < LIKE:
            return True
    return False


def flooded(apart: Apart) -> bool:
    """Say whether far too much became brighter at once, or darker, for lights to have done it."""
    most = FLOODED * apart.over.size
    if apart.count <= most:
        return False
    brighter = cv2.countNonZero(cv2.compare(apart.away, apart.ceiling, cv2.CMP_GT))
    return max(brighter, apart.count - brighter) > most


def _strongest(boxes: list[_Box], others: list[_Box]) -> list[_Box]:
    """Return the strongest groups, without the fringes of stronger ones of the other sign.

    Lenses, sharpening and codecs put a dark rim around a light, and a light one around the dark.
    """
    kept = sorted(boxes, key=lambda box: -box.strength)[:MOST_SPOTS]
    return [box for box in kept if not any(_is_fringe(box, other) for other in others)]


def _is_fringe(box: _Box, other: _Box) -> bool:
    """Say whether a group lies beside a stronger one."""
    if box.strength >= other.strength:
        return False
    across = box.left - BESIDE < other.right and other.left < box.right + BESIDE
    return across and box.top - BESIDE < other.bottom and other.top < box.bottom + BESIDE


def _groups(apart: Apart) -> list[_Box]:
    """Group the half-size pixels of one sign that stand out and lie near each other."""
    if apart.count > MOST_PLACES:
        label, rows, columns = _labelled(apart)
    else:
        places = np.asarray(cv2.findNonZero(apart.over), np.int64).reshape(-1, 2)
        columns, rows = places[:, 0], places[:, 1]
        label = _linked(rows, columns, apart.away[rows, columns] > 0)
        size = apart.size[rows, columns]
        most = np.zeros(len(rows), np.int16)
        np.maximum.at(most, label, size)
        kept = size >= SKIRT * most[label]
        if not kept.all():
            rows, columns = rows[kept], columns[kept]
            label = _linked(rows, columns, apart.away[rows, columns] > 0)
    size, ceiling = apart.size[rows, columns], apart.ceiling[rows, columns]
    order = np.argsort(label, kind="stable")
    starts = np.flatnonzero(np.diff(label[order], prepend=-1))
    columns, rows, size, ceiling = columns[order], rows[order], size[order], ceiling[order]
    first = [np.minimum.reduceat(each, starts) for each in (columns, rows)]
    last = [np.maximum.reduceat(each, starts) for each in (columns, rows)]
    excess = (size - ceiling).astype(np.float64)
    strength, x, y = (
        np.add.reduceat(each, starts) for each in (excess, excess * columns, excess * rows)
    )
    clear = np.maximum.reduceat(size > CLEAR * ceiling, starts)
    darker = apart.away[rows[starts], columns[starts]] < 0
    middle = x / strength, y / strength
    table = zip(*first, *last, *middle, strength, darker, clear, strict=True)
    return [
        _Box(
            left=int(left), top=int(top), right=int(right) + 1, bottom=int(bottom) + 1,
            x=float(across), y=float(down),
            strength=float(strong), darker=bool(dark), clear=bool(sure),
        )
        for left, top, right, bottom, across, down, strong, dark, sure in table
    ]  # fmt: skip


def _linked(rows: Ints, columns: Ints, brighter: Bools) -> Ints:
    """Give each of some places (n,) a number that its group shares."""
    near = (np.abs(rows[:, None] - rows) <= NEAR) & (np.abs(columns[:, None] - columns) <= NEAR)
    near &= brighter[:, None] == brighter
    label = np.arange(len(rows))
    while True:
        lowest = np.where(near, label, len(rows)).min(axis=1)
        lowest = lowest[lowest]
        if np.array_equal(lowest, label):
            return label
        label = lowest


def _labelled(apart: Apart) -> tuple[Ints, Ints, Ints]:
    """Return the number of a group, row and column of all places (n,) that stand out."""
    brighter = cv2.compare(apart.away, apart.ceiling, cv2.CMP_GT)
    found, first = [], 0
    for there in (brighter, cv2.subtract(apart.over, brighter)):
        joined = cv2.dilate(there, np.ones((NEAR, NEAR), np.uint8))
        count, labels = cv2.connectedComponents(joined, connectivity=8)
        rows, columns = np.nonzero(there)
        found.append(np.stack([labels[rows, columns] + first, rows, columns]))
        first += count
    label, rows, columns = np.concatenate(found, axis=1)
    return label, rows, columns


def _spot(pane: Pane, backdrop: Backdrop, box: _Box, others: list[_Box]) -> Spot:
    """Measure a group roughly and cut its patch out of the frame."""
    height, width = pane.luma.shape
    left, top = max(2 * box.left - MARGIN_PX, 0), max(2 * box.top - MARGIN_PX, 0)
    right, bottom = min(2 * box.right + MARGIN_PX, width), min(2 * box.bottom + MARGIN_PX, height)
    rows, columns = slice(top, bottom), slice(left, right)
    luma, past = pane.luma[rows, columns].copy(), backdrop.past(rows, columns)
    if box.darker:
        luma, past = negative(luma), negative(past)
    own = np.ones(luma.shape, dtype=bool)
    for other in others:
        if other is not box and _reaches(other, left, top, right, bottom):
            _shut_out(own, box, other, left, top)
    rough = _moments(luma, past, own)
    edge = min(2 * box.left, 2 * box.top, width - 2 * box.right, height - 2 * box.bottom) < 3
    corner = left + pane.corner_px[0], top + pane.corner_px[1]
    return Spot(
        frame=pane.frame,
        time_s=pane.time_s,
        xy_px=rough.xy_px + corner,
        half_px=rough.half_px,
        sigma_px=rough.sigma_px,
        peak=rough.peak,
        snr=rough.peak / rough.noise,
        corner_px=corner,
        luma=luma,
        past=past,
        own=own,
        cut=edge,
        darker=box.darker,
    )


def _reaches(other: _Box, left: int, top: int, right: int, bottom: int) -> bool:
    """Say whether another group, or what lies near it, reaches into a patch."""
    across = 2 * other.left - SHUT_PX < right and left < 2 * other.right + SHUT_PX
    return across and 2 * other.top - SHUT_PX < bottom and top < 2 * other.bottom + SHUT_PX


def _shut_out(own: Bools, box: _Box, other: _Box, left: int, top: int) -> None:
    """Mark the pixels of another group, and those near it, as not this spot's own."""
    window = np.s_[
        max(2 * other.top - SHUT_PX - top, 0) : max(2 * other.bottom + SHUT_PX - top, 0),
        max(2 * other.left - SHUT_PX - left, 0) : max(2 * other.right + SHUT_PX - left, 0),
    ]
    mine = np.s_[
        2 * box.top - top : 2 * box.bottom - top, 2 * box.left - left : 2 * box.right - left
    ]
    kept = own[mine].copy()
    own[window] = False
    own[mine] |= kept


class _Rough(NamedTuple):
    """Centre, half vector, width, peak and pixel noise of a patch, from its moments."""

    xy_px: Floats
    half_px: Floats
    sigma_px: float
    peak: float
    noise: float


def _moments(luma: Luma, past: Luma, own: Bools) -> _Rough:
    """Measure a patch by the moments of what stands above its background."""
    scale = np.float32(level_scale(luma))
    level = np.partition(past, len(past) // 2, axis=0)[len(past) // 2]
    noise = max(float(scale) * _noise(past), 0.3)
    above = (luma.astype(np.float32) - level) * (scale * own)
    smooth = cv2.GaussianBlur(above, (9, 9), 1.0)
    weight = np.where(smooth > max(0.2 * float(smooth.max()), noise), smooth, np.float32(0.0))
    x, y = np.arange(luma.shape[1], dtype=float), np.arange(luma.shape[0], dtype=float)
    across, down = weight.sum(axis=0, dtype=float), weight.sum(axis=1, dtype=float)
    total = float(across.sum()) or 1.0
    cx, cy = float(across @ x) / total, float(down @ y) / total
    dx, dy = x - cx, y - cy
    xx, yy = float(across @ (dx * dx)) / total, float(down @ (dy * dy)) / total
    xy = float(dy @ weight @ dx) / total
    apart = math.hypot(0.5 * (xx - yy), xy)  # the eigenvalues are the mean of xx and yy +- apart
    sigma = math.sqrt(max(0.5 * (xx + yy) - apart - 0.8, 0.4))  # less the blur of one pixel, nearly
    turn = 0.5 * math.atan2(2.0 * xy, xx - yy)
    half = 0.5 * math.sqrt(24.0 * apart)
    return _Rough(
        xy_px=np.array([cx, cy]),
        half_px=half * np.array([math.cos(turn), math.sin(turn)]),
        sigma_px=sigma,
        peak=max(float(above.max()), 1e-3),
        noise=noise,
    )


def _noise(past: Luma) -> float:
    """Return the median standard deviation of the samples (n, h, w) of a patch's pixels."""
    values = past.astype(np.float32)
    values -= values[0]
    mean = values.mean(axis=0)
    square = (np.einsum("nij,nij->ij", values, values) / len(past) - mean * mean).ravel()
    middle = len(square) // 2
    return math.sqrt(max(float(np.partition(square, middle)[middle]), 0.0))
