"""Lights of frames in which the lamp went on or off: where it was in the middle of the exposure.

A flashing lamp is lit for a part of the exposure at either end of each flash. What is seen is
then not the middle of the exposure but the middle of the lit part. Only one of its ends is known,
the one towards the lit neighbour: before a dark frame the lamp was lit from the shutter's opening
on, after a dark one until it closed. From there to the middle of the exposure it is half a whole
streak. How much of one was lit shows twice: in its length and in the light that was gathered,
each beside the lights that were lit throughout. Where both neighbours are dark it cannot be told
which end is known, and the light gives its place along its way only as well as its length does.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from vidspeed.clip.light.fit import Fit
from vidspeed.clip.light.profile import HALF_X, HALF_Y, PEAK, WIDTH, X, Y
from vidspeed.values import Bools, Floats, Ints

FULL_QUANTILE = 0.75  # of the light gathered in the frames of a flashing lamp: about a whole one
LEAST_U, APART_U, BLIND_U = 0.06, 0.12, 0.25  # of the lit part by the light gathered: beside whole
# neighbours, farther from whole lights, and where none is known to be whole
END_PX = 0.15  # standard deviation of a length that no residual shows
RESOLVED = 3.0  # widths from which a length tells
SHORT_RUN = 2  # lit frames, at most, after which no frame need have been lit throughout
NEAR_WHOLE = 0.85  # of the longest exposure: those beyond were lit throughout, too
AGREE = 3  # lights without two lit neighbours that together prove to be whole
VARIED = 0.2  # of the longest exposure: by so much shorter ones differ where flashes have no beat
BROKEN, PLAIN_U, BROKEN_U = 0.2, 2.5, 4.0  # part of an exposure, and standard deviations, by
# which the lamp was plainly dark for a while: beside a dark frame, and between lit ones
LEAST_RUN = 5  # lights that say how bright and long a whole one is
LONG_GAP = 4  # frames: no chance leaves a lamp that is not very faint unseen for so long
BY_CHANCE = 0.5  # that a faint lamp was only missed in a shorter gap
LEAST_WHOLE = 4  # lights by which that can be judged
BRIEF = 0.25  # of the picture's longer side: a lamp that is seen on no longer way has flashed
UNEVEN = 0.12  # part of an exposure that whole lights scatter by before it tells
SPEED_U = 0.05  # of the speed in the picture that few flashes give
ROOT_2PI = float(np.sqrt(2.0 * np.pi))
NORMAL = NormalDist()


class Streaks(NamedTuple):
    """What the lights of a lamp look like, n of them: `velocity` (n, 2) in px/s.

    `xy_px` (n, 2) is the middle of what is seen of each, `length_px` (n,) how long it is from end
    to end with `length_u_px`, `resolved` where there are ends to speak of; `gathered` is their
    light and `snr` their peak over the noise.
    """

    frame: Ints
    time_s: Floats
    xy_px: Floats
    velocity: Floats
    length_px: Floats
    length_u_px: Floats
    resolved: Bools
    gathered: Floats
    snr: Floats


def streaks_of(
    frame: Ints, time_s: Floats, snr: Floats, fits: Sequence[Fit], length_u_px: Floats
) -> Streaks:
    """Return how the fits of a lamp's lights look; `velocity` is still zero."""
    parameters = np.array([fit.parameters for fit in fits])
    length = 2.0 * np.hypot(parameters[:, HALF_X], parameters[:, HALF_Y])
    gathered = np.maximum(parameters[:, PEAK], 1e-9) * parameters[:, WIDTH] ** 2
    long = float(np.quantile(length, 0.9)) > RESOLVED * parameters[:, WIDTH]
    none = np.zeros((len(frame), 2))
    places = parameters[:, [X, Y]]
    return Streaks(frame, time_s, places, none, length, length_u_px, long, gathered, snr)


def edges_of(frame: Ints) -> tuple[Ints, Ints, Ints]:
    """Return of each light whether the frame before and the frame after are dark, and its run.

    The run is how many frames in a row are lit. Ends of the chain count as dark.
    """
    joined = np.diff(frame) == 1
    before = np.concatenate([[1], 1 - joined.astype(int)])
    after = np.concatenate([1 - joined.astype(int), [1]])
    run = np.cumsum(before)
    return before, after, np.bincount(run)[run]


def flashes(frame: Ints, snr: Floats, sure_snr: float) -> bool:
    """Say whether lights are missing between others because the lamp was dark, not by chance."""
    gap = np.diff(frame)
    return bool(np.any(gap >= LONG_GAP) or (np.any(gap > 1) and np.median(snr) >= sure_snr))


def single_flash(xy_px: Floats, snr: Floats, sure_snr: float, longer_px: float) -> bool:
    """Say whether a lamp that is no faint one was seen on a short way only: its flash is over.

    The next one may come too late for a chain. `xy_px` (n, 2) are the places of its lights, none
    of them at the edge of the picture, whose longer side is `longer_px`.
    """
    way = float(np.linalg.norm(xy_px[-1] - xy_px[0]))
    return bool(way < BRIEF * longer_px and np.median(snr) >= sure_snr)


def exposure_of(seen: Streaks) -> tuple[float, bool]:
    """Return how long the shutter is open, in seconds, and whether it is known.

    By the lights that have lit neighbours on both sides; else by the longest of those that have
    one, where chance or a fixed beat of flashes and frames hardly cut them alike. Else it is only
    known to be at least so long.
    """
    before, after, run = edges_of(seen.frame)
    open_s = seen.length_px / np.maximum(np.linalg.norm(seen.velocity, axis=1), 1e-6)
    whole, paired = (before | after) == 0, run > 1
    if whole.any():
        longest = float(np.quantile(open_s[whole], 0.9))
        return float(np.median(open_s[whole & (open_s >= NEAR_WHOLE * longest)])), True
    if np.count_nonzero(paired) < AGREE:
        return float(open_s.max()), False
    longest = float(np.sort(open_s[paired])[-1])
    alike = paired & (open_s >= NEAR_WHOLE * longest)
    both = np.any(alike[:-1] & alike[1:] & (np.diff(seen.frame) == 1))
    shorter = open_s[paired & ~alike]
    varied = len(shorter) >= AGREE and np.ptp(shorter) > VARIED * longest
    if np.count_nonzero(alike) < AGREE or not (both or varied):
        return longest, False
    return float(np.median(open_s[alike])), True


def lit_parts(seen: Streaks, exposure_s: float, known: bool) -> tuple[Floats, Floats]:
    """Return how large a part (n,) of its exposure each light was lit, and u (n,).

    By its length where it has ends and the exposure is known, and by the light gathered, beside
    that of the next lights within its own run of lit frames, or else of those that are whole.
    """
    before, after, run = edges_of(seen.frame)
    whole = (before | after) == 0
    usual = np.full(len(run), float(np.quantile(seen.gathered, FULL_QUANTILE)))
    u = np.full(len(run), BLIND_U)
    if whole.any():
        usual = np.interp(seen.time_s, seen.time_s[whole], seen.gathered[whole])
        u[:] = APART_U
    for k in np.flatnonzero(((before | after) == 1) & (run > SHORT_RUN)):
        near = slice(k - 2, k) if after[k] and not before[k] else slice(k + 1, k + 3)
        usual[k], u[k] = float(seen.gathered[near].max()), LEAST_U
    part = seen.gathered / usual
    variance = u**2 + np.maximum(seen.snr, 1.0) ** -2 + _uneven(seen.gathered[whole])
    if not known:
        return part, np.sqrt(variance)
    full = np.maximum(np.linalg.norm(seen.velocity, axis=1) * exposure_s, 1e-6)
    length_u = np.hypot(seen.length_u_px, END_PX) / full
    length_u2 = length_u**2 + _uneven(seen.length_px[whole])
    by_length = np.where(seen.resolved, 1.0 / length_u2, 0.0)
    weight = by_length + 1.0 / variance
    both = (seen.length_px / full * by_length + part / variance) / weight
    return np.asarray(both), np.asarray(1.0 / np.sqrt(weight))


def _uneven(size: Floats) -> float:
    """Return the relative variance by which lights that were lit throughout differ, where much.

    From each `size` (n,), positive, to the next: what a coder leaves of a faint lamp tells little.
    """
    if len(size) < LEAST_WHOLE:
        return 0.0
    scatter = 1.4826 * float(np.median(np.abs(np.diff(np.log(size))))) / np.sqrt(2.0)
    return float(scatter**2) if scatter > UNEVEN else 0.0


def corrections(seen: Streaks, sure_snr: float, *, single: bool = False) -> tuple[Floats, Floats]:
    """Return what to add to places (n, 2) and to their covariances (n, 2, 2).

    Of a lamp without dark frames in between, only for the first and last light of its chain, and
    only where it was plainly not lit throughout, unless it is known to be a `single` flash. In
    frames where a lamp fainter than `sure_snr` was not seen it need not have been dark.
    """
    count = len(seen.frame)
    shift, extra = np.zeros((count, 2)), np.zeros((count, 2, 2))
    flashing = (single and count > 1) or flashes(seen.frame, seen.snr, sure_snr)
    if not flashing and (count < LEAST_RUN or np.any(np.diff(seen.frame) > 1)):
        return shift, extra
    before, after, run = edges_of(seen.frame)
    interval_s = float(np.median(np.diff(seen.time_s) / np.diff(seen.frame)))
    exposure_s, known = exposure_of(seen)
    part, part_u = lit_parts(seen, exposure_s, known)
    switched = min(exposure_s / interval_s, 1.0) * _dark(seen, sure_snr)
    for k in range(count):
        way, edges = seen.velocity[k] * exposure_s, before[k] + after[k]
        sure = BROKEN_U if edges == 0 else PLAIN_U
        broken = known and 1.0 - part[k] > max(BROKEN, sure * part_u[k])
        if not (flashing and broken if edges == 0 else flashing or broken):
            continue
        lost, variance = _lost(1.0 - part[k], part_u[k], 1.0 if broken else switched[k])
        if edges == 1:
            side = 1.0 if after[k] else -1.0
            if not known and run[k] <= SHORT_RUN:
                way = seen.velocity[k] * interval_s
                lost, variance = _lost_of_two(seen, k if after[k] == 0 else k - 1)
            shift[k] = side * 0.5 * lost * way
            extra[k] = 0.25 * variance * np.outer(way, way)
        elif known or edges == 0:  # lit somewhere within the exposure
            extra[k] = (lost**2 + variance) / 12.0 * np.outer(way, way)
        else:  # which may be longer
            free = seen.velocity[k] * max(interval_s - min(part[k], 1.0) * exposure_s, 0.0)
            extra[k] = np.outer(free, free) / 12.0
    return shift, extra


def _lost_of_two(seen: Streaks, first: int) -> tuple[float, float]:
    """Return mean and variance of the part of a frame that each of two lit ones was dark.

    The first was lit until its shutter closed, the next from when it opened: their middles are
    nearer to each other than the way from frame to frame by half of what both were dark. How much
    of it is whose is open.
    """
    there = slice(first, first + 2)
    way = np.mean(seen.velocity[there], axis=0) * float(np.ptp(seen.time_s[there]))
    far = max(float(np.linalg.norm(way)), 1e-6)
    off = 1.0 - float((seen.xy_px[first + 1] - seen.xy_px[first]) @ way) / far**2
    u2 = SPEED_U**2 + 0.25 * float(np.sum(seen.length_u_px[there] ** 2)) / far**2
    lost = min(max(off, 0.0), 1.0)
    return lost, min(lost**2 / 3.0 + u2, 1.0 / 3.0)


def _dark(seen: Streaks, sure_snr: float) -> Floats:
    """Return how probable it is (n,) that the lamp was dark in the gap beside a light."""
    gap = np.diff(seen.frame)
    beside = np.maximum(np.append(gap, LONG_GAP), np.insert(gap, 0, LONG_GAP))
    sure = (beside >= LONG_GAP) | (float(np.median(seen.snr)) >= sure_snr)
    return np.where(sure, 1.0, BY_CHANCE)


def _lost(off: float, u: float, switched: float) -> tuple[float, float]:
    """Return mean and variance of the part of an exposure that was dark, of which `off` is seen.

    It is 0, or with the probability `switched` anything from 0 to 1, all alike: of a lamp that
    is switched at any time it was switched within this exposure. `off` has the standard deviation
    `u`.
    """
    low, high = (0.0 - off) / u, (1.0 - off) / u
    inside = max(NORMAL.cdf(high) - NORMAL.cdf(low), 1e-12)
    at_low, at_high = np.exp(-0.5 * low**2) / ROOT_2PI, np.exp(-0.5 * high**2) / ROOT_2PI
    slope = float(at_low - at_high) / inside
    bend = float(low * at_low - high * at_high) / inside
    mean, variance = off + u * slope, max(u**2 * (1.0 + bend - slope**2), 0.0)
    mean = min(max(mean, 0.0), 1.0)
    some, none = switched * inside, (1.0 - switched) * float(at_low) / u
    share = some / (some + none)
    return share * mean, share * (variance + mean**2) - (share * mean) ** 2
