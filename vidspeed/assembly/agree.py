"""What the light says beside the stamps: exposure, merged frames, slow playback left unsaid.

Adds checks and cross-checks to solved passes, and withholds a speed where light contradicts the
stamps: then `rate_hz` is asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import replace
from functools import partial
from pathlib import Path

from vidspeed.agreement.exposure import (
    check_exposure,
    exposures,
    streak_speed,
    widened,
)
from vidspeed.agreement.frames import SpeedJump, aslant, check_frames, dashed, speed_jumps
from vidspeed.agreement.playback import (
    FACTORS,
    denied_by_exposure,
    denied_by_speed,
    exposure_words,
    faster,
    slow_by_exposure,
    slow_by_speed,
    speed_words,
)
from vidspeed.agreement.readout import check_readout
from vidspeed.assembly.cameras import Cameras
from vidspeed.assembly.gather import Keeping, Looked
from vidspeed.assembly.kept import scan_once
from vidspeed.assembly.passes import Pass
from vidspeed.clip.scan import scan
from vidspeed.errors import ClipError, MotionError, WorkerError
from vidspeed.geometry.course import strip
from vidspeed.motion.choose import Found, one_pass
from vidspeed.motion.pairs import UNNAMED, with_assumed_line
from vidspeed.motion.sift import Seen
from vidspeed.spread.executor import Inline
from vidspeed.spread.progress import Tell, report
from vidspeed.values import Clip, PassResult, Problem, Scan, Session, Strip, Track

JUMP_SLACK_S = 0.35  # a jump this near to a pass's lights is in the pass


def by_light(
    session: Session,
    cameras: Cameras,
    clips: Sequence[Looked],
    solved: Sequence[Pass],
    progress: Tell | None = None,
    pool: Executor | None = None,
    keeping: Keeping | None = None,
) -> tuple[list[Pass], list[Problem]]:
    """Judge solved passes by their light, and look for slow playback where a clip has none.

    Clips are scanned once more in `pool`, or in this process if it is left out, and what is found
    is kept as the first scan's is.
    Returns the passes, those whose speed is withheld without one, and what is to be told.
    """
    looked = {row.clip.name: row for row in clips}
    jumps = {name: speed_jumps(row.view.tracks) for name, row in looked.items()}
    passes: list[Pass] = []
    problems: list[Problem] = []
    told: set[str] = set()
    for row in map(_seen_by_light, solved):
        reason = _against(session, row, looked, jumps)
        if reason is not None:
            problems.append(reason)
            told |= {seen.clip for seen in row.result.sightings}
            passes.append(replace(row, result=_withheld(row.result), flight=None))
        else:
            passes.append(_judged(row, looked))
    used = {seen.clip for row in passes for seen in row.result.sightings}
    for name, clip in looked.items():
        if name not in used | told:
            if progress is not None:
                progress("solving", 0, 0)
            problems += _idle(session, cameras, clip, jumps[name], pool or Inline(), keeping)
    return passes, problems


def _seen_by_light(row: Pass) -> Pass:
    """Return a pass with the exposure that its streaks tell."""
    return row if row.flight is None else replace(row, light=tuple(exposures(row.flight)))


def with_exposure(row: Pass, result: PassResult) -> PassResult:
    """Return the final result of a judged pass: with what a changing exposure leaves open of it."""
    if row.flight is None or row.light is None:
        return result
    return widened(row.flight, result, row.light)


def _judged(row: Pass, looked: dict[str, Looked]) -> Pass:
    """Add what the light says to a pass."""
    if row.flight is None or row.light is None:
        return row
    entries = [looked[lit.clip].clip for lit in row.flight.lit]
    tracks = [looked[lit.clip].view.tracks for lit in row.flight.lit]
    single = [
        None if seen is None or seen.overlong or dashed(lit.track) or aslant(lit.track) else seen
        for seen, lit in zip(row.light, row.flight.lit, strict=True)
    ]
    beside = streak_speed(row.result, single, entries)
    rows_time = check_readout(row.flight)
    result = replace(
        row.result,
        checks=(
            *row.result.checks,
            check_exposure(row.light, entries, row.flight),
            check_frames(row.flight, row.light, tracks),
            *([rows_time] if rows_time else []),
        ),
        cross_checks=(*row.result.cross_checks, *([beside] if beside else [])),
    )
    return replace(row, result=result)


def _against(
    session: Session,
    row: Pass,
    looked: dict[str, Looked],
    jumps: dict[str, list[SpeedJump]],
) -> Problem | None:
    """Return why a pass's speed would be false, None where nothing speaks against its stamps."""
    if row.flight is None or row.light is None:
        return None
    for lit, seen in zip(row.flight.lit, row.light, strict=True):
        entry = looked[lit.clip].clip
        if seen is None or dashed(lit.track) or aslant(lit.track):
            continue
        slow = slow_by_exposure(seen, entry)
        speed_mps = row.result.speed_mps or 0.0
        if slow is not None and not denied_by_speed(session.craft, speed_mps, slow):
            return _error(lit.clip, row.result, exposure_words(seen, entry, slow))
    for sighted in row.result.sightings:
        time_s = sighted.track.time_s[sighted.used]
        for jump in jumps[sighted.clip]:
            if time_s[0] - JUMP_SLACK_S <= jump.time_s <= time_s[-1] + JUMP_SLACK_S:
                return _error(sighted.clip, row.result, jump.words())
    return None


def _error(clip: str, result: PassResult, message: str) -> Problem:
    return Problem(level="error", where=f"{clip}, pass {result.label}", message=message)


def _withheld(result: PassResult) -> PassResult:
    """Return a result without a speed."""
    return PassResult(
        label=result.label,
        flight=result.flight,
        setup=result.setup,
        clips=result.clips,
        status="none",
        recorded=result.recorded,
    )


def _idle(
    session: Session,
    cameras: Cameras,
    row: Looked,
    jumps: Sequence[SpeedJump],
    pool: Executor,
    keeping: Keeping | None,
) -> list[Problem]:
    """Say of a clip that took part in no pass whether it may be stored for slow playback."""
    if row.interval_s is None or row.clip.expect_none:
        return []
    if jumps:
        return [Problem(level="error", where=row.clip.name, message=jumps[0].words())]
    if row.clip.rate_hz is not None:
        return []
    words = _if_faster(session, cameras, row, row.view.tracks)
    if words is None and row.clip.file is not None:
        slow = _slow_tracks(session, cameras, row, pool, keeping)
        words = _if_faster(session, cameras, row, slow)
    return [] if words is None else [Problem(level="error", where=row.clip.name, message=words)]


def _slow_tracks(
    session: Session, cameras: Cameras, row: Looked, pool: Executor, keeping: Keeping | None
) -> tuple[Track, ...]:
    """Scan a clip once more, for lights too slow to be the craft by its stamps."""
    assert row.clip.file is not None
    _, fit = cameras.stands[row.clip.camera]
    low, high = session.craft.speed_mps
    slower = replace(session.craft, speed_mps=(low / FACTORS[-1], high / FACTORS[0]))
    where = strip(session.course, session.flight_line, slower, fit.pose, fit.lens)
    try:
        path = session.path_of(row.clip)
        seen = pool.submit(scan_again, path, row.clip.name, where, keeping).result()
    except (ClipError, WorkerError, OSError, MemoryError):  # said of the clip already, or a guess
        return ()
    return tuple(replace(each, interval_s=seen.facts.interval_s) for each in seen.tracks)


def scan_again(path: Path, name: str, where: Strip | None, keeping: Keeping | None) -> Scan:
    """Scan a clip in another part of the picture: the job that an executor is given."""
    return scan_once(
        None if keeping is None else keeping.folder,
        path,
        rate_hz=None,
        strip=where,
        search=partial(scan, path, strip=where, progress=partial(report, name)),
        fresh=keeping is not None and keeping.fresh,
        clip=name,
    )


def _if_faster(
    session: Session, cameras: Cameras, row: Looked, tracks: Sequence[Track]
) -> str | None:
    """Say whether a light of a clip would be the craft if the clip played faster, None if none.

    Where a light is the craft by the clip's own stamps, these are not in doubt.
    """
    several = len({entry.camera for entry in session.clips}) > 1
    alone = with_assumed_line(session) if several else session
    if _as_if(alone, cameras, row.clip, tracks, 1.0) is not None:
        return None
    for factor in FACTORS:
        found = _as_if(alone, cameras, row.clip, tracks, factor)
        if found is not None and found.result.speed_mps is not None:
            return _slow_words(session, row, found, factor, found.result.speed_mps / factor)
    return None


def _as_if(
    session: Session, cameras: Cameras, clip: Clip, tracks: Sequence[Track], factor: float
) -> Found | None:
    """Solve a clip as if it had been filmed faster; None where that is no whole pass either."""
    stand, _ = cameras.stands[clip.camera]
    seen = Seen(clip=clip, stand=stand, tracks=tuple(faster(track, factor) for track in tracks))
    try:
        found = one_pass(session, [seen], UNNAMED)
    except MotionError:
        return None
    return found if found.result.status == "measured" else None


def _slow_words(
    session: Session, row: Looked, found: Found, factor: float, at_stamps_mps: float
) -> str | None:
    """Return what to tell of a light that would be the craft in a faster clip."""
    seen = exposures(found.flight)[0]
    interval_s = float(row.interval_s or 0.0)
    slow = slow_by_speed(session.craft, at_stamps_mps, interval_s)
    if seen is not None:
        at_stamps = replace(
            seen,
            exposure_s=factor * seen.exposure_s,
            exposure_u_s=factor * seen.exposure_u_s,
            interval_s=interval_s,
        )
        told = slow_by_exposure(at_stamps, row.clip)
        if told is not None:
            return exposure_words(at_stamps, row.clip, told)
        if denied_by_exposure(at_stamps, row.clip, slow):
            return None  # it is something slow, and no craft
    return speed_words(slow, at_stamps_mps)
