"""An exposure that jumps: by what curve the whole picture became brighter or darker at once."""

from __future__ import annotations

import numpy as np

from vidspeed.clip.read import Luma
from vidspeed.values import Floats, Picture

ENOUGH, EVERY = 24_000, 3  # pixels: of so many each is looked at, of far more one in a few
LEAST_PIXELS = 40  # of one level, to say what became of it
LEAST_CHANGE = 1.0  # levels: a smaller change is none
BESIDE = 8  # levels on either side of one over which a curve is as steep as it is there


def jump_curve(before: Picture, after: Picture) -> Floats | None:
    """Return what each level 0 to 255 of a picture (h, w) became (256,), None where nothing did.

    The median of what the pixels of one level became; in between and beyond on straight lines
    from black. Where things moved instead, the curve explains nothing, which its user has to see.
    """
    every = min(max(round((before.size / ENOUGH) ** 0.5), 1), EVERY)
    old, new = (picture[::every, ::every].ravel() for picture in (before, after))
    order = np.argsort(old, kind="stable")
    old, new = old[order], new[order].astype(np.float64)
    starts = np.searchsorted(old, np.arange(257))
    known = [k for k in range(256) if starts[k + 1] - starts[k] >= LEAST_PIXELS]
    if not known:
        return None
    became = np.array([np.median(new[starts[k] : starts[k + 1]]) for k in known])
    if np.median(np.abs(became - known)) < LEAST_CHANGE:
        return None
    levels = np.arange(256.0)
    curve = np.interp(levels, known, np.maximum.accumulate(became))
    low, high = known[0], known[-1]
    curve[:low] = became[0] - (low - levels[:low]) * min(became[0] / max(low, 1), 1.0)
    if high < 255:
        curve[high:] = became[-1] + (levels[high:] - high) * became[-1] / max(high, 1)
    return np.asarray(np.clip(curve, 0.0, 255.0))


def steepness(curve: Floats) -> Floats:
    """Return how steep a curve (256,) is at each level (256,): by so much noise there grows."""
    level = np.arange(256)
    low, high = np.maximum(level - BESIDE, 0), np.minimum(level + BESIDE, 255)
    return np.asarray((curve[high] - curve[low]) / (high - low))


def through(curve: Floats, luma: Luma) -> Luma:
    """Return a picture (h, w) as it would be after the jump; ten bits in uint16 as well."""
    if luma.dtype == np.uint8:
        return np.asarray(np.rint(curve).astype(np.uint8)[luma])
    fine = np.interp(np.arange(1024) / 4.0, np.arange(256), curve) * 4.0
    return np.asarray(np.rint(fine).astype(luma.dtype)[np.minimum(luma, 1023)])
