"""Find what stands out of the background in one frame: spots, with the pixels to fit them by.

By day a craft may be darker than what lies behind it. Such a spot keeps the negative of its
pixels, and is from there on treated like any other.

A spot is found at half size, cheaply, and keeps a patch of the frame at full size together with
the background's samples there. Only the spots of a track that moves are fitted (`fit.py`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import accumulate
from typing import Any, NamedTuple

import cv2
import numpy as np

from vidspeed.clip.background import level_scale, negative
from vidspeed.clip.medians import SAMPLES, middle_of_stack
from vidspeed.clip.read import Luma
from vidspeed.clip.spots.groups import Box
from vidspeed.clip.veil import evened
from vidspeed.clip.window import Pane
from vidspeed.values import Bools, Floats, Value

MARGIN_PX = 14  # full-size pixels around what stood out
SHUT_PX = 4  # full-size pixels around another spot that are not this one's own


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spot(Value):
    """A place in one frame that stands out: rough figures, and the pixels of the patch.

    `xy_px` (2,) is the centre of what stands out, `half_px` (2,) half the streak's vector,
    `sigma_px` its width; `corner_px` (x, y) is the patch's first pixel; `luma` (h, w) and `past`
    (n, h, w) are the frame and the background's samples there, `own` (h, w) is False where
    another spot lies. `cut` says that it reaches the edge of the picture, `clear` that it stood out
    much farther than noise may reach there, `darker` that it is darker than the background: `luma`,
    `past` and `peak` are then those of the negative.
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
    clear: bool = True


def emptied(spot: Spot) -> Spot:
    """Return a spot without its pixels, which nobody needs once its light is fitted."""
    kind = spot.luma.dtype
    return replace(spot, luma=_no(kind, 2), past=_no(kind, 3), own=_no(np.dtype(bool), 2))


@cache
def _no(kind: np.dtype[Any], axes: int) -> Luma:
    """Return one and the same array without an element for all that hold none."""
    none = np.empty((0,) * axes, kind)
    none.flags.writeable = False
    return none


def spots_of(cuts: Sequence[Cut]) -> list[Spot]:
    """Measure patches, all together."""
    if not cuts:
        return []
    scale = level_scale(cuts[0].luma)
    return [
        _spot(cut, above, peak, max(scale * noise, 0.3))
        for cut, (above, peak), noise in zip(cuts, _above(cuts), _noises(cuts), strict=True)
    ]


class Cut(NamedTuple):
    """The patch of a group: its corner in the window, its pixels, its background's samples."""

    pane: Pane
    box: Box
    left: int
    top: int
    luma: Luma
    past: Luma
    own: Bools | None


def cut_of(
    pane: Pane, ring: tuple[Luma, ...], box: Box, others: list[Box], *, uneven: bool = False
) -> Cut:
    """Cut the patch of a group out of a frame; `own` is None where no other group is near.

    `uneven` says that glare lies over the frame, or over others of the `ring`: the samples are
    lifted to what the frame is there.
    """
    height, width = pane.luma.shape
    left, top = max(2 * box.left - MARGIN_PX, 0), max(2 * box.top - MARGIN_PX, 0)
    right, bottom = min(2 * box.right + MARGIN_PX, width), min(2 * box.bottom + MARGIN_PX, height)
    rows, columns = slice(top, bottom), slice(left, right)
    past = np.empty((len(ring), bottom - top, right - left), pane.luma.dtype)
    for place, one in enumerate(ring):
        past[place] = one[rows, columns]
    luma = pane.luma[rows, columns].copy()
    if box.darker:
        luma, past = negative(luma), negative(past)
    low, high = (left - SHUT_PX) / 2, (right + SHUT_PX) / 2
    first, last = (top - SHUT_PX) / 2, (bottom + SHUT_PX) / 2
    around = [  # what reaches into the patch, or what lies near it
        other
        for other in others
        if other.left < high
        and low < other.right
        and other.top < last
        and first < other.bottom
        and other is not box
    ]
    own = np.ones(luma.shape, dtype=bool) if around else None
    for other in around:
        assert own is not None
        _shut_out(own, box, other, left, top)
    if uneven:
        past = evened(past, luma, own)
    return Cut(pane, box, left, top, luma, past, own)


def _spot(cut: Cut, above: Floats, peak: float, noise: float) -> Spot:
    """Measure a patch roughly; `above` (h, w) is how far it stands above its background."""
    pane, box, luma, past = cut.pane, cut.box, cut.luma, cut.past
    rough, peak = _moments(above, noise), max(peak, 1e-3)
    own = np.ones(luma.shape, dtype=bool) if cut.own is None else cut.own
    height, width = pane.luma.shape
    edge = min(2 * box.left, 2 * box.top, width - 2 * box.right, height - 2 * box.bottom) < 3
    x, y = cut.left + pane.corner_px[0], cut.top + pane.corner_px[1]
    middle, half = np.array([rough.x_px + x, rough.y_px + y]), np.array(rough.half_px)
    for held in (middle, half, luma, past, own):
        held.flags.writeable = False  # they are the spot's own already, and need no copy
    return Spot(
        frame=pane.frame,
        time_s=pane.time_s,
        xy_px=middle,
        half_px=half,
        sigma_px=rough.sigma_px,
        peak=peak,
        snr=peak / noise,
        corner_px=(x, y),
        luma=luma,
        past=past,
        own=own,
        cut=edge,
        darker=box.darker,
        clear=box.clear,
    )


def _shut_out(own: Bools, box: Box, other: Box, left: int, top: int) -> None:
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
    """Centre, half vector and width of a patch, from its moments."""

    x_px: float
    y_px: float
    half_px: tuple[float, float]
    sigma_px: float


def _moments(above: Any, noise: float) -> _Rough:
    """Measure a patch by the moments of what stands above its background."""
    smooth: Any = cv2.GaussianBlur(above, (9, 9), 1.0)
    least = max(0.2 * cv2.minMaxLoc(smooth)[1], noise)
    sums = cv2.moments(cv2.threshold(smooth, least, 0.0, cv2.THRESH_TOZERO)[1])
    total = sums["m00"] or 1.0
    xx, yy, xy = sums["mu20"] / total, sums["mu02"] / total, sums["mu11"] / total
    apart = math.hypot(0.5 * (xx - yy), xy)  # the eigenvalues are the mean of xx and yy +- apart
    sigma = math.sqrt(max(0.5 * (xx + yy) - apart - 0.8, 0.4))  # less the blur of one pixel, nearly
    turn = 0.5 * math.atan2(2.0 * xy, xx - yy)
    half = 0.5 * math.sqrt(24.0 * apart)
    return _Rough(
        x_px=sums["m10"] / total,
        y_px=sums["m01"] / total,
        half_px=(half * math.cos(turn), half * math.sin(turn)),
        sigma_px=sigma,
    )


def _above(cuts: Sequence[Cut]) -> list[tuple[Floats, float]]:
    """Return how far patches (h, w) stand above the median of their samples, and their peaks.

    They are worked out side by side: what takes long of small pictures is the number of calls.
    Where a patch is another spot's it stands above nothing.
    """
    luma = np.concatenate([cut.luma.reshape(-1) for cut in cuts])
    past = np.concatenate([cut.past.reshape(SAMPLES, -1) for cut in cuts], axis=1)
    middle = middle_of_stack(past[:, None])
    above: Any = np.asarray(cv2.subtract(luma[None], middle, dtype=cv2.CV_32F))[0]
    if (scale := level_scale(luma)) != 1.0:
        above *= np.float32(scale)
    sizes = [cut.luma.size for cut in cuts]
    parts = [
        part.reshape(cut.luma.shape) for part, cut in zip(_split(above, sizes), cuts, strict=True)
    ]
    for part, cut in zip(parts, cuts, strict=True):
        if cut.own is not None:
            np.multiply(part, cut.own, out=part)
    peaks = np.maximum.reduceat(above, [0, *accumulate(sizes[:-1])])
    return list(zip(parts, peaks.tolist(), strict=True))


def _noises(cuts: Sequence[Cut]) -> list[float]:
    """Return the median standard deviation of the samples of a quarter of each patch's pixels."""
    some = [cut.past[:, ::2, ::2].reshape(SAMPLES, -1) for cut in cuts]
    values = np.concatenate(some, axis=1).astype(np.float32)
    values -= values[0]
    mean = np.add.reduce(values, axis=0) / np.float32(SAMPLES)
    square = np.einsum("ij,ij->j", values, values) / SAMPLES - mean * mean
    found = []
    for part in _split(square, [one.shape[1] for one in some]):
        middle = len(part) // 2
        part.partition(middle)
        found.append(math.sqrt(max(float(part[middle]), 0.0)))
    return found


def _split(values: Any, sizes: Sequence[int]) -> Iterator[Any]:
    """Yield pieces of some values (n,), of these sizes."""
    first = 0
    for size in sizes:
        yield values[first : first + size]
        first += size
