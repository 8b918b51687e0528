"""Halves of a flight on both sides of a long gap, joined where one solved flight explains both.

Across a tree near the camera no smooth way in the picture tells that a track goes on; the flight
does, with all that is known of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from itertools import permutations

import numpy as np

from vidspeed.chance import chi2_isf
from vidspeed.errors import MotionError
from vidspeed.motion.flight import Flight, Lit, flight_residuals, solve
from vidspeed.motion.halves import LEAST_NEAR, MOST_GAP_S, chains, gap_s, is_part, joined, together
from vidspeed.motion.sift import LEAST_LIGHTS, Seen, laid, may_be_craft
from vidspeed.motion.start import Sketch
from vidspeed.values import Session, Track

UNLIKELY = 1e-4  # probability of a joint solution's misfit below which it is not believed
LOUDER = 1.3  # how much more each half may scatter about the flight of both than about its own
MOST_REFUSED = 6  # pairs of a clip that are no flight, after which no more are solved
LEAST_KEPT = 0.8  # of the lights of each half that the flight of both must explain
ALIKE_PEAK = 3.0  # ratio of the two halves' brightness: more is a lamp and its image


def spanning(session: Session, seen: Seen) -> list[Track]:
    """Return the tracks of a clip that are made of parts far apart which one flight explains.

    Each part is followed by the one that continues it most steadily, and follows at most one.
    """
    near = joined(seen.tracks)
    pool = [*near, *(row for row in seen.tracks if not any(is_part(row, it) for it in near))]
    follower: dict[int, int] = {}
    refused = 0
    for number, after, whole in _pairs(session, seen, pool):
        if number in follower or after in follower.values():
            continue
        if _is_one_flight(session, seen, (pool[number], pool[after]), whole):
            follower[number] = after
        else:
            refused += 1
        if refused >= MOST_REFUSED:
            break
    return [together([pool[number] for number in chain]) for chain in chains(follower)]


def _pairs(session: Session, seen: Seen, pool: Sequence[Track]) -> Iterator[tuple[int, int, Track]]:
    """Yield which track may follow on which within a crossing, and both as one: steadiest first."""
    flying = [
        (number, laid(session, seen, track))
        for number, track in enumerate(pool)
        if len(track) >= LEAST_NEAR
    ]
    found = []
    for (number, first), (after, second) in permutations(flying, 2):
        one, other = pool[number], pool[after]
        if gap_s(one, other) <= MOST_GAP_S or not _at_one_time(session, first, second):
            continue
        whole = together([one, other])
        along = laid(session, seen, whole)
        soon = gap_s(one, other) * abs(along.speed_mps) <= session.course.length_m
        if soon and _alike(one, other) and may_be_craft(session, seen, whole):
            found.append((along.scatter_m, number, after, whole))
    yield from (row[1:] for row in sorted(found, key=lambda row: row[:3]))


def _at_one_time(session: Session, one: Sketch, other: Sketch) -> bool:
    """Tell whether two sketches fly one way, and are at mid-course at about the same time."""
    speed = min(abs(one.speed_mps), abs(other.speed_mps))
    apart_m = abs(one.middle_s - other.middle_s) * speed
    return one.speed_mps * other.speed_mps > 0.0 and apart_m <= session.course.length_m / 2.0


def _alike(one: Track, other: Track) -> bool:
    """Tell whether two tracks are about equally bright, as far as that is known."""
    ratio = float(np.median(np.abs(one.peak)) / np.median(np.abs(other.peak)))
    return not (ratio > ALIKE_PEAK or ratio < 1.0 / ALIKE_PEAK)


def _is_one_flight(session: Session, seen: Seen, halves: tuple[Track, Track], whole: Track) -> bool:
    """Tell whether one flight explains two halves about as well as each is explained by itself."""
    alone = [_flight(session, seen, half) for half in halves]
    flight = _flight(session, seen, whole) if any(alone) else None
    if flight is None or strays(flight):
        return False
    loudest = max(np.sqrt(row.noise[0].scale) for row in alone if row is not None)
    white = flight_residuals(flight, 0)[0] * np.sqrt(flight.noise[0].variance_factor)
    first = np.arange(len(whole)) < len(halves[0])
    for half, own, mine in zip(halves, alone, (first, ~first), strict=True):
        explained = mine[flight.used[0]]
        needed = len(half) if own is None else int(own.used[0].sum())
        if explained.sum() < LEAST_KEPT * needed:
            return False
        if np.sqrt(np.mean(white[explained] ** 2)) > LOUDER * loudest:
            return False
    return True


def _flight(session: Session, seen: Seen, track: Track) -> Flight | None:
    """Return a track as a flight by itself, None where it is none or has too few lights."""
    if len(track) >= LEAST_LIGHTS:
        with suppress(MotionError):
            lit = Lit(clip=seen.clip.name, stand=seen.stand, track=track)
            return solve(session, [lit], "?")
    return None


def strays(flight: Flight) -> bool:
    """Tell whether a flight is far from what was known of its path beforehand, by chi-square."""
    own = [
        left
        for entry, left in zip(flight.network.inputs(), flight.adjustment.residuals, strict=True)
        if entry.owner.startswith("pass ") and entry.source != "light positions"
    ]
    return bool(np.sum(np.square(own)) > chi2_isf(UNLIKELY, len(own)))
