"""Passes solved with what their clips' sounds say: `use_sound` of a session."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

from vidspeed.agreement.doppler import around_of
from vidspeed.assembly.cameras import Cameras
from vidspeed.assembly.gather import Looked
from vidspeed.assembly.heard import Hearing, listen_for
from vidspeed.assembly.passes import Pass, accounted, held_together, solve_each
from vidspeed.errors import MotionError
from vidspeed.motion.flight import Flight
from vidspeed.motion.sounded import UNLIKELY, with_sounds
from vidspeed.spread.progress import Tell
from vidspeed.values import Check, HeardIn, PassResult, Problem, Session, Told, Value

BEYOND = 0.25  # of the course: a craft that is closest farther outside it is not followed there


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Joint(Value):
    """What was heard of a pass, and what the pass is without it."""

    before: PassResult
    hearing: Hearing


def solve_with_sound(
    session: Session,
    cameras: Cameras,
    clips: Sequence[Looked],
    pool: Executor,
    progress: Tell | None = None,
) -> tuple[list[Pass], list[Problem], list[Joint]]:
    """Solve every pass from its lights, listen to its clips, and solve it with what was heard.

    A sound that does not go with the pictures, but by one chance in a thousand, takes no part.
    """
    each, problems = solve_each(session, cameras, clips, progress)
    looked = {row.clip.name: row for row in clips}
    if progress is not None:
        progress("listening", 0, len(each))
    hearings = listen_for(session, cameras, looked, [row.result for row in each], pool)
    joined = [
        _kept(_joined(session, row, hearing), hearing)
        for row, hearing in zip(each, hearings, strict=True)
    ]
    held, doubts = held_together(session, joined)
    joints = [
        Joint(before=row.result, hearing=hearing)
        for row, hearing in zip(each, hearings, strict=True)
    ]
    return held, problems + doubts, joints


def _joined(session: Session, row: Pass, hearing: Hearing) -> Pass:
    """Return a pass solved with its sounds, with the check row `use_sound`."""
    if row.flight is None:
        return row
    told = _told(row.flight, hearing)
    if not told:
        return _with(row, "ok", "no sound that could take part was heard: the pictures decide")
    names = ", ".join(row.flight.lit[order].clip for order in told)
    air = around_of(session.air, along=1.0, line=session.flight_line)
    try:
        flight, chance = with_sounds(row.flight, told, air)
    except MotionError as error:
        return _with(row, "warn", f"the sound of {names} takes no part: {error}")
    if chance < UNLIKELY:
        said = (
            f"the sound of {names} contradicts the pictures (chance does so in {chance:.1g} of "
            "cases), and takes no part"
        )
        return _with(row, "warn", said)
    result = accounted(session, flight, row.result)
    without, joint = (
        100.0 * (r.speed_U95_mps or 0.0) / (r.speed_mps or 1.0) for r in (row.result, result)
    )
    said = (
        f"speed and closest distance by the sound of {names} take part: "
        f"{3.6 * (row.result.speed_mps or 0.0):.2f} km/h with U95 {without:.2g} % before, "
        f"{joint:.2g} % with them"
    )
    return _with(replace(row, flight=flight, result=result), "ok", said)


def _kept(row: Pass, hearing: Hearing) -> Pass:
    """Return a pass with what was heard of it, to be kept with the results."""
    heard = tuple(
        HeardIn(clip=asked.clip, camera=asked.camera, heard=found) for asked, found in hearing.heard
    )
    return replace(row, result=replace(row.result, heard=heard))


def _told(flight: Flight, hearing: Hearing) -> dict[int, Told]:
    """Return what may take part, by the clip's number in the flight.

    A clip for slow playback has another clock than its sound; and the path is not followed far
    beyond the course.
    """
    places = {lit.clip: order for order, lit in enumerate(flight.lit)}
    beyond = BEYOND * flight.length_m
    return {
        places[asked.clip]: heard.told
        for asked, heard in hearing.heard
        if heard.told is not None
        and asked.within_s is not None
        and asked.clip in places
        and -beyond < asked.near.x_m < flight.length_m + beyond
    }


def _with(row: Pass, status: str, detail: str) -> Pass:
    check = Check(name="use_sound", status="ok" if status == "ok" else "warn", detail=detail)
    return replace(row, result=replace(row.result, checks=(*row.result.checks, check)))
