"""Wait for the next flash: pairs and single lights of a lamp that is dark most of the time.

A lamp that flashes may be lit in one or two frames at a time, too few to be followed from frame to
frame. Where hardly anything else stands out, such lights rest for as long as a confirmed chain
would coast, and are taken up again where the next flash lies on their way.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence, Set
from heapq import nlargest
from itertools import chain, pairwise

from vidspeed.clip.spots.lights import Spot
from vidspeed.clip.spots.moves import GATE, Limits, alike, bend_px_s2, possible, variance_px2

REST_S = 0.25  # how long lights wait for the next flash
LATELY_S = 0.5
RARE = 6  # so many spots as strong, at most, were free lately: else they may be noise
EQUAL = 3.0  # factor by which the brightness changes from flash to flash, at most
CROWD = 12  # chains that end at once, of which none may rest: they are noise, too
MOST_RESTING = 64
BENDS = 0.3  # of the way through the dark by which perspective may bend it, at most


class Blinks:
    """Lights that wait for the next flash; state that `offer` moves on."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._resting: list[list[Spot]] = []
        self._lone: list[Spot] = []
        self._lately: deque[tuple[float, list[float]]] = deque()  # strengths of free spots by frame

    def offer(
        self, time_s: float, free: Sequence[Spot], dropped: Sequence[list[Spot]]
    ) -> list[list[Spot]]:
        """Take the free spots of a frame and the chains that found none; return longer chains."""
        self._resting = [spots for spots in self._resting if _rests(spots[-1], time_s)]
        self._lone = [spot for spot in self._lone if _rests(spot, time_s)]
        self._lately.append((time_s, [spot.snr for spot in free]))
        while time_s - self._lately[0][0] > LATELY_S:
            self._lately.popleft()
        usual = self._usual() if free or dropped else math.inf
        rests = [spots for spots in dropped if all(spot.snr > usual for spot in spots[-2:])]
        if len(rests) <= CROWD:
            self._resting += rests
        rare = [spot for spot in free if spot.snr > usual]
        if not rare:
            return []
        matches = [(spots, self._next(spots, rare)) for spots in self._resting]
        pairs = [
            [old, new]
            for old in self._lone
            for new in rare
            if new.frame - old.frame > 2 and _equal(old, new) and possible(old, new, self._limits)
        ]
        self._resting = [*self._resting, *pairs][-MOST_RESTING:]
        self._lone += rare
        return [[*spots, match] for spots, match in matches if match is not None]

    def _usual(self) -> float:
        """Return the strength that more than `RARE` free spots reached lately."""
        strengths = chain.from_iterable(strengths for _, strengths in self._lately)
        strongest = nlargest(RARE + 1, strengths)
        return strongest[-1] if len(strongest) > RARE else -math.inf

    def forget(self, used: Set[int]) -> None:
        """Let go of lights that a chain has taken, by their identities."""
        self._lone = [spot for spot in self._lone if id(spot) not in used]
        self._resting = [
            spots for spots in self._resting if not any(id(spot) in used for spot in spots)
        ]

    def _next(self, spots: Sequence[Spot], free: Sequence[Spot]) -> Spot | None:
        """Return the free spot that lies nearest to where resting lights are by now."""
        old, last = spots[0], spots[-1]
        velocity = (last.xy_px - old.xy_px) / (last.time_s - old.time_s)
        speed = math.hypot(*velocity.tolist())
        step = free[0].time_s - last.time_s
        ahead = step / (last.time_s - old.time_s)
        known = variance_px2(last) * (1.0 + ahead) ** 2 + variance_px2(old) * ahead**2
        bend = bend_px_s2(speed, self._limits.width_px) * step * (step + last.time_s - old.time_s)
        slack = min(bend, BENDS * speed * step)
        near = [spot for spot in free if _equal(last, spot)]
        off = [math.dist(spot.xy_px, last.xy_px + velocity * step) for spot in near]
        within = [
            (distance, k)
            for k, (distance, spot) in enumerate(zip(off, near, strict=True))
            if distance < math.sqrt(GATE * (known + variance_px2(spot))) + slack
        ]
        return near[min(within)[1]] if within else None


def waited(spots: Sequence[Spot], usual_s: float) -> bool:
    """Say whether a chain is one that rested: on a pair, on a single light, or unusually long."""
    early = any(new.frame - old.frame > 2 for old, new in pairwise(spots[:3]))
    return early or any(new.time_s - old.time_s > usual_s for old, new in pairwise(spots))


def _equal(one: Spot, other: Spot) -> bool:
    """Say whether two spots could be two flashes of one lamp, by their brightness."""
    return alike(one, other) and 1.0 / EQUAL < one.peak / max(other.peak, 1e-9) < EQUAL


def _rests(spot: Spot, time_s: float) -> bool:
    return time_s - spot.time_s <= REST_S
