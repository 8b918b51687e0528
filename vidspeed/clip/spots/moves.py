"""What a craft can do in a picture: how fast, where, along what way, from spot to spot."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np

from vidspeed.clip.spots.lights import Spot
from vidspeed.clip.spots.straight import on_way, way_of
from vidspeed.values import Floats, Ints, Strip

LEAST_STEP_PX = 1.0  # pixels a frame below which nothing is born where no strip is given
MOST_STEP_SHARE = 0.4  # of the picture's longer side in one frame, likewise
LEAST_WAY_PX = 12.0  # a chain that ends nearer than this to where it began did not move
OFTEN = 0.3  # share of the frames from first to last in which a craft is seen, at least
STANDING_PX = 0.7  # a spot that moved less than this from frame to frame stands still
PLAIN_STEP_PX = 2.0 * STANDING_PX  # the slowest craft is to move so far between two looks
MOST_STRIDE_PX = 8.0  # and the fastest no farther than this, as it does in any other clip
ROUGH_PX, MOSTLY = 2.5, 0.7  # how near to between its neighbours a spot lies, and how many do
LOOMING_HZ = 6.0  # speed over range: 120 m/s at 20 m
ROUGH_SPOTS, ROUGH_OFTEN = 15, 0.5  # of a chain, and share of its frames: it need not be smooth
STRAIGHT = 0.7  # way from end to end over the length of the path
LEAST_RUN = 12  # spots that are no chance where they had to be cut out of a chain
ABRUPT = 0.5  # part of its speed by which a craft's velocity does not change from step to step
DIMMER = 6.0  # the brightness changes by no more than this factor from spot to spot
DARK_FRAMES, FAINTER = 2, 0.4  # a chain does not go on after so many with so much fainter a spot
WANDERS_PX = 4.0  # a chain that scatters more about its way follows noise
BESIDE = 4  # spots on each side of one that say where it must be
GATE = 13.82  # chi-square, 2 degrees of freedom, 99.9 %
PLAIN_SNR = 8.0  # peak over noise from which the length of a spot tells something
FLASHES = 3  # from which it can be seen that they come evenly
LATE_FLASHES = 6  # from which the first may have been seen too late to be in time with the others
OFF_BEAT, OFF_SHARE = 1.5, 0.2  # frames, and share of the beat, by which a flash is early or late
UNLIKE = 2  # frames by which flashes are lit for longer than others that are seen whole
UNLIKE_SHARE = 0.25  # of the longest, likewise: of a flash of many frames ends may be missed
HOLE = 0.2  # of the longest dark time: a shorter one is a hole in a flash, not the time between two
FILLED = 0.6  # share of the frames of flashes in which the light is seen, at least
WHOLE = 3  # frames of a flash whose beginning may have been missed: its end is then in time
LEAST_BEAT = 2.5  # frames; of a faster one nearly any frames are multiples
MISSED = 2  # periods from one flash that is seen to the next, at most
LEAST_LIT = 0.07  # share of the frames of flashes with a tenth, of which up to a third are missed
LEAST_ON_WAY = 7  # spots of a chain from which single ones can be told to be off its way


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Limits:
    """What a craft can do in the picture: speeds in px/s, and where it can be."""

    speed_px_s: tuple[float, float]
    polygon_px: Floats | None
    width_px: float  # longer side of the picture; perspective bends speeds over this distance


def limits_of(size_px: tuple[int, int], interval_s: float, strip: Strip | None) -> Limits:
    """Return the limits that a strip states, or wide ones from the picture and its rate."""
    longer = float(max(size_px))
    if strip is not None:
        return Limits(speed_px_s=strip.speed_px_s, polygon_px=strip.polygon_px, width_px=longer)
    speeds = (LEAST_STEP_PX / interval_s, MOST_STEP_SHARE * longer / interval_s)
    return Limits(speed_px_s=speeds, polygon_px=None, width_px=longer)


def stride_of(limits: Limits, interval_s: float) -> int:
    """Return which frames are looked at, every so many: more than one where a craft creeps.

    Slow motion, or a camera far off at a high rate: from frame to frame a light moves less than
    what stands still seems to, and after a few frames it does not.
    """
    low, high = (speed * interval_s for speed in limits.speed_px_s)
    if low >= STANDING_PX:
        return 1
    return max(1, min(math.ceil(PLAIN_STEP_PX / low), int(MOST_STRIDE_PX / high)))


def on_its_way(spots: Sequence[Spot]) -> list[Spot]:
    """Leave out the spots of a chain that are far off the way of the others.

    A chain of which much would be left out is returned as it is: it had no way.
    """
    kept = list(spots)
    while len(kept) >= LEAST_ON_WAY:
        time = np.array([spot.time_s for spot in kept])
        xy = np.array([spot.xy_px for spot in kept])
        slack = np.array([1.5 + 0.3 * float(np.linalg.norm(spot.half_px)) for spot in kept])
        on = on_way(way_of(time, xy), time, xy, slack)
        on[~on] = [_between_neighbours(time, xy, at) for at in np.flatnonzero(~on).tolist()]
        if on.all():
            break
        kept = [spot for spot, stays in zip(kept, on, strict=True) if stays]
    return kept if len(kept) >= max(MOSTLY * len(spots), LEAST_ON_WAY) else list(spots)


def _between_neighbours(time_s: Floats, xy_px: Floats, at: int) -> bool:
    """Say whether a place lies where a few on both sides of it, or on one, put it.

    The way of a long chain is not known everywhere to a pixel: of a craft that flies by close, say.
    """
    near = np.arange(max(at - BESIDE, 0), min(at + BESIDE + 1, len(time_s)))
    near = near[near != at]
    ahead = time_s[near] - time_s[at]
    basis = np.vander(ahead / max(float(np.ptp(ahead)), 1e-9), 3, increasing=True)
    place = np.linalg.lstsq(basis, xy_px[near], rcond=None)[0][0]
    step = float(np.linalg.norm(np.diff(xy_px[near], axis=0), axis=1).min())
    return float(np.linalg.norm(xy_px[at] - place)) <= ROUGH_PX + 0.1 * step


def without_stragglers(spots: Sequence[Spot]) -> list[Spot]:
    """Leave out a first or last spot that lies farther apart in time than any two others.

    After its last flash a lamp is followed for a while, to whatever lies on its way. Where what is
    left does not come evenly it is no lamp that flashes, and nothing is left out.
    """
    frame = np.array([spot.frame for spot in spots])
    apart = np.diff(frame)
    if len(apart) < LEAST_ON_WAY - 1:
        return list(spots)
    first = int(apart[0] > DARK_FRAMES and apart[0] > apart[1:].max())
    last = int(apart[-1] > DARK_FRAMES and apart[-1] > apart[:-1].max())
    inner = slice(first, len(spots) - last)
    return list(spots[inner] if even(frame[inner]) else spots)


def keeps_its_way(spots: Sequence[Spot]) -> bool:
    """Say whether the spots of a chain lie about a way that a flight could take."""
    time = np.array([spot.time_s for spot in spots])
    xy = np.array([spot.xy_px for spot in spots])
    half = float(np.median([np.linalg.norm(spot.half_px) for spot in spots]))
    return way_of(time, xy).spread_px <= WANDERS_PX + 0.3 * half


def steady_runs(spots: Sequence[Spot]) -> list[list[Spot]]:
    """Cut a chain where its velocity changes at once by more than perspective can change it."""
    xy = np.array([spot.xy_px for spot in spots])
    steps = np.diff([spot.time_s for spot in spots])
    velocity = np.diff(xy, axis=0) / steps[:, None]
    change = np.linalg.norm(np.diff(velocity, axis=0), axis=1)
    speed = np.linalg.norm(velocity, axis=1)
    noise = ROUGH_PX / np.minimum(steps[1:], steps[:-1])
    broken = change > ABRUPT * np.maximum(speed[1:], speed[:-1]) + noise
    cuts = np.flatnonzero(broken) + 1
    runs = [list(spots[i:j]) for i, j in pairwise([0, *cuts, len(spots)])]
    return [run for run in runs if len(run) >= LEAST_RUN]


def is_flight(
    frame: Ints, time_s: Floats, xy_px: Floats, limits: Limits, slack_px: float = 0.0
) -> bool:
    """Say whether places (n, 2) went somewhere, smoothly, and were seen often enough meanwhile.

    `slack_px` is by how much more than others places may lie off, of streaks that are seen in part.
    """
    often = len(frame) >= OFTEN * (frame[-1] - frame[0] + 1) or even(frame)
    return bool(often) and moved(xy_px, time_s, limits) and smooth(xy_px, time_s, limits, slack_px)


def is_rough_flight(spots: Sequence[Spot], limits: Limits) -> bool:
    """Say whether many spots lie about one way, too rough to be told a flight: lights tell.

    What a coder leaves of a faint lamp has its middle anywhere until it is fitted.
    """
    if len(spots) < max(ROUGH_SPOTS, ROUGH_OFTEN * (spots[-1].frame - spots[0].frame + 1)):
        return False
    xy = np.array([spot.xy_px for spot in spots])
    time = np.array([spot.time_s for spot in spots])
    return moved(xy, time, limits) and keeps_its_way(spots)


def even(frame: Ints) -> bool:
    """Say whether frames (n,) with a light are flashes that come evenly.

    At high rates a flash is many frames long, and some of them may be without the light.
    """
    apart = np.diff(frame)
    parts = apart > max(1.0, HOLE * float(apart.max(initial=1)))
    begins, ends = frame[np.concatenate([[True], parts])], frame[np.concatenate([parts, [True]])]
    lit = ends - begins + 1
    if len(begins) < FLASHES or lit.sum() < LEAST_LIT * (frame[-1] - frame[0] + 1):
        return False
    if len(frame) < FILLED * lit.sum():
        return False
    shortest = np.sort(lit[1:-1])[int(len(lit) >= LATE_FLASHES)]  # of many, one may be seen in part
    if lit.max() - shortest > max(UNLIKE, UNLIKE_SHARE * lit.max()):
        return False
    if _in_beat(begins) or (len(begins) >= LATE_FLASHES and _in_beat(begins[1:])):
        return True
    return bool(lit.min() >= WHOLE) and _in_beat(ends)


def _in_beat(begins: Ints) -> bool:
    """Say whether frames (n,) are evenly apart, give or take, some of them missing."""
    apart = np.diff(begins)
    periods = np.rint(apart / apart.min())
    beat = float(apart.sum() / periods.sum())
    off = begins - begins[0] - beat * np.concatenate([[0.0], np.cumsum(periods)])
    slack = 2.0 * min(OFF_BEAT, OFF_SHARE * beat)
    return bool(beat >= LEAST_BEAT and np.all(periods <= MISSED) and np.ptp(off) <= slack)


def hidden_px(spots: Sequence[Spot]) -> float:
    """Return by how much the middles of a flashing lamp's lights may lie off, seen in part.

    That is half a streak, as two of its plain lights show it, and no more than half of its way in
    a frame. A lamp that does not flash, or is hardly brighter than noise, gets no such slack.
    """
    frame = np.array([spot.frame for spot in spots])
    plain = sorted(math.hypot(*spot.half_px.tolist()) for spot in spots if spot.snr >= PLAIN_SNR)
    if len(plain) < 2 or np.all(np.diff(frame) <= DARK_FRAMES) or not even(frame):
        return 0.0
    way = math.dist(spots[-1].xy_px, spots[0].xy_px) / max(int(frame[-1] - frame[0]), 1)
    return min(plain[-2], 0.5 * way)


def moved(xy_px: Floats, time_s: Floats, limits: Limits) -> bool:
    """Say whether places (n, 2) at times (n,) went somewhere, straight and fast enough."""
    way = float(np.linalg.norm(xy_px[-1] - xy_px[0]))
    path = float(np.linalg.norm(np.diff(xy_px, axis=0), axis=1).sum())
    speed = way / max(float(time_s[-1] - time_s[0]), 1e-9)
    fast = speed >= 0.7 * limits.speed_px_s[0]
    return fast and way >= LEAST_WAY_PX and way >= STRAIGHT * path


def smooth(xy_px: Floats, time_s: Floats, limits: Limits, slack_px: float = 0.0) -> bool:
    """Say whether most places (n, 2) lie where their two neighbours in time put them."""
    before, after = time_s[1:-1] - time_s[:-2], time_s[2:] - time_s[1:-1]
    share = (before / (before + after))[:, None]
    off = np.linalg.norm(xy_px[1:-1] - xy_px[:-2] * (1 - share) - xy_px[2:] * share, axis=1)
    speed = np.linalg.norm(xy_px[2:] - xy_px[:-2], axis=1) / (before + after)
    bend = 0.5 * bend_px_s2(speed, limits.width_px) * before * after
    return bool(np.mean(off <= ROUGH_PX + slack_px + bend) >= MOSTLY)


def bend_px_s2(speed_px_s: Any, width_px: float) -> Any:
    """Return the acceleration in the picture that perspective can give a steady speed.

    A lens that sees the craft at an angle bends by about v^2 over the width; a craft that comes
    straight on grows faster by its speed over its range each second, which `LOOMING_HZ` bounds.
    """
    return 50.0 + 1.5 * speed_px_s**2 / width_px + LOOMING_HZ * speed_px_s


def variance_px2(spot: Spot) -> float:
    """Return the variance of each coordinate of a rough place: more for streaks and if faint."""
    length = 2.0 * math.hypot(*spot.half_px.tolist())
    return (0.7 + 0.06 * length + 1.5 / max(spot.snr, 1.0)) ** 2


def stands(spot: Spot, before: Sequence[Spot]) -> bool:
    """Say whether a spot was there in the frame before: something that changed and stayed."""
    place = spot.xy_px.tolist()
    return any(
        math.dist(place, old.xy_px.tolist()) < STANDING_PX and alike(spot, old) for old in before
    )


def alike(one: Spot, other: Spot) -> bool:
    """Say whether two spots could be one lamp, or one dark craft, by their brightness."""
    if one.darker != other.darker:
        return False
    ratio = one.peak / max(other.peak, 1e-9)
    return 1.0 / DIMMER < ratio < DIMMER


def dims(spots: Sequence[Spot], spot: Spot) -> bool:
    """Say whether a spot after some dark frames is much fainter than the last of a chain before."""
    dark = spot.frame - spots[-1].frame > DARK_FRAMES
    return dark and spot.peak < FAINTER * max(one.peak for one in spots[-3:])


def possible(old: Spot, new: Spot, limits: Limits) -> bool:
    """Say whether a craft could have made these two spots, by place, speed and streak."""
    step = new.time_s - old.time_s
    way = new.xy_px - old.xy_px
    distance = math.hypot(*way.tolist())
    low, high = limits.speed_px_s
    if step <= 0 or not low * step <= distance <= high * step or not alike(old, new):
        return False
    if any(not _along(spot, way, distance) for spot in (old, new)):
        return False
    return inside(old, limits.polygon_px) and inside(new, limits.polygon_px)


def _along(spot: Spot, way: Floats, distance: float) -> bool:
    """Say whether a streak lies along the way and is not longer than the way."""
    half = math.hypot(*spot.half_px.tolist())
    if half < 1.5 * spot.sigma_px + 1.0 or spot.cut:
        return True
    across = abs(float(spot.half_px[0] * way[1] - spot.half_px[1] * way[0]))
    return across <= 0.45 * half * distance + 2.0 * half and 2.0 * half <= 1.3 * distance + 4.0


def inside(spot: Spot, polygon_px: Floats | None) -> bool:
    """Say whether a spot lies in the strip."""
    if polygon_px is None:
        return True
    outline = np.asarray(polygon_px, dtype=np.float32).reshape(-1, 1, 2)
    place = (float(spot.xy_px[0]), float(spot.xy_px[1]))
    return bool(cv2.pointPolygonTest(outline, place, False) >= 0)
