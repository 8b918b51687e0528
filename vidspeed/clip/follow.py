"""Decide which spots of successive frames belong together (Kalman filter by filterpy).

The filter only decides: positions in the picture are predicted from the frames' true times and
compared with the spots through chi-square gates, over all spots at once. No filtered position
leaves this module; the spots themselves do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from filterpy.kalman import KalmanFilter
from scipy.optimize import linear_sum_assignment

from vidspeed.clip.lights import Spot
from vidspeed.values import Bools, Floats, Ints, Strip

GATE = 13.82  # chi-square, 2 degrees of freedom, 99.9 %
COAST_S = 0.25  # a confirmed chain bridges a gap of this length
BLINK_S = 0.12  # a chain of three that is not confirmed yet waits for so long
CONFIRM_SPOTS = 4  # that make a chain; between two of them one frame may be without
LEAST_STEP_PX = 1.0  # pixels a frame below which nothing is born where no strip is given
MOST_STEP_SHARE = 0.4  # of the picture's longer side in one frame, likewise
LEAST_WAY_PX = 12.0  # a chain that ends nearer than this to where it began did not move
OFTEN = 0.3  # share of the frames from first to last in which a craft is seen, at least
STANDING_PX = 0.7  # a spot that moved less than this from frame to frame stands still
ROUGH_PX, MOSTLY = 2.5, 0.7  # how near to between its neighbours a spot lies, and how many do
LOOMING_HZ = 6.0  # speed over range: 120 m/s at 20 m
STRAIGHT = 0.7  # way from end to end over the length of the path
LEAST_RUN = 12  # spots that are no chance where they had to be cut out of a chain
ABRUPT = 0.5  # part of its speed by which a craft's velocity does not change from step to step
DIMMER = 6.0  # the brightness changes by no more than this factor from spot to spot
MOST_TENTATIVE = 400


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


class Follower:
    """Chains of spots, growing frame by frame; state that `offer` moves on."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self._chains: list[_Chain] = []
        self._tentative: list[list[Spot]] = []
        self._recent: list[list[Spot]] = []  # free spots of the last two frames
        self._before: list[Spot] = []  # and of the last one, with those that stand still

    def offer(self, time_s: float, spots: Sequence[Spot]) -> list[list[Spot]]:
        """Take the spots of the next frame; return the chains that have ended."""
        taken = self._extend_chains(time_s, spots)
        free = [spot for spot, is_taken in zip(spots, taken, strict=True) if not is_taken]
        standing, self._before = [_stands(spot, self._before) for spot in free], free
        free = [spot for spot, stands in zip(free, standing, strict=True) if not stands]
        self._extend_tentative(time_s, free)
        self._give_birth(free)
        self._confirm()
        self._recent = [*self._recent[-1:], free]
        ended = [chain for chain in self._chains if time_s - chain.last_s > COAST_S]
        self._chains = [chain for chain in self._chains if time_s - chain.last_s <= COAST_S]
        return [spots for chain in ended for spots in self._flights(chain.spots)]

    def finish(self) -> list[list[Spot]]:
        """Return the chains that were alive at the end of the clip."""
        chains, self._chains, self._tentative = self._chains, [], []
        return [spots for chain in chains for spots in self._flights(chain.spots)]

    def _extend_chains(self, time_s: float, spots: Sequence[Spot]) -> Bools:
        """Give each confirmed chain the spot that fits it best, all at once."""
        taken = np.zeros(len(spots), dtype=bool)
        for chain in self._chains:
            chain.predict(time_s)
        if not self._chains or not spots:
            return taken
        costs = np.array([[chain.cost(spot) for spot in spots] for chain in self._chains])
        out = ~np.isfinite(costs)
        rows, columns = linear_sum_assignment(np.where(out, 1e6, costs))
        for row, column in zip(rows, columns, strict=True):
            if not out[row, column]:
                self._chains[row].add(spots[column])
                taken[column] = True
        return taken

    def _extend_tentative(self, time_s: float, free: Sequence[Spot]) -> None:
        """Lengthen the tentative chains; one that finds nothing may wait a little."""
        kept = []
        for spots in self._tentative:
            match = _nearest(spots, free, time_s, self.limits.width_px)
            if match is not None:
                kept.append([*spots, match])
            elif _fresh(spots, self._recent) or _may_wait(spots, time_s):
                kept.append(spots)
        self._tentative = kept

    def _give_birth(self, free: Sequence[Spot]) -> None:
        """Begin a tentative chain from every pair of spots that a craft could have made."""
        used = {id(spot) for spots in self._tentative for spot in spots[-2:]}
        for before in self._recent:
            for old in before:
                for new in free:
                    if len(self._tentative) >= MOST_TENTATIVE:
                        return
                    both_used = id(old) in used and id(new) in used
                    if not both_used and _possible(old, new, self.limits):
                        self._tentative.append([old, new])

    def _confirm(self) -> None:
        """Turn tentative chains that are long enough into chains, the straightest first."""
        ready = [spots for spots in self._tentative if len(spots) >= CONFIRM_SPOTS]
        if not ready:
            return
        used: set[int] = set()
        for spots in sorted(ready, key=lambda chain: _crookedness(chain) / len(chain)):
            names = {id(spot) for spot in spots}
            if not names & used:
                self._chains.append(_Chain(spots, self.limits.width_px))
                used |= names
        self._tentative = [
            spots for spots in self._tentative if not {id(spot) for spot in spots} & used
        ]

    def _flights(self, spots: list[Spot]) -> list[list[Spot]]:
        """Return a chain if it could be a craft, else those of its steady runs that could.

        A chain of noise that a craft flew into is no flight, its last run is.
        """
        if self._is_flight(spots):
            return [spots]
        return [run for run in steady_runs(spots) if self._is_flight(run)]

    def _is_flight(self, spots: Sequence[Spot]) -> bool:
        """Say whether spots could be a craft."""
        xy = np.array([spot.xy_px for spot in spots])
        time = np.array([spot.time_s for spot in spots])
        frame = np.array([spot.frame for spot in spots])
        return is_flight(frame, time, xy, self.limits)


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


def is_flight(frame: Ints, time_s: Floats, xy_px: Floats, limits: Limits) -> bool:
    """Say whether places (n, 2) went somewhere, smoothly, and were seen often enough meanwhile."""
    often = len(frame) >= OFTEN * (frame[-1] - frame[0] + 1)
    return bool(often) and moved(xy_px, time_s, limits) and smooth(xy_px, time_s, limits)


def moved(xy_px: Floats, time_s: Floats, limits: Limits) -> bool:
    """Say whether places (n, 2) at times (n,) went somewhere, straight and fast enough."""
    way = float(np.linalg.norm(xy_px[-1] - xy_px[0]))
    path = float(np.linalg.norm(np.diff(xy_px, axis=0), axis=1).sum())
    speed = way / max(float(time_s[-1] - time_s[0]), 1e-9)
    fast = speed >= 0.7 * limits.speed_px_s[0]
    return fast and way >= LEAST_WAY_PX and way >= STRAIGHT * path


def smooth(xy_px: Floats, time_s: Floats, limits: Limits) -> bool:
    """Say whether most places (n, 2) lie where their two neighbours in time put them."""
    before, after = time_s[1:-1] - time_s[:-2], time_s[2:] - time_s[1:-1]
    share = (before / (before + after))[:, None]
    off = np.linalg.norm(xy_px[1:-1] - xy_px[:-2] * (1 - share) - xy_px[2:] * share, axis=1)
    speed = np.linalg.norm(xy_px[2:] - xy_px[:-2], axis=1) / (before + after)
    bend = 0.5 * _bend_px_s2(speed, limits.width_px) * before * after
    return bool(np.mean(off <= ROUGH_PX + bend) >= MOSTLY)


class _Chain:
    """A confirmed chain and its filter: state x, vx, y, vy in pixels and px/s."""

    def __init__(self, spots: Sequence[Spot], width_px: float) -> None:
        self.spots = [spots[0]]
        self.last_s = spots[0].time_s
        self._now_s = self.last_s
        self._width_px = width_px
        self._filter = _new_filter(spots[0], spots[1])
        for spot in spots[1:]:
            self.predict(spot.time_s)
            self.add(spot)

    def predict(self, time_s: float) -> None:
        """Move the filter on to a moment."""
        step = time_s - self._now_s
        self._now_s = time_s
        speed2 = float(self._filter.x[1, 0] ** 2 + self._filter.x[3, 0] ** 2)
        noise = _bend_px_s2(np.sqrt(speed2), self._width_px) ** 2
        one = np.array([[1.0, step], [0.0, 1.0]])
        shake = noise * np.array([[step**4 / 4, step**3 / 2], [step**3 / 2, step**2]])
        self._filter.predict(F=np.kron(np.eye(2), one), Q=np.kron(np.eye(2), shake))

    def cost(self, spot: Spot) -> float:
        """Return the normalised distance of a spot from the prediction; infinite outside."""
        if not _alike(self.spots[-1], spot):
            return np.inf
        spread = self._filter.H @ self._filter.P @ self._filter.H.T + _noise_px2(spot)
        off = spot.xy_px - self._filter.x[[0, 2], 0]
        distance = float(off @ np.linalg.solve(spread, off))
        return distance + float(np.log(np.linalg.det(spread))) if distance <= GATE else np.inf

    def add(self, spot: Spot) -> None:
        """Take a spot into the chain."""
        self._filter.update(spot.xy_px.reshape(2, 1), R=_noise_px2(spot))
        self.spots.append(spot)
        self.last_s = spot.time_s


def _new_filter(first: Spot, second: Spot) -> KalmanFilter:
    """Return a filter at the first spot, with the speed of the first two."""
    kalman = KalmanFilter(dim_x=4, dim_z=2)
    step = second.time_s - first.time_s
    velocity = (second.xy_px - first.xy_px) / step
    variance = _noise_px2(first)[0, 0]
    kalman.x = np.array([[first.xy_px[0]], [velocity[0]], [first.xy_px[1]], [velocity[1]]])
    kalman.H = np.array([[1.0, 0.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0]])
    kalman.P = np.diag([variance, 4.0 * variance / step**2] * 2)
    return kalman


def _noise_px2(spot: Spot) -> Floats:
    """Return the covariance (2, 2) of a rough position: wider for streaks and faint spots."""
    length = 2.0 * float(np.linalg.norm(spot.half_px))
    sd = 0.7 + 0.06 * length + 1.5 / max(spot.snr, 1.0)
    return np.eye(2) * sd**2


def _bend_px_s2(speed_px_s: Any, width_px: float) -> Any:
    """Return the acceleration in the picture that perspective can give a steady speed.

    A lens that sees the craft at an angle bends by about v^2 over the width; a craft that comes
    straight on grows faster by its speed over its range each second, which `LOOMING_HZ` bounds.
    """
    return 50.0 + 1.5 * speed_px_s**2 / width_px + LOOMING_HZ * speed_px_s


def _stands(spot: Spot, before: Sequence[Spot]) -> bool:
    """Say whether a spot was there in the frame before: something that changed and stayed."""
    return any(
        float(np.linalg.norm(spot.xy_px - old.xy_px)) < STANDING_PX and _alike(spot, old)
        for old in before
    )


def _alike(one: Spot, other: Spot) -> bool:
    """Say whether two spots could be one lamp, or one dark craft, by their brightness."""
    if one.darker != other.darker:
        return False
    ratio = one.peak / max(other.peak, 1e-9)
    return 1.0 / DIMMER < ratio < DIMMER


def _possible(old: Spot, new: Spot, limits: Limits) -> bool:
    """Say whether a craft could have made these two spots, by place, speed and streak."""
    step = new.time_s - old.time_s
    way = new.xy_px - old.xy_px
    distance = float(np.linalg.norm(way))
    low, high = limits.speed_px_s
    if step <= 0 or not low * step <= distance <= high * step or not _alike(old, new):
        return False
    if any(not _along(spot, way, distance) for spot in (old, new)):
        return False
    return _inside(old, limits.polygon_px) and _inside(new, limits.polygon_px)


def _along(spot: Spot, way: Floats, distance: float) -> bool:
    """Say whether a streak lies along the way and is not longer than the way."""
    half = float(np.linalg.norm(spot.half_px))
    if half < 1.5 * spot.sigma_px + 1.0 or spot.cut:
        return True
    across = abs(float(spot.half_px[0] * way[1] - spot.half_px[1] * way[0]))
    return across <= 0.45 * half * distance + 2.0 * half and 2.0 * half <= 1.3 * distance + 4.0


def _inside(spot: Spot, polygon_px: Floats | None) -> bool:
    """Say whether a spot lies in the strip."""
    if polygon_px is None:
        return True
    outline = np.asarray(polygon_px, dtype=np.float32).reshape(-1, 1, 2)
    place = (float(spot.xy_px[0]), float(spot.xy_px[1]))
    return bool(cv2.pointPolygonTest(outline, place, False) >= 0)


def _nearest(
    spots: Sequence[Spot], free: Sequence[Spot], time_s: float, width_px: float
) -> Spot | None:
    """Return the free spot nearest to where the last two spots point, inside the gate."""
    old, last = spots[-2], spots[-1]
    ahead = (time_s - last.time_s) / (last.time_s - old.time_s)
    velocity = (last.xy_px - old.xy_px) / (last.time_s - old.time_s)
    place = last.xy_px + velocity * (time_s - last.time_s)
    bend = _bend_px_s2(float(np.linalg.norm(velocity)), width_px)
    slack = bend * (time_s - last.time_s) * (time_s - old.time_s)
    known = _noise_px2(last)[0, 0] * (1 + ahead) ** 2 + _noise_px2(old)[0, 0] * ahead**2
    best, best_distance = None, np.inf
    for spot in free:
        distance = float(np.linalg.norm(spot.xy_px - place))
        reach = np.sqrt(GATE * (known + _noise_px2(spot)[0, 0])) + slack
        if distance < min(reach, best_distance) and _alike(last, spot):
            best, best_distance = spot, distance
    return best


def _fresh(spots: Sequence[Spot], recent: Sequence[Sequence[Spot]]) -> bool:
    """Say whether a chain that found nothing may wait: its last spot is of the frame before."""
    return not recent or any(spots[-1] is spot for spot in recent[-1])


def _may_wait(spots: Sequence[Spot], time_s: float) -> bool:
    """Say whether a chain of three may wait for a lamp that blinks."""
    return len(spots) >= 3 and time_s - spots[-1].time_s <= BLINK_S


def _crookedness(spots: Sequence[Spot]) -> float:
    """Return the mean square distance of spots from steady motion."""
    time = np.array([spot.time_s for spot in spots])
    xy = np.array([spot.xy_px for spot in spots])
    basis = np.column_stack([np.ones_like(time), time - time.mean()])
    left = xy - basis @ np.linalg.lstsq(basis, xy, rcond=None)[0]
    return float(np.mean(left**2))
