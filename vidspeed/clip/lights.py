"""Find what stands out of the background in one frame: spots, with the pixels to fit them by.

By day a craft may be darker than what lies behind it. Such a spot keeps the negative of its
pixels, and is from there on treated like any other.

A spot is found at half size, cheaply, and keeps a patch of the frame at full size together with
the background's samples there. Only the spots of a track that moves are fitted (`fit.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vidspeed.clip.background import Backdrop, Raised, level_scale, negative
from vidspeed.clip.read import Frame, Luma
from vidspeed.values import Bools, Floats, Picture, Value

MOST_SPOTS = 24  # the strongest of a frame are kept, of either sign
BESIDE = 8  # half-size pixels: nearer to a stronger spot of the other sign, it is its fringe
MARGIN_PX = 14  # full-size pixels around what stood out
FLOODED = 0.03  # share of the picture that stands out when the exposure jumped, not a light


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
    """A group of half-size pixels that stand out: its rectangle and how strongly.

    `strength` is the sum of what stands above the ceiling, in luma levels.
    """

    left: int
    top: int
    right: int  # one past the last
    bottom: int
    strength: float
    darker: bool


def find_spots(frame: Frame, half: Picture, backdrop: Backdrop) -> list[Spot]:
    """Return the spots of a frame, brighter and darker ones, strongest of each sign first."""
    raised = backdrop.apart(half)
    counts = [cv2.countNonZero(each) for each in raised]
    if max(counts) > FLOODED * half.size and backdrop.follow_jump(half):
        raised = backdrop.apart(half)
        counts = [cv2.countNonZero(each) for each in raised]
    if not any(counts) or max(counts) > FLOODED * half.size:
        backdrop.adapt(max(counts))
        return []
    brighter, darker = (
        _groups(each, darker=sign) if count else []
        for each, count, sign in zip(raised, counts, (False, True), strict=True)
    )
    backdrop.adapt(max(len(brighter), len(darker)))
    strongest = [*_strongest(brighter, darker), *_strongest(darker, brighter)]
    return [_spot(frame, backdrop, box, strongest) for box in strongest]


def _strongest(boxes: list[_Box], others: list[_Box]) -> list[_Box]:
    """Return the strongest groups, without the fringes of stronger ones of the other sign.

    Lenses, sharpening and codecs put a dark rim around a light, and a light one around the dark.
    """
    kept = sorted(boxes, key=lambda box: -box.strength)[:MOST_SPOTS]
    return [box for box in kept if not any(_is_fringe(box, other) for other in others)]


def _is_fringe(box: _Box, other: _Box) -> bool:
    """Say whether a group lies beside a stronger one."""
    across = box.left - BESIDE < other.right and other.left < box.right + BESIDE
    down = box.top - BESIDE < other.bottom and other.top < box.bottom + BESIDE
    return across and down and box.strength < other.strength


def _groups(raised: Raised, *, darker: bool) -> list[_Box]:
    """Group the half-size pixels that stand out and lie within three pixels of each other."""
    there = (raised > 0).astype(np.uint8)
    x, y, width, height = cv2.boundingRect(there)
    part = raised[y : y + height, x : x + width]
    padded = cv2.copyMakeBorder(part, 2, 2, 2, 2, cv2.BORDER_CONSTANT, value=0)
    joined = cv2.dilate((padded > 0).astype(np.uint8), np.ones((3, 3), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    boxes = []
    for label, (left, top, wide, high, _) in enumerate(stats[1:], start=1):
        window = np.s_[top : top + high, left : left + wide]
        inside = np.where(labels[window] == label, padded[window], 0)
        boxes.append(
            _Box(
                left=int(x + left - 1),
                top=int(y + top - 1),
                right=int(x + left + wide - 3),
                bottom=int(y + top + high - 3),
                strength=float(inside.sum(dtype=np.float64)),
                darker=darker,
            )
        )
    return boxes


def _spot(frame: Frame, backdrop: Backdrop, box: _Box, others: list[_Box]) -> Spot:
    """Measure a group roughly and cut its patch out of the frame."""
    height, width = frame.luma.shape
    left, top = max(2 * box.left - MARGIN_PX, 0), max(2 * box.top - MARGIN_PX, 0)
    right, bottom = min(2 * box.right + MARGIN_PX, width), min(2 * box.bottom + MARGIN_PX, height)
    rows, columns = slice(top, bottom), slice(left, right)
    luma, past = frame.luma[rows, columns].copy(), backdrop.past(rows, columns)
    if box.darker:
        luma, past = negative(luma), negative(past)
    own = np.ones(luma.shape, dtype=bool)
    for other in others:
        if other is not box:
            _shut_out(own, box, other, left, top)
    xy, half_px, sigma, peak, noise = _moments(luma, past, own)
    edge = min(2 * box.left, 2 * box.top, width - 2 * box.right, height - 2 * box.bottom) < 3
    return Spot(
        frame=frame.index,
        time_s=frame.time_s,
        xy_px=xy + np.array([left, top]),
        half_px=half_px,
        sigma_px=sigma,
        peak=peak,
        snr=peak / noise,
        corner_px=(left, top),
        luma=luma,
        past=past,
        own=own,
        cut=edge,
        darker=box.darker,
    )


def _shut_out(own: Bools, box: _Box, other: _Box, left: int, top: int) -> None:
    """Mark the pixels of another group, and those near it, as not this spot's own."""
    grow = 4
    window = np.s_[
        max(2 * other.top - grow - top, 0) : max(2 * other.bottom + grow - top, 0),
        max(2 * other.left - grow - left, 0) : max(2 * other.right + grow - left, 0),
    ]
    mine = np.s_[
        2 * box.top - top : 2 * box.bottom - top, 2 * box.left - left : 2 * box.right - left
    ]
    kept = own[mine].copy()
    own[window] = False
    own[mine] |= kept


def _moments(luma: Luma, past: Luma, own: Bools) -> tuple[Floats, Floats, float, float, float]:
    """Return centre, half vector, width, peak and pixel noise of a patch, from its moments."""
    scale = level_scale(luma)
    stack = past.astype(np.float32) * scale
    level = np.median(stack, axis=0)
    noise = max(float(np.median(stack.std(axis=0))), 0.3)
    above = np.where(own, luma.astype(np.float32) * scale - level, 0.0)
    smooth = cv2.GaussianBlur(above, (0, 0), 1.0)
    peak = max(float(above.max()), 1e-3)
    weight = np.where(smooth > max(0.2 * float(smooth.max()), noise), smooth, 0.0)
    total = float(weight.sum()) or 1.0
    y, x = np.mgrid[0 : luma.shape[0], 0 : luma.shape[1]]
    cx, cy = float((weight * x).sum() / total), float((weight * y).sum() / total)
    dx, dy = x - cx, y - cy
    spread = np.array(
        [
            [(weight * dx * dx).sum(), (weight * dx * dy).sum()],
            [(weight * dx * dy).sum(), (weight * dy * dy).sum()],
        ]
    )
    values, vectors = np.linalg.eigh(spread / total)
    sigma = float(np.sqrt(max(values[0] - 0.8, 0.4)))  # less the blur of one pixel, nearly
    length = float(np.sqrt(12.0 * max(values[1] - values[0], 0.0)))
    return np.array([cx, cy]), 0.5 * length * vectors[:, 1], sigma, peak, noise
