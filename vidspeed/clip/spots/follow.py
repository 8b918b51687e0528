"""Decide which spots of successive frames belong together (Kalman filter by filterpy).

The filter only decides: positions in the picture are predicted from the frames' true times and
compared with the spots through chi-square gates, over all spots at once. No filtered position
leaves this module; the spots themselves do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from vidspeed.clip.spots.blinks import Blinks, waited
from vidspeed.clip.spots.kalman import kalman_filter
from vidspeed.clip.spots.lights import Spot
from vidspeed.clip.spots.moves import (
    GATE,
    ROUGH_PX,
    Limits,
    alike,
    bend_px_s2,
    dims,
    hidden_px,
    is_flight,
    is_rough_flight,
    keeps_its_way,
    on_its_way,
    possible,
    stands,
    steady_runs,
    variance_px2,
    without_stragglers,
)
from vidspeed.clip.spots.pairing import pairs_of
from vidspeed.clip.spots.parted import parted
from vidspeed.values import Bools, Floats

COAST_S = 0.25  # a confirmed chain bridges a gap of this length
BLINK_S = 0.12  # a chain of three that is not confirmed yet waits for so long
CONFIRM_SPOTS = 4  # that make a chain; between two of them one frame may be without
BLINK_SPOTS = 5  # that make one of a lamp of which single lights or pairs waited for the next flash
CLEARLY_PX = 2.0  # by which half a streak is shorter than those before where a part is hidden
HIDDEN = 0.5  # of the square of what is hidden is the variance that it brings
MOST_TENTATIVE = 400
LOOKED_AT = (7, 9, 12, 16, 22, 30, 45, 70)  # spots of a chain at which its way is looked at
MATURE = 9  # spots from which a chain says itself how much its way bends
LATELY = 25  # spots, at most, by which it says so
SIDEWAYS = 0.35  # of the acceleration along the way that a younger chain may have across it


class Follower:
    """Chains of spots, growing frame by frame; state that `offer` moves on."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self._chains: list[_Chain] = []
        self._tentative: list[list[Spot]] = []
        self._blinks = Blinks(limits)
        self._recent: list[list[Spot]] = []  # free spots of the last two frames
        self._before: list[Spot] = []  # and of the last one, with those that stand still

    @property
    def busy(self) -> bool:
        """Tell whether something is followed now."""
        return bool(self._chains)

    def offer(self, time_s: float, spots: Sequence[Spot]) -> list[list[Spot]]:
        """Take the spots of the next frame; return the chains that have ended."""
        taken = self._extend_chains(time_s, spots)
        free = [spot for spot, is_taken in zip(spots, taken, strict=True) if not is_taken]
        standing, self._before = [stands(spot, self._before) for spot in free], free
        free = [spot for spot, stands in zip(free, standing, strict=True) if not stands]
        self._extend_tentative(time_s, free)
        self._give_birth(free)
        self._confirm()
        self._recent = [*self._recent[-1:], free]
        over = [chain.lost or time_s - chain.last_s > COAST_S for chain in self._chains]
        ended = [chain for chain, is_over in zip(self._chains, over, strict=True) if is_over]
        self._chains = [
            chain for chain, is_over in zip(self._chains, over, strict=True) if not is_over
        ]
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
        for row, column in pairs_of(costs):
            self._chains[row].add(spots[column])
            taken[column] = True
        return taken

    def _extend_tentative(self, time_s: float, free: Sequence[Spot]) -> None:
        """Lengthen the tentative chains; one that finds nothing may wait a little."""
        kept, dropped = [], []
        for spots in self._tentative:
            match = _nearest(spots, free, time_s, self.limits.width_px)
            if match is not None:
                kept.append([*spots, match])
            elif _fresh(spots, self._recent) or _may_wait(spots, time_s):
                kept.append(spots)
            else:
                dropped.append(spots)
        self._tentative = [*kept, *self._blinks.offer(time_s, free, dropped)]

    def _give_birth(self, free: Sequence[Spot]) -> None:
        """Begin a tentative chain from every pair of spots that a craft could have made."""
        used = {id(spot) for spots in self._tentative for spot in spots[-2:]}
        for old, new in self._far_enough_apart(free):
            if len(self._tentative) >= MOST_TENTATIVE:
                return
            both_used = id(old) in used and id(new) in used
            if not both_used and possible(old, new, self.limits):
                self._tentative.append([old, new])

    def _far_enough_apart(self, free: Sequence[Spot]) -> list[tuple[Spot, Spot]]:
        """Return the pairs of a recent spot and a free one whose distance a craft could fly."""
        low, high = self.limits.speed_px_s
        places = [spot.xy_px.tolist() for spot in free]
        found = []
        for old in [spot for before in self._recent for spot in before]:
            place = old.xy_px.tolist()
            for new, there in zip(free, places, strict=True):
                step = new.time_s - old.time_s
                if 0.999 * low * step <= math.dist(place, there) <= 1.001 * high * step:
                    found.append((old, new))
        return found

    def _confirm(self) -> None:
        """Turn tentative chains that are long enough into chains, the straightest first."""
        ready = [spots for spots in self._tentative if _is_long(spots)]
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
        self._blinks.forget(used)

    def _flights(self, spots: list[Spot]) -> list[list[Spot]]:
        """Return a chain if it could be a craft, else those of its steady runs that could.

        A chain of noise that a craft flew into is no flight, its last run is.
        """
        spots = parted(spots)
        kept = on_its_way(spots)
        for flight in (kept, without_stragglers(kept)):
            if self._is_flight(flight):
                return [flight]
        runs = (on_its_way(run) for run in steady_runs(spots))
        flights = [run for run in runs if self._is_flight(run)]
        return flights or ([kept] if is_rough_flight(kept, self.limits) else [])

    def _is_flight(self, spots: Sequence[Spot]) -> bool:
        """Say whether spots could be a craft."""
        xy = np.array([spot.xy_px for spot in spots])
        time = np.array([spot.time_s for spot in spots])
        frame = np.array([spot.frame for spot in spots])
        return is_flight(frame, time, xy, self.limits, hidden_px(spots))


class _Chain:
    """A confirmed chain and its filter: state x, vx, y, vy in pixels and px/s."""

    def __init__(self, spots: Sequence[Spot], width_px: float) -> None:
        self.spots = [spots[0]]
        self._halves = [math.hypot(*spots[0].half_px.tolist())]
        self.lost = False  # it wanders from spot to spot of noise
        self.last_s = spots[0].time_s
        self._now_s = self.last_s
        self._width_px = width_px
        self._bend, self._seen_bend = 0.0, 0
        self._filter = _new_filter(spots[0], spots[1])
        for spot in spots[1:]:
            self.predict(spot.time_s)
            self.add(spot)

    def predict(self, time_s: float) -> None:
        """Move the filter on to a moment."""
        step = time_s - self._now_s
        self._now_s = time_s
        move = np.eye(4)
        move[0, 1] = move[2, 3] = step
        shake = np.array([[step**4 / 4, step**3 / 2], [step**3 / 2, step**2]])
        spread = (self._bending()[:, None, :, None] * shake[:, None]).reshape(4, 4)
        self._filter.predict(F=move, Q=spread)

    def _bending(self) -> Floats:
        """Return the covariance (2, 2) of the acceleration: little across, as ways are straight.

        A chain that is long enough says itself how much its way bends.
        """
        velocity = self._filter.x[[1, 3], 0]
        speed = float(np.hypot(*velocity))
        if len(self.spots) < MATURE:
            along = bend_px_s2(speed, self._width_px)
            across = SIDEWAYS * along
        else:
            if self._seen_bend != len(self.spots):
                self._bend, self._seen_bend = _acceleration(self.spots[-LATELY:]), len(self.spots)
            most = bend_px_s2(speed, self._width_px)
            own = 50.0 + min(self._bend, most)
            along = own + 0.5 * speed**2 / self._width_px
            if len(self.spots) >= LATELY:  # no noise: it may come nearer faster and faster
                along = max(along, most)
            across = 0.5 * own + 0.1 * speed**2 / self._width_px
        ahead = velocity / max(speed, 1e-9)
        aside = np.array([-ahead[1], ahead[0]])
        return np.asarray(along**2 * np.outer(ahead, ahead) + across**2 * np.outer(aside, aside))

    def cost(self, spot: Spot) -> float:
        """Return the normalised distance of a spot from the prediction; infinite outside."""
        if not alike(self.spots[-1], spot) or dims(self.spots, spot):
            return np.inf
        noise, known, now = self._variance_px2(spot), self._filter.P, self._filter.x
        xx, yy, xy = known[0, 0] + noise, known[2, 2] + noise, known[0, 2]
        dx, dy = spot.xy_px[0] - now[0, 0], spot.xy_px[1] - now[2, 0]
        area = xx * yy - xy * xy
        distance = float((yy * dx * dx - 2.0 * xy * dx * dy + xx * dy * dy) / area)
        return distance + math.log(area) if distance <= GATE else math.inf

    def _variance_px2(self, spot: Spot) -> float:
        """Return the variance of a spot's place: more where only a part of a streak is seen.

        No streak is longer than its way in a frame: what is, was joined to another's light.
        """
        half = math.hypot(*spot.half_px.tolist())
        whole = min(max(self._halves[-LATELY:]), self._half_way_px(spot))
        hidden = max(whole - half - CLEARLY_PX, 0.0)
        return variance_px2(spot) + HIDDEN * hidden**2

    def _half_way_px(self, spot: Spot) -> float:
        """Return half of how far the light flies from one frame to the next."""
        last = self.spots[-1]
        interval_s = (spot.time_s - last.time_s) / max(spot.frame - last.frame, 1)
        return 0.5 * interval_s * math.hypot(*self._filter.x[[1, 3], 0].tolist())

    def add(self, spot: Spot) -> None:
        """Take a spot into the chain."""
        noise = np.eye(2) * self._variance_px2(spot)
        self._filter.update(spot.xy_px.reshape(2, 1), R=noise)
        self.spots.append(spot)
        self._halves.append(math.hypot(*spot.half_px.tolist()))
        self.last_s = spot.time_s
        if len(self.spots) in LOOKED_AT:
            self.lost = self.lost or not keeps_its_way(self.spots)


def _new_filter(first: Spot, second: Spot) -> Any:
    """Return a filter at the first spot, with the speed of the first two."""
    kalman = kalman_filter()(dim_x=4, dim_z=2)
    step = second.time_s - first.time_s
    velocity = (second.xy_px - first.xy_px) / step
    variance = _noise_px2(first)[0, 0]
    kalman.x = np.array([[first.xy_px[0]], [velocity[0]], [first.xy_px[1]], [velocity[1]]])
    kalman.H = np.array([[1.0, 0.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0]])
    kalman.P = np.diag([variance, 4.0 * variance / step**2] * 2)
    return kalman


def _acceleration(spots: Sequence[Spot]) -> float:
    """Return the acceleration of a few spots, px/s2: twice what is sure of it, and what is not.

    A steady acceleration that few spots cannot tell from noise still leads a filter astray.
    """
    time = np.array([spot.time_s for spot in spots])
    xy = np.array([spot.xy_px for spot in spots])
    tau = time - time.mean()
    basis = np.vander(tau, 3, increasing=True)
    found = np.abs(2.0 * np.linalg.lstsq(basis, xy, rcond=None)[0][2])
    doubt = 2.0 * ROUGH_PX / max(float(np.ptp(time)), 1e-6) ** 2
    return float(2.0 * np.hypot(*np.maximum(found - doubt, 0.0)) + doubt)


def _noise_px2(spot: Spot) -> Floats:
    """Return the covariance (2, 2) of a rough position: wider for streaks and faint spots."""
    return np.eye(2) * variance_px2(spot)


def _nearest(
    spots: Sequence[Spot], free: Sequence[Spot], time_s: float, width_px: float
) -> Spot | None:
    """Return the free spot nearest to where the last two spots point, inside the gate."""
    old, last = spots[-2], spots[-1]
    gone, step = last.time_s - old.time_s, time_s - last.time_s
    ahead = step / gone
    (old_x, old_y), (x, y) = old.xy_px.tolist(), last.xy_px.tolist()
    across, down = (x - old_x) / gone, (y - old_y) / gone
    place = x + across * step, y + down * step
    slack = bend_px_s2(math.hypot(across, down), width_px) * step * (time_s - old.time_s)
    known = variance_px2(last) * (1 + ahead) ** 2 + variance_px2(old) * ahead**2
    best, best_distance = None, math.inf
    for spot in free:
        distance = math.dist(spot.xy_px.tolist(), place)
        if distance >= best_distance:
            continue
        reach = math.sqrt(GATE * (known + variance_px2(spot))) + slack
        if distance < reach and alike(last, spot) and not dims(spots, spot):
            best, best_distance = spot, distance
    return best


def _fresh(spots: Sequence[Spot], recent: Sequence[Sequence[Spot]]) -> bool:
    """Say whether a chain that found nothing may wait: its last spot is of the frame before."""
    return not recent or any(spots[-1] is spot for spot in recent[-1])


def _may_wait(spots: Sequence[Spot], time_s: float) -> bool:
    """Say whether a chain of three may wait for a lamp that blinks."""
    return len(spots) >= 3 and time_s - spots[-1].time_s <= BLINK_S


def _is_long(spots: Sequence[Spot]) -> bool:
    """Say whether a tentative chain is long enough to be one."""
    return len(spots) >= (BLINK_SPOTS if waited(spots, BLINK_S) else CONFIRM_SPOTS)


def _crookedness(spots: Sequence[Spot]) -> float:
    """Return the mean square distance of spots from steady motion."""
    time = np.array([spot.time_s for spot in spots])
    xy = np.array([spot.xy_px for spot in spots])
    basis = np.column_stack([np.ones_like(time), time - time.mean()])
    left = xy - basis @ np.linalg.lstsq(basis, xy, rcond=None)[0]
    return float(np.mean(left**2))
