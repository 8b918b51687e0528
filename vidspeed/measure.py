"""Measure a session: from the folder a user wrote to speeds with their uncertainty.

`run` is the whole way in one function; every step is a room of its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path

from vidspeed.answer.mark import choose_mark
from vidspeed.errors import MotionError, VidspeedError
from vidspeed.gather import (
    Cameras,
    Looked,
    Progress,
    calibrate_all,
    look,
    refuse_nothing,
    with_intervals,
)
from vidspeed.geometry.course import drawing
from vidspeed.motion.budget import covariance
from vidspeed.motion.choose import Found, Seen, many_passes, one_pass, relabelled
from vidspeed.motion.pairs import UNNAMED, Solved, joined, with_assumed_line
from vidspeed.plan import advice, relative_U95
from vidspeed.session.read import read_session
from vidspeed.values import Outcome, PassResult, Problem, Session, Value


def run(folder: Path, *, progress: Progress | None = None) -> Outcome:
    """Measure every pass of the session in `folder`; nothing is written.

    Parameters
    ----------
    progress
        Called with what is being done, how much of it is done and how much there is (0: not
        known).

    Raises
    ------
    VidspeedError
        Where the session is wrong, no camera can be calibrated or no clip can be read.
    """
    session = read_session(folder)
    if not session.clips:
        raise VidspeedError(
            "session.toml: no [[clip]] in it, at least one is needed; add one for each recorded "
            "clip (`vidspeed calibrate` needs none)"
        )
    cameras = calibrate_all(session)
    clips = [look(session, cameras, clip, progress) for clip in session.clips]
    refuse_nothing(clips, cameras)
    cameras = with_intervals(cameras, clips)
    passes, problems = solve_passes(session, cameras, clips, progress)
    labels, matrix = covariance(passes)
    fits = [fit for _, fit in cameras.stands.values()]
    return Outcome(
        session=session,
        inputs=(*session.inputs, *(row.input for row in clips if row.input is not None)),
        cameras=tuple(fits),
        clips=tuple(row.view for row in clips),
        passes=tuple(passes),
        covariance_labels=labels,
        covariance=matrix,
        mark=choose_mark(passes, labels, matrix, session.mark),
        problems=(
            *cameras.problems,
            *(problem for fit in fits for problem in fit.problems),
            *(problem for row in clips for problem in row.problems),
            *problems,
            *_what_would_help(session, cameras, passes),
        ),
        drawing={
            fit.camera: drawing(session.course, session.flight_line, fit.pose, fit.lens)
            for fit in fits
        },
    )


def solve_passes(
    session: Session, cameras: Cameras, clips: Sequence[Looked], progress: Progress | None = None
) -> tuple[list[PassResult], list[Problem]]:
    """Solve every pass: clips of one label together, every other clip for as many as it holds.

    Passes that clips of several cameras without a label have in common are solved together,
    where it is sure which they are.
    """
    rows = [_seen(cameras, row) for row in clips if row.interval_s is not None]
    labelled = _labelled(rows)
    others = [row for row in rows if row.clip.pass_label is None]
    solved: list[_Pass] = []
    problems: list[Problem] = []
    for done, (label, group) in enumerate(labelled.items()):
        if progress is not None:
            progress("solving", done, len(labelled) + len(others))
        made, faults = _solve_labelled(session, group, label)
        solved.append(replace(made, order=(float(rows.index(group[0])), 0.0)))
        problems += faults
    made_alone, faults = _solve_others(session, others, progress, len(labelled))
    solved += [
        replace(row, order=(float(rows.index(others[int(row.order[0])])), row.order[1]))
        for row in made_alone
    ]
    passes = _numbered(sorted(solved, key=lambda row: row.order), _free_numbers(clips))
    return passes, problems + faults


def _what_would_help(
    session: Session, cameras: Cameras, passes: Sequence[PassResult]
) -> list[Problem]:
    """Say which single change would help most, where a pass is less sure than wanted."""
    widths = [100.0 * relative_U95(row) for row in passes if row.speed_mps is not None]
    if not widths or max(widths) <= session.wanted_U95_percent:
        return []
    changes = advice(session, [stand for stand, _ in cameras.stands.values()])
    best = next((row for row in changes if row.relative_U95 is not None), None)
    if best is None or best.relative_U95 is None or 100.0 * best.relative_U95 >= max(widths):
        return []
    message = (
        f"a pass is known to {max(widths):.2g} % (U95), {session.wanted_U95_percent:g} % is "
        f"wanted; of single changes this would help most: {best.change}, "
        f"{100.0 * best.relative_U95:.2g} %"
    )
    return [Problem(level="warn", where="session.toml", message=message)]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pass(Value):
    """A pass to be reported, its label "?" where the session gives none; `order` sorts them."""

    result: PassResult
    order: tuple[float, float] = (0.0, 0.0)


def _seen(cameras: Cameras, row: Looked) -> Seen:
    facts = row.view.facts
    return Seen(
        clip=row.clip,
        stand=cameras.stands[row.clip.camera][0],
        tracks=row.view.tracks,
        span_s=(0.0, facts.duration_s) if facts is not None else None,
    )


def _labelled(rows: Sequence[Seen]) -> dict[str, list[Seen]]:
    """Return the clips of each label together, in their order."""
    groups: dict[str, list[Seen]] = {}
    for row in rows:
        if row.clip.pass_label is not None:
            groups.setdefault(row.clip.pass_label, []).append(row)
    return groups


def _free_numbers(clips: Sequence[Looked]) -> Iterator[str]:
    """Yield "1", "2", ... without the labels that the session gives."""
    given = {row.clip.pass_label for row in clips}
    return (str(number) for number in count(1) if str(number) not in given)


def _numbered(rows: Sequence[_Pass], numbers: Iterator[str]) -> list[PassResult]:
    return [
        relabelled(row.result, next(numbers)) if row.result.label == UNNAMED else row.result
        for row in rows
    ]


def _solve_labelled(
    session: Session, seen: Sequence[Seen], label: str
) -> tuple[_Pass, list[Problem]]:
    """Solve the clips of one label as one pass."""
    where = f"{_names(seen)}, pass {label}"
    try:
        found = one_pass(session, seen, label)
    except MotionError as error:
        problem = Problem(level="error", where=where, message=str(error))
        return _Pass(result=_no_pass(seen, label)), [problem]
    return _Pass(result=found.result), _complaints([found], where)


def _solve_others(
    session: Session, clips: Sequence[Seen], progress: Progress | None, before: int
) -> tuple[list[_Pass], list[Problem]]:
    """Solve clips without a label: each alone, then together what several cameras saw."""
    several = len({row.clip.camera for row in clips}) > 1
    by_itself = with_assumed_line(session) if several else session
    alone: list[list[Found]] = []
    solved: list[_Pass] = []
    problems: list[Problem] = []
    for done, row in enumerate(clips):
        if progress is not None:
            progress("solving", before + done, before + len(clips))
        alone.append(many_passes(by_itself, row))
        if not alone[-1] and not row.clip.expect_none:
            problems.append(Problem(level="error", where=row.clip.name, message=_why(session, row)))
            solved.append(_Pass(result=_no_pass([row], UNNAMED), order=(float(done), 0.0)))
        elif alone[-1] and row.clip.expect_none:
            message = 'a pass was found although the clip says expect = "none"; see its picture'
            problems.append(Problem(level="error", where=row.clip.name, message=message))
    together, faults = joined(session, clips, alone)
    for made in together:
        problems += _complaints([made.found], _names(made.seen))
        result = made.found.result
        if len(made.seen) == 1 and not session.flight_line.stated:
            problems.append(_without_line(made))
            result = _no_pass(made.seen, UNNAMED)
        solved.append(_Pass(result=result, order=made.order))
    return solved, problems + faults


def _why(session: Session, row: Seen) -> str:
    """Return why a clip has no pass."""
    try:
        one_pass(session, [row], UNNAMED)
    except MotionError as error:
        return str(error)
    return "no light moves along the course like the craft"


def _without_line(made: Solved) -> Problem:
    time_s = made.found.result.crossings[0].time_in_s
    message = (
        f"the pass at {time_s:.2f} s was paired with none of another camera, and one camera alone "
        "cannot see how far away the light is; state [flight_line], or give the clips that show "
        "this pass one `pass` label"
    )
    return Problem(level="error", where=_names(made.seen), message=message)


def _names(seen: Sequence[Seen]) -> str:
    return ", ".join(row.clip.name for row in seen)


def _complaints(found: Sequence[Found], where: str) -> list[Problem]:
    return [
        Problem(level="error", where=where, message=check.detail)
        for row in found
        for check in row.result.checks
        if check.name == "candidates"
    ]


def _no_pass(seen: Sequence[Seen], label: str) -> PassResult:
    first = seen[0].clip
    return PassResult(
        label=label,
        flight=first.flight,
        setup=first.setup,
        clips=tuple(row.clip.name for row in seen),
        status="none",
        recorded=first.recorded,
    )
