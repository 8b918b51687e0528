"""Measure a session: from the folder a user wrote to speeds with their uncertainty.

`run` is the whole way in one function; every step is a room of its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
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
from vidspeed.plan import advice, relative_U95
from vidspeed.session.read import read_session
from vidspeed.values import Outcome, PassResult, Problem, Session


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
    """Solve every pass: clips of one label together, every other clip for as many as it holds."""
    passes: list[PassResult] = []
    problems = _unlabelled(session)
    numbers = _free_numbers(clips)
    groups = _groups(clips)
    for done, (label, group) in enumerate(groups):
        if progress is not None:
            progress("solving", done, len(groups))
        seen = [
            Seen(clip=row.clip, stand=cameras.stands[row.clip.camera][0], tracks=row.view.tracks)
            for row in group
            if row.interval_s is not None
        ]
        if not seen:
            continue
        results, faults = _solve_group(session, seen, label, numbers)
        passes += results
        problems += faults
    return passes, problems


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


def _groups(clips: Sequence[Looked]) -> list[tuple[str | None, list[Looked]]]:
    """Return the clips of each labelled pass together, every other clip alone, in their order."""
    labelled: dict[str, list[Looked]] = {}
    groups: list[tuple[str | None, list[Looked]]] = []
    for row in clips:
        label = row.clip.pass_label
        if label is None:
            groups.append((None, [row]))
        elif label in labelled:
            labelled[label].append(row)
        else:
            labelled[label] = [row]
            groups.append((label, labelled[label]))
    return groups


def _free_numbers(clips: Sequence[Looked]) -> Iterator[str]:
    """Yield "1", "2", ... without the labels that the session gives."""
    given = {row.clip.pass_label for row in clips}
    return (str(number) for number in count(1) if str(number) not in given)


def _unlabelled(session: Session) -> list[Problem]:
    """Point out clips of several cameras that no label brings together."""
    cameras = {clip.camera for clip in session.clips if clip.pass_label is None}
    if len(cameras) < 2:
        return []
    message = (
        "clips of several cameras have no `pass` label and are measured each alone; give the clips "
        "that show the same pass one label, and they are solved together"
    )
    return [Problem(level="warn", where="session.toml", message=message)]


def _solve_group(
    session: Session, seen: Sequence[Seen], label: str | None, numbers: Iterator[str]
) -> tuple[list[PassResult], list[Problem]]:
    """Solve the clips of one label, or one clip without a label."""
    where = ", ".join(row.clip.name for row in seen) + (f", pass {label}" if label else "")
    empty_is_right = all(row.clip.expect_none for row in seen)
    try:
        found = [one_pass(session, seen, label)] if label else many_passes(session, seen[0])
        if not found:
            one_pass(session, seen, "?")
    except MotionError as error:
        if empty_is_right:
            return [], []
        problem = Problem(level="error", where=where, message=str(error))
        return [_no_pass(seen, label or next(numbers))], [problem]
    results = [row.result if label else relabelled(row.result, next(numbers)) for row in found]
    return results, _complaints(found, where, unexpected=empty_is_right)


def _complaints(found: Sequence[Found], where: str, *, unexpected: bool) -> list[Problem]:
    problems = []
    if unexpected:
        message = 'a pass was found although the clip says expect = "none"; look at its picture'
        problems.append(Problem(level="error", where=where, message=message))
    for row in found:
        if row.rivals:
            detail = row.result.checks[-1].detail
            problems.append(Problem(level="error", where=where, message=detail))
    return problems


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
