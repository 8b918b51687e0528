"""Part a craft's light from what a coder left of its neighbours, where they stand out as one.

At low bit rates a frame keeps remains of the lights of the frames before and after it, at their
places. Where the craft flies hardly farther in a frame than its light is wide, they run together
with its own: a streak longer than the way of a frame, which no light can be, and whose middle is
anywhere. The light itself is then what lies where the chain was to be at that time, up to halfway
to where it was a frame before and after.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vidspeed.clip.background import ground, level_scale
from vidspeed.clip.spots.lights import Spot
from vidspeed.clip.spots.straight import place_at, way_of
from vidspeed.values import Floats

LEAST = 7  # spots no longer than their way in a frame: they say where a light must be
STRONG, STRONG_SNR = 12.0, 12.0  # luma levels, and over the noise: of fainter ones noise is long
LONGER, MORE_PX = 1.15, 4.0  # a streak longer than the way of a frame by so much is no light
SINGLE = 0.25  # share of a chain's spots, at least, that are no longer than that
WANDERS = 0.25  # of the way of a frame: a chain that scatters more about its way has none
SPOTTED = 0.3  # of what stands out as one: a light fainter than that is not there
RIM_PX = 1.0  # what is brightest so near to the neighbours' half is the skirt of their light
SKIRT = 0.2  # of a light's peak: what is less does not count for its middle and length
BLUR_PX2 = 0.3  # least variance across a light


def parted(spots: Sequence[Spot]) -> list[Spot]:
    """Return a chain whose lights are cut out of what stood out as one with their neighbours'.

    Spots of which nothing lies where the chain was to be are left out. A chain without such spots,
    or with hardly any others, is returned as it is.
    """
    if len(spots) < LEAST:
        return list(spots)
    time = np.array([spot.time_s for spot in spots])
    xy = np.array([spot.xy_px for spot in spots])
    interval_s = float(np.median(np.diff(time) / np.diff([spot.frame for spot in spots])))
    way = way_of(time, xy)
    step = 0.5 * (place_at(way, time + interval_s) - place_at(way, time - interval_s))
    length = np.linalg.norm(step, axis=1)
    half = np.array([np.linalg.norm(spot.half_px) for spot in spots])
    strong = np.array([spot.peak >= STRONG and spot.snr >= STRONG_SNR for spot in spots])
    joined = strong & (2.0 * half > LONGER * length + MORE_PX)
    if not joined.any() or np.sum(~joined) < max(LEAST, SINGLE * len(spots)):
        return list(spots)
    way = way_of(time[~joined], xy[~joined])
    if way.spread_px > WANDERS * float(np.median(length)):
        return list(spots)
    place = place_at(way, time)
    found = [_part(spot, place[k], step[k]) if joined[k] else spot for k, spot in enumerate(spots)]
    return [spot for spot in found if spot is not None]


def _part(spot: Spot, place_px: Floats, step_px: Floats) -> Spot | None:
    """Return what of a spot lies about a place, None where that is no light of its own."""
    length = max(float(np.linalg.norm(step_px)), 1e-9)
    ahead = step_px / length
    above = spot.luma * level_scale(spot.luma) - ground(spot.past).level
    rows, columns = np.mgrid[0 : above.shape[0], 0 : above.shape[1]].astype(np.float64)
    x, y = columns + spot.corner_px[0], rows + spot.corner_px[1]
    along = (x - place_px[0]) * ahead[0] + (y - place_px[1]) * ahead[1]
    mine = spot.own & (np.abs(along) <= 0.5 * length)
    if not mine.any():
        return None
    at = np.unravel_index(int(np.argmax(np.where(mine, above, -np.inf))), above.shape)
    peak = float(above[at])
    if peak < SPOTTED * spot.peak or abs(along[at]) > 0.5 * length - RIM_PX:
        return None
    weight = np.where(mine & (above > SKIRT * peak), above, 0.0)
    weight /= weight.sum()
    middle = np.array([np.sum(weight * x), np.sum(weight * y)])
    dx, dy = x - middle[0], y - middle[1]
    spread = np.array([
        [np.sum(weight * dx * dx), np.sum(weight * dx * dy)],
        [np.sum(weight * dx * dy), np.sum(weight * dy * dy)],
    ])  # fmt: skip
    small, large = np.linalg.eigvalsh(spread)
    noise = spot.peak / max(spot.snr, 1e-9)
    return replace(
        spot,
        xy_px=middle,
        half_px=ahead * np.sqrt(3.0 * max(large - small, 0.0)),
        sigma_px=float(np.sqrt(max(small, BLUR_PX2))),
        peak=peak,
        snr=peak / noise,
        own=mine,
    )
