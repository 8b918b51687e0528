"""One pass for its page: solved by itself, with what else in its clips might be the craft.

Only the clips that bear on the pass are looked at, from what is kept of them, so that it is solved
again in well under a second. All of it runs in a worker process, which remembers what it looked at.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from vidspeed.assembly.agree import by_light, with_exposure
from vidspeed.assembly.cameras import Cameras, calibrate_all
from vidspeed.assembly.dismissed import with_dismissed
from vidspeed.assembly.drive import drive_of
from vidspeed.assembly.filming import lanes_of
from vidspeed.assembly.gather import Keeping, Looked, undismissed, with_intervals
from vidspeed.assembly.heights import with_heights
from vidspeed.assembly.looking import look_within_bounds
from vidspeed.assembly.passes import Pass, solve_passes
from vidspeed.assembly.reading import read_session
from vidspeed.desk.candidates import Candidate, candidates, middles
from vidspeed.desk.sources import SESSION
from vidspeed.motion.choose import relabelled
from vidspeed.motion.flight import Flight
from vidspeed.motion.montecarlo import beyond_first_order, curvature
from vidspeed.values import Check, Choice, Clip, PassResult, Problem, Session, Value
from vidspeed.values.pictured import Lane

REMEMBERED = 12  # clips that a worker keeps in mind

_looked: OrderedDict[str, Looked] = OrderedDict()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wanted(Value):
    """Which pass: its label and clips, when its first clip saw it, and its cameras' intervals."""

    label: str
    clips: tuple[str, ...]
    time_s: float | None
    intervals_s: Mapping[str, float]
    linked: tuple[str, ...] = ()  # clips of the same passes, and so on

    def at(self, time_s: float) -> Wanted:
        """Return the same pass, seen at another time."""
        return replace(self, time_s=time_s)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shown(Value):
    """A pass as its page shows it; `result` None where its clips hold no such pass any more.

    `others` are lights, by clip, of further passes that the same clips hold; `chosen` tells whether
    a `choose` of the session decided; `lanes` say where each clip shows the path, `darker` whether
    the craft is darker there than what is behind it.
    """

    result: PassResult | None
    candidates: tuple[Candidate, ...]
    problems: tuple[Problem, ...]
    others: Mapping[str, tuple[Choice, ...]]
    chosen: bool
    dismissed: tuple[tuple[str, int], ...]  # how many lights of its clips are stated as dismissed
    length_m: float  # of the course
    without_sound: bool  # a run would solve it with its sound
    lanes: tuple[Lane, ...] = ()
    darker: tuple[bool, ...] = ()


def solved(folder: Path, wanted: Wanted) -> Shown:
    """Solve one pass of the session in `folder` as it stands now.

    The figures are those that a run would give it, but for other ways to its speed (sound, records,
    other cameras alone), which are not asked.

    Raises VidspeedError where the session is wrong or a clip cannot be looked at.
    """
    session = read_session(folder)
    names = together(session, wanted)
    part = replace(session, clips=tuple(clip for clip in session.clips if clip.name in names))
    cameras = calibrate_all(part)
    clips = [look_once(folder, part, cameras, clip) for clip in part.clips]
    cameras = with_intervals(cameras, clips, wanted.intervals_s)
    there = [row for row in clips if row.interval_s is not None]
    flown = [row for row in there if _flown(part, row.clip)]
    passes, problems = solve_passes(part, cameras, flown)
    mine = _meant(passes, wanted)
    rest = [row for row in passes if mine is None or row.flight is not mine.flight]
    if mine is not None and mine.flight is not None:
        mine, doubts = _finished(part, cameras, there, mine)
        problems += doubts
    lanes, darker = _lanes(mine, clips)
    told = [problem for row in clips for problem in row.problems]
    return Shown(
        result=None if mine is None else mine.result,
        candidates=tuple(candidates(part, cameras, there, mine, rest)),
        problems=(*told, *problems),
        others=middles(rest),
        chosen=any(clip.choose for clip in part.clips),
        dismissed=tuple((clip.name, len(clip.dismiss)) for clip in part.clips if clip.dismiss),
        length_m=session.course.length_m,
        without_sound=session.use_sound,
        lanes=lanes,
        darker=darker,
    )


def together(session: Session, wanted: Wanted) -> set[str]:
    """Return the clips that bear on a pass: those of its label, and those linked with its own."""
    mine = {clip.name for clip in session.clips if clip.name in wanted.clips}
    labels = {clip.pass_label for clip in session.clips if clip.name in mine} - {None}
    labelled = {clip.name for clip in session.clips if clip.pass_label in labels}
    free = {
        clip.name
        for clip in session.clips
        if clip.pass_label is None and clip.name in wanted.linked and _flown(session, clip)
    }
    return mine | labelled | free


def linked(passes: Sequence[Mapping[str, Any]], clips: Sequence[str]) -> tuple[str, ...]:
    """Return clips and whatever shares a pass with one of them, over any number of passes.

    `passes` are rows of summary.json. Clips of several cameras that hold several passes are solved
    with one time offset, so that one of them bears on all.
    """
    found = set(clips)
    while more := [
        row for row in passes if found & set(row["clips"]) and set(row["clips"]) - found
    ]:
        found.update(*(row["clips"] for row in more))
    return tuple(sorted(found))


def _flown(session: Session, clip: Clip) -> bool:
    return drive_of(session, clip) is None and not clip.expect_none


def forget() -> None:
    """Forget what was looked at."""
    _looked.clear()


def look_once(folder: Path, session: Session, cameras: Cameras, clip: Clip) -> Looked:
    """Look at a clip, or remember it; what was dismissed in it changes nothing there."""
    plain = replace(clip, dismiss=())
    key = _key(folder, session, clip)
    found = _looked.pop(key, None)
    if found is None:
        found = look_within_bounds(session, cameras, plain, Keeping(folder=folder))
    _looked[key] = found
    while len(_looked) > REMEMBERED:
        _looked.popitem(last=False)
    return undismissed(replace(found, clip=clip))


def _key(folder: Path, session: Session, clip: Clip) -> str:
    """Return what decides about what is seen in a clip: its file, and the session around it."""
    text = (folder / SESSION).read_text(encoding="utf-8", errors="replace")
    try:
        said = tomllib.loads(text)
    except ValueError:  # written in another encoding
        said = {"text": text}
    for row in said.get("clip", ()):
        row.pop("dismiss", None)
    files = [(row.file, row.sha256) for row in session.inputs if row.file != SESSION]
    path = folder / clip.track if clip.track is not None else session.path_of(clip)
    at = (path.stat().st_mtime_ns, path.stat().st_size) if path.is_file() else None
    told = json.dumps([clip.name, said, files, at], default=str, sort_keys=True)
    return hashlib.sha256(told.encode("utf-8")).hexdigest()


def _finished(
    session: Session, cameras: Cameras, clips: Sequence[Looked], mine: Pass
) -> tuple[Pass, list[Problem]]:
    """Judge a solved pass as a run does, but draw nothing: that would take seconds."""
    assert mine.flight is not None
    used = {lit.clip for lit in mine.flight.lit}
    judged, doubts = by_light(
        session, cameras, [row for row in clips if row.clip.name in used], [mine]
    )
    row = with_heights(judged[0])
    if row.flight is None:
        return row, doubts
    result = with_exposure(row, _beyond_first_order(row.flight, row.result))
    parted = {each.clip.name: each.parted for each in clips if each.parted}
    (result,) = with_dismissed(session, parted, {result.label: row.flight}, [result])
    return replace(row, result=result), doubts


def _beyond_first_order(flight: Flight, result: PassResult) -> PassResult:
    """Look beyond first order; where that is needed, say that a run draws."""
    if curvature(flight, result).linear:
        return beyond_first_order(flight, result)
    detail = "first order does not describe this pass: U95 is worked out anew when all is measured"
    return replace(
        result, checks=(*result.checks, Check(name="linear", status="warn", detail=detail))
    )


def _meant(passes: Sequence[Pass], wanted: Wanted) -> Pass | None:
    """Return the pass that is wanted under its label: of its clips the one nearest in time."""
    mine = [row for row in passes if set(row.result.clips) & set(wanted.clips)]
    flown = [row for row in mine if row.result.crossings]

    def away_s(row: Pass) -> float:
        times = [at.time_in_s for at in row.result.crossings if at.clip == wanted.clips[0]]
        return abs(times[0] - wanted.time_s) if times and wanted.time_s is not None else 1e9

    found = min(flown, key=away_s) if flown else next(iter(mine), None)
    if found is None:
        return None
    result = found.result
    if result.label != wanted.label:
        result = relabelled(result, wanted.label)
    return replace(found, result=result)


def _lanes(mine: Pass | None, clips: Sequence[Looked]) -> tuple[tuple[Lane, ...], tuple[bool, ...]]:
    """Return where each clip shows the path, and whether the craft is darker there."""
    if mine is None or mine.flight is None:
        return (), ()
    views = [row.view for row in clips]
    lanes = lanes_of(mine.flight, mine.result.label, views, speeds=False)
    dark = {lit.clip: bool(np.median(lit.track.peak) < 0.0) for lit in mine.flight.lit}
    return tuple(lanes), tuple(dark[lane.clip] for lane in lanes)
