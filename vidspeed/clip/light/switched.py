"""Lights of frames in which the lamp went on or off: where it was in the middle of the exposure.

A flashing lamp is lit for a part of the exposure at either end of each flash. What is seen is
then not the middle of the exposure but the middle of the lit part. Only one of its ends is known,
the one towards the lit neighbour: before a dark frame the lamp was lit from the shutter's opening
on, after a dark one until it closed. From there to the middle of the exposure it is half a whole
streak. How much of one was lit shows twice: in its length and in the light that was gathered,
each beside the lights that were lit throughout. Where both neighbours are dark it cannot be told
which end is known: of a flash that is longer it is either, and a light that is a whole flash lies
anywhere in its exposure. It then gives its place along its way only as well as that says. Flashes
in one beat with the frames are cut nearly alike, and no scatter about a smooth way shows it.
"""

from __future__ import annotations

from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from vidspeed.clip.light.flashing import Streaks, dark_beside, edges_of, flashes, in_one_beat
from vidspeed.clip.light.shutter import END_PX, Exposure, dark_between, exposure_of
from vidspeed.values import Bools, Floats, Ints

FULL_QUANTILE = 0.75  # of the light gathered in the frames of a flashing lamp: about a whole one
LEAST_U, APART_U, BLIND_U = 0.06, 0.12, 0.25  # of the lit part by the light gathered: beside whole
# neighbours, farther from whole lights, and where none is known to be whole
FLASH_QUANTILE = 0.9  # of what was lit of the lights of single frames: about a whole flash
SHORT_RUN = 2  # lit frames, at most, after which no frame need have been lit throughout
BROKEN, PLAIN_U, BROKEN_U = 0.2, 2.5, 4.0  # part of an exposure, and standard deviations, by
# which the lamp was plainly dark for a while: beside a dark frame, and between lit ones
LEAST_RUN = 5  # lights that say how bright and long a whole one is
BY_CHANCE = 0.5  # that a faint lamp was only missed in a short gap
LEAST_WHOLE = 4  # lights by which that can be judged
UNEVEN = 0.12  # part of an exposure that whole lights scatter by before it tells
JUMPS = 2.0  # times what lights of one exposure differ: another exposure
SPEED_U = 0.05  # of the speed in the picture that few flashes give
ROOT_2PI = float(np.sqrt(2.0 * np.pi))
NORMAL = NormalDist()


def lit_parts(
    seen: Streaks, edges: tuple[Ints, Ints, Ints], exposure: Exposure
) -> tuple[Floats, Floats]:
    """Return how large a part (n,) of its exposure each light was lit, and u (n,).

    By its length where it has ends and the exposure is known, and by the light gathered, beside
    that of the next lights within its own run of lit frames, or else of those that are whole.
    Where none is, the longest ones may be cut, too: only lengths tell.
    """
    before, after, run = edges
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
    if not exposure.known:
        return part, np.sqrt(variance)
    full = np.maximum(np.linalg.norm(seen.velocity, axis=1) * exposure.open_s, 1e-6)
    resolved = seen.resolved(0.0 if whole.any() else float(np.median(full)))
    length_u = np.hypot(seen.length_u_px, END_PX) / full
    length_u2 = length_u**2 + _uneven(seen.length_px[whole])
    by_length = np.where(resolved, 1.0 / length_u2, 0.0)
    by_light = np.where(resolved & (not whole.any()), 0.0, 1.0 / variance)
    weight = by_length + by_light
    both = (seen.length_px / full * by_length + part * by_light) / weight
    return np.asarray(both), np.asarray(1.0 / np.sqrt(weight))


def _uneven(size: Floats) -> float:
    """Return the relative variance by which lights that were lit throughout differ, where much.

    From each `size` (n,), positive, to the next: what a coder leaves of a faint lamp tells little.
    """
    if len(size) < LEAST_WHOLE:
        return 0.0
    scatter = 1.4826 * float(np.median(np.abs(np.diff(np.log(size))))) / np.sqrt(2.0)
    return float(scatter**2) if scatter > UNEVEN else 0.0


class _Cuts(NamedTuple):
    """What tells of each of a lamp's lights, n of them, how it was cut.

    `dark_sides` (n,) is how many of its neighbours are dark, `dark_after` (n,) whether the next one
    is, `run` (n,) how many frames are lit in a row. `part` (n,) of its exposure it was lit, with
    `part_u`; `broken` (n,) says that it plainly was dark for a while, `switched` (n,) how probable
    it is that it was at all, `one_end` (n,) that it is one end of a flash and not a whole one.
    `blind` (n,) are those of which only the light gathered tells, beside that of others that may
    all be cut `alike`.
    """

    dark_sides: Ints
    dark_after: Ints
    run: Ints
    exposure: Exposure
    interval_s: float
    part: Floats
    part_u: Floats
    broken: Bools
    switched: Floats
    one_end: Floats
    blind: Bools
    alike: bool

    def lost(self, k: int) -> tuple[float, float]:
        """Return mean and variance of the part of its exposure in which a light was dark."""
        switched = 1.0 if self.broken[k] else float(self.switched[k])
        return _lost(1.0 - self.part[k], self.part_u[k], switched)


def corrections(
    seen: Streaks,
    sure_snr: float,
    *,
    single: bool = False,
    stated_s: tuple[float, float] | None = None,
) -> tuple[Floats, Floats]:
    """Return what to add to places (n, 2) and to their covariances (n, 2, 2).

    Of a lamp without dark frames in between, only for the first and last light of its chain, and
    only where it was plainly not lit throughout, unless it is known to be a `single` flash. In
    frames where a lamp fainter than `sure_snr` was not seen it need not have been dark. `stated_s`
    is the exposure that was stated, and its u.
    """
    count = len(seen.frame)
    shift, extra = np.zeros((count, 2)), np.zeros((count, 2, 2))
    if _exposure_jumped(seen):
        return shift, extra
    flashing = (single and count > 1) or flashes(seen.frame, seen.snr, sure_snr)
    if not flashing and (count < LEAST_RUN or np.any(np.diff(seen.frame) > 1)):
        return shift, extra
    edges = edges_of(seen.frame)
    if flashing and dark_between(seen):  # what lights a frame need not have lit the next
        alone = np.ones_like(edges[0])
        edges = alone, alone, alone
    cuts = _cuts_of(seen, edges, sure_snr, stated_s)
    inner = cuts.dark_sides == 0
    concerned = np.where(inner, flashing & cuts.broken, flashing | cuts.broken)
    for k in np.flatnonzero(concerned).tolist():
        if cuts.dark_sides[k] == 1:
            shift[k], extra[k] = _by_its_known_end(seen, cuts, k)
        else:
            extra[k] = _either_end(seen, cuts, k)
    return shift, extra


def _exposure_jumped(seen: Streaks) -> bool:
    """Tell whether all lights from one on are longer than all before, or shorter, by a jump.

    Within each of two runs of frames, with at most those of the jump in between, lights are alike;
    a lamp that is switched is cut at the ends of a run only, and is as long in the next one.
    """
    gaps = np.flatnonzero(np.diff(seen.frame) > 1)
    if len(gaps) > 1 or len(seen.frame) < 2 * LEAST_RUN or not np.all(seen.length_px > 0.0):
        return False
    size = np.log(seen.length_px)
    at = int(gaps[0] if len(gaps) else np.argmax(np.abs(np.diff(size)))) + 1
    before, after = size[1 : at - 1], size[at + 1 : -1]  # what is beside dark frames may be cut
    if min(len(before), len(after)) < LEAST_RUN - 2:
        return False
    jump = abs(float(np.median(after) - np.median(before)))
    uneven = max(float(np.ptp(before)), float(np.ptp(after)))
    return jump > max(-float(np.log1p(-BROKEN)), JUMPS * uneven)


def _cuts_of(
    seen: Streaks,
    edges: tuple[Ints, Ints, Ints],
    sure_snr: float,
    stated_s: tuple[float, float] | None,
) -> _Cuts:
    """Return what tells how the lights of a lamp were cut."""
    before, after, run = edges
    whole = (before | after) == 0
    interval_s = float(np.median(np.diff(seen.time_s) / np.diff(seen.frame)))
    exposure = exposure_of(seen, whole, interval_s, stated_s)
    part, own_u = lit_parts(seen, edges, exposure)
    part_u = np.hypot(own_u, exposure.u_s / exposure.open_s)
    sure = np.where(whole, BROKEN_U, PLAIN_U)
    alike = not whole.any() and in_one_beat(seen.frame[before == 1])
    joined = bool(np.any(np.diff(seen.frame) == 1))
    usual_px = float(np.median(np.linalg.norm(seen.velocity, axis=1))) * exposure.open_s
    dark = dark_beside(seen.frame, seen.snr, sure_snr, BY_CHANCE)
    return _Cuts(
        dark_sides=before + after,
        dark_after=after,
        run=run,
        exposure=exposure,
        interval_s=interval_s,
        part=part,
        part_u=part_u,
        broken=exposure.known & (1.0 - part > np.maximum(BROKEN, sure * part_u)),
        switched=min(exposure.open_s / interval_s, 1.0) * dark,
        one_end=np.ones(len(run)) if joined else _cut(part, own_u, alike),
        blind=~whole.any() & ~seen.resolved(usual_px),
        alike=alike,
    )


def _by_its_known_end(seen: Streaks, cuts: _Cuts, k: int) -> tuple[Floats, Floats]:
    """Return what to add to the place (2,) of a light with one lit neighbour, and (2, 2)."""
    after = cuts.dark_after[k]
    if (cuts.blind[k] or not cuts.exposure.known) and cuts.run[k] <= SHORT_RUN:
        way = seen.velocity[k] * cuts.interval_s
        lost, variance = _lost_of_two(seen, k - 1 if after else k)
    else:
        way = seen.velocity[k] * cuts.exposure.open_s
        lost, variance = cuts.lost(k)
    side = 1.0 if after else -1.0
    return side * 0.5 * lost * way, 0.25 * variance * np.outer(way, way)


def _either_end(seen: Streaks, cuts: _Cuts, k: int) -> Floats:
    """Return what to add to the covariance (2, 2) of a light of which no end is known."""
    if cuts.exposure.known or cuts.dark_sides[k] == 0:
        way = seen.velocity[k] * cuts.exposure.open_s
        lost, variance = cuts.lost(k)
        ends = 1.0 + 2.0 * cuts.one_end[k]  # it lies at either end, or anywhere
        blindly = (cuts.alike and cuts.blind[k]) * cuts.switched[k] / 3.0
        return np.asarray(ends * max(lost**2 + variance, blindly) / 12.0 * np.outer(way, way))
    dark_s = cuts.interval_s - min(cuts.part[k], 1.0) * cuts.exposure.open_s
    free = seen.velocity[k] * max(dark_s, 0.0)  # the exposure may be longer
    return np.outer(free, free) / 12.0


def _cut(part: Floats, u: Floats, alike: bool) -> Floats:
    """Return how probable it is (n,) that a light is one end of a flash, not the whole.

    A flash is as long as the longest lights at least, and goes on while the shutter is closed. If
    these may be cut `alike`, too, that is as probable as that of all flashes so long of which a
    shutter sees something one does not begin and end while it is open.
    """
    off = np.maximum(float(np.quantile(part, FLASH_QUANTILE)) - part, 0.0) / u
    inside = np.array([2.0 - 2.0 * NORMAL.cdf(each) for each in off])
    lit = np.clip(part, 0.0, 1.0)
    return np.asarray(1.0 - inside * ((1.0 - lit) / (1.0 + lit) if alike else 1.0))


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
