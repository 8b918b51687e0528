"""The pixels of a lamp that saturates widely: what of them is full, and what lies behind it."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np

from vidspeed.clip.background import level_scale
from vidspeed.clip.read import Luma
from vidspeed.clip.spots.lights import Spot
from vidspeed.values import Bools, Floats

DARK = 2  # of nine samples in order, from the darkest: the lamp may have been in most of them
APART = 0.913  # of normal noise: how far that one lies from the darkest on the mean
CLEARLY = 4.0  # standard deviations above it, and levels at least, that a sample shows more
LEAST = 1.5


class Patch(NamedTuple):
    """The pixels of a spot (h, w): value, ground and which are its own; levels of eight bits.

    Pixels are full from `full_level` on, and dark at `black`.
    """

    x: Floats
    y: Floats
    value: Floats
    ground: Floats
    own: Bools
    full_level: float
    black: float


def patch_of(spot: Spot, full_level: float, black: float) -> Patch:
    """Return the pixels of a spot; see `Patch` for the levels, of eight bits."""
    height, width = spot.luma.shape
    x, y = np.meshgrid(np.arange(width, dtype=np.float64), np.arange(height, dtype=np.float64))
    return Patch(
        x=x + spot.corner_px[0],
        y=y + spot.corner_px[1],
        value=spot.luma * level_scale(spot.luma),
        ground=_behind(spot.past) * level_scale(spot.luma),
        own=spot.own,
        full_level=full_level,
        black=black,
    )


def core_px(spot: Spot, full_level: float) -> float:
    """Return the radius of the largest circle within what is full of a spot, 0 of a dark one."""
    if spot.darker:
        return 0.0
    full = (spot.luma * level_scale(spot.luma) >= full_level) & spot.own
    if not full.any():
        return 0.0
    return float(cv2.distanceTransform(np.pad(full.astype(np.uint8), 1), cv2.DIST_L2, 5).max())


def _behind(past: Luma) -> Floats:
    """Return what lies behind a lamp (h, w), in the file's levels, from nine samples (9, h, w).

    A wide lamp that is slow was there itself in some of them: only those count in which a pixel
    is no brighter than in the darkest ones, but for noise.
    """
    order = np.sort(past, axis=0).astype(np.float64)
    noise = float(np.median(order[DARK] - order[0])) / APART
    kept = order <= order[DARK] + max(CLEARLY * noise, LEAST)
    return np.asarray((order * kept).sum(axis=0) / kept.sum(axis=0))
