"""Long clips of several cameras: which of their passes are one, confirmed by solving them jointly.

Every clip is solved alone first. `vidspeed.motion.match` says which passes belong together; the
joint solution must explain the lights of all cameras, otherwise each stays alone, and it is said.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidspeed.errors import MotionError
from vidspeed.motion.across import strays
from vidspeed.motion.choose import Found, one_pass
from vidspeed.motion.flight import Flight, light_times
from vidspeed.motion.links import Link, Matching, match
from vidspeed.motion.match import Once, Pairing, Reel
from vidspeed.motion.path import basis, basis_rate, places_at
from vidspeed.motion.sift import Seen
from vidspeed.values import Check, Problem, Session, Value

LOUDER = 2.0  # how much more the lights may scatter about the joint flight than about one alone
UNNAMED = "?"  # the label of a pass before it has one
ASSUMED_M = (0.0, 10.0, 4.0, 4.0)  # offset and height with u: to tell passes, never to measure
LISTED = 3  # rival pairings that a message names

Place = tuple[int, int]  # clip, pass of it


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solved(Value):
    """A pass of one clip or several; `order` sorts passes by time as far as that is known."""

    found: Found
    seen: tuple[Seen, ...]
    order: tuple[float, float]


def with_assumed_line(session: Session) -> Session:
    """Return a session in which one camera alone can tell a pass, where no line was stated.

    Its figures serve to match passes; no speed is taken from them.
    """
    if session.flight_line.stated:
        return session
    offset_m, offset_u_m, height_m, height_u_m = ASSUMED_M
    line = replace(
        session.flight_line,
        stated=True,
        offset_m=offset_m,
        offset_u_m=offset_u_m,
        height_m=height_m,
        height_u_m=height_u_m,
    )
    return replace(session, flight_line=line)


def once(found: Found) -> Once:
    """Return a pass of one clip as matching needs it: its mid-course time with its uncertainty."""
    flight, result = found.flight, found.result
    crossing = result.crossings[0]
    assert result.speed_mps is not None and result.speed_u_mps is not None
    return Once(
        direction=flight.direction,
        middle_s=(crossing.time_in_s + crossing.time_out_s) / 2.0,
        middle_u_s=_middle_u_s(flight),
        speed_mps=result.speed_mps,
        speed_u_mps=result.speed_u_mps,
    )


def _middle_u_s(flight: Flight) -> float:
    """Return the uncertainty of the time halfway between the gates, on the clip's clock."""
    xi = places_at(np.array([0.0, flight.length_m]), flight.along)
    slopes = -basis(xi) / (basis_rate(xi) @ flight.along)[:, None]
    traverse = flight.network.traverses[0]
    station = flight.network.stations[traverse.clips[0].station]
    gradient = np.zeros(flight.network.ledger.size)
    gradient[traverse.path][::3] = flight.nominal.duration_s * slopes.mean(axis=0)
    row = np.interp(np.sort(flight.gate_times_s), light_times(flight, 0), flight.lit[0].track.row)
    gradient[station.readout] = -station.readout_u_s * row.mean()
    return float(np.sqrt(gradient @ flight.adjustment.covariance @ gradient))


def reel(seen: Seen, found: Sequence[Found]) -> Reel:
    """Return a clip as matching needs it."""
    camera = seen.stand.camera
    ends = [time for track in seen.tracks for time in (track.time_s[0], track.time_s[-1])]
    return Reel(
        clip=seen.clip.name,
        camera=seen.clip.camera,
        clock_u_ppm=float(np.hypot(camera.clock_u_ppm, camera.clock_ppm)),
        passes=tuple(once(row) for row in found),
        span_s=seen.span_s or (float(min(ends, default=0.0)), float(max(ends, default=0.0))),
    )


def joined(
    session: Session, clips: Sequence[Seen], alone: Sequence[Sequence[Found]]
) -> tuple[list[Solved], list[Problem]]:
    """Solve the passes of clips of several cameras, those that are one jointly.

    `alone` has the passes of each clip as it was solved by itself. Returned in order of time, as
    far as it is known: clips that are not linked follow in the order of the session.
    """
    reels = [reel(row, found) for row, found in zip(clips, alone, strict=True)]
    matching = match(reels, session.syncs, session.course.length_m)
    groups = _groups(reels, matching.links)
    clocks = _clocks(reels, matching.links)
    solved, problems = [], _notes(reels, matching)
    for group in groups:
        try:
            together = [_jointly(session, clips, alone, group)]
        except MotionError as error:
            problems.append(_refuted(reels, group, str(error)))
            together = [(alone[i][k], (clips[i],), (i, k)) for i, k in group]
        for found, seen, (clip, place) in together:
            root, shift_s = clocks[clip]
            order = (float(root), reels[clip].passes[place].middle_s - shift_s)
            solved.append(Solved(found=found, seen=seen, order=order))
    return sorted(solved, key=lambda row: row.order), problems


def _groups(reels: Sequence[Reel], links: Sequence[Link]) -> list[list[Place]]:
    """Return all passes, those that are one in one list; one of each camera at most."""
    groups = [[(i, k)] for i, row in enumerate(reels) for k in range(len(row.passes))]
    for link in links:
        for k, m in link.pairing.pairs:
            one = next(group for group in groups if (link.first, k) in group)
            other = next(group for group in groups if (link.second, m) in group)
            cameras = [reels[i].camera for i, _ in (*one, *other)]
            if one is not other and len(set(cameras)) == len(cameras):
                groups.remove(other)
                one += other
    return [sorted(group) for group in groups]


def _clocks(reels: Sequence[Reel], links: Sequence[Link]) -> list[tuple[int, float]]:
    """Return for each clip the first clip it is linked with, and its time less that one's."""
    clocks = [(index, 0.0) for index in range(len(reels))]
    for _ in links:
        for link in links:
            (one, before_s), (other, after_s) = clocks[link.first], clocks[link.second]
            if one < other:
                clocks[link.second] = (one, before_s + link.pairing.offset_s)
            elif other < one:
                clocks[link.first] = (other, after_s - link.pairing.offset_s)
    return clocks


def _jointly(
    session: Session,
    clips: Sequence[Seen],
    alone: Sequence[Sequence[Found]],
    group: Sequence[Place],
) -> tuple[Found, tuple[Seen, ...], Place]:
    """Solve a group as one pass. Raises MotionError where no one flight explains it."""
    singles = [alone[i][k] for i, k in group]
    if len(group) == 1:
        return singles[0], (clips[group[0][0]],), group[0]
    seen = tuple(
        replace(clips[i], tracks=single.tracks)
        for (i, _), single in zip(group, singles, strict=True)
    )
    found = one_pass(session, seen, UNNAMED)
    _confirm(found, singles)
    beside = [row for single in singles for row in single.result.checks if _tells_others(row)]
    result = replace(found.result, checks=(*found.result.checks, *beside[:1]))
    return replace(found, result=result), seen, group[0]


def _tells_others(check: Check) -> bool:
    """Tell whether a check names another craft, whose track the joint solution does not get."""
    return check.name == "candidates" and check.status == "warn"


def _confirm(found: Found, singles: Sequence[Found]) -> None:
    """Raise MotionError where a joint solution explains its passes too badly to be believed.

    Judged are what was known of the path beforehand, by chi-square, and the scatter of each
    clip's lights against that about its own flight.
    """
    if strays(found.flight):
        raise MotionError("the path would have to be one that the flight line excludes")
    for row, single in zip(found.result.sightings, singles, strict=True):
        if row.noise_scale > LOUDER * single.result.sightings[0].noise_scale:
            raise MotionError(f"the lights of {row.clip} would lie far from it")


def _moments(reels: Sequence[Reel], group: Sequence[Place]) -> str:
    return " and ".join(f"{reels[i].clip} at {reels[i].passes[k].middle_s:.2f} s" for i, k in group)


def _refuted(reels: Sequence[Reel], group: Sequence[Place], why: str) -> Problem:
    message = (
        f"by their times one pass, but no one flight explains both ({why}); they are measured "
        "each alone: look at the flight line, the picks and the track pictures, or give clips "
        "that show the same pass one `pass` label"
    )
    return Problem(level="warn", where=_moments(reels, group), message=message)


def _notes(reels: Sequence[Reel], matching: Matching) -> list[Problem]:
    """Return what is to be said of passes that could not be paired."""
    if matching.doubts:
        return [_doubt(reels, matching)]
    flown = [row for row in reels if row.passes]
    if matching.links or len({row.camera for row in flown}) < 2:
        return []
    message = (
        "no pass of one camera fits one of another by direction, speed and interval; they are "
        "measured each alone: give clips that show one pass the same `pass` label"
    )
    return [Problem(level="warn", where=", ".join(row.clip for row in flown), message=message)]


def _doubt(reels: Sequence[Reel], matching: Matching) -> Problem:
    """Say which pairings fit of which none is sure, and what decides."""
    clips = sorted({index for first, second, _ in matching.doubts for index in (first, second)})
    options = [line for doubt in matching.doubts for line in _options(reels, *doubt)]
    shown = "; or ".join(options[:LISTED])
    more = f"; and {len(options) - LISTED} more" if len(options) > LISTED else ""
    message = (
        f"passes of different cameras can be paired, but not surely: {shown}{more}. They are "
        "measured each alone; give clips that show one pass the same `pass` label (cut a long "
        "clip to its passes), or state an event that both clips show as [[sync]]"
    )
    return Problem(
        level="warn", where=", ".join(reels[index].clip for index in clips), message=message
    )


def _options(
    reels: Sequence[Reel], first: int, second: int, found: Sequence[Pairing]
) -> Iterator[str]:
    for row in found:
        pairs = ", ".join(
            f"{reels[first].passes[i].middle_s:.2f} s with {reels[second].passes[j].middle_s:.2f} s"
            for i, j in row.pairs
        )
        yield f"{reels[first].clip} and {reels[second].clip}: {pairs}"
