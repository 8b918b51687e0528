"""Measure a session: from the folder a user wrote to speeds with their uncertainty.

`run` is the whole way in one function; every step is a room of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path

import numpy as np

from vidspeed.answer.mark import mark_of
from vidspeed.assembly.advice import advice, would_help
from vidspeed.assembly.agree import by_light, with_exposure
from vidspeed.assembly.beside import beside_others
from vidspeed.assembly.cameras import Cameras, fit_all, with_doubts
from vidspeed.assembly.dismissed import Parted, in_vain, with_dismissed
from vidspeed.assembly.drive import drive_of
from vidspeed.assembly.filming import film_passes
from vidspeed.assembly.fixed import between_clips
from vidspeed.assembly.gather import Keeping, Looked, refuse_nothing, with_intervals
from vidspeed.assembly.heights import with_heights
from vidspeed.assembly.joint import Joint, solve_with_sound
from vidspeed.assembly.kept import forget_halves
from vidspeed.assembly.looking import IMPORTS, handed_out, looked_at
from vidspeed.assembly.passes import Pass, solve_passes
from vidspeed.assembly.proof import prove
from vidspeed.assembly.reading import read_session
from vidspeed.assembly.told import tell_cameras, tell_passes, tell_problems
from vidspeed.decisions import Steps
from vidspeed.errors import MotionError, VidspeedError
from vidspeed.geometry.course import drawing
from vidspeed.motion.budget import covariance
from vidspeed.motion.flight import Flight
from vidspeed.motion.montecarlo import beyond_first_order
from vidspeed.session.elsewhere import with_clips
from vidspeed.session.unnamed import what_to_name
from vidspeed.spread.executor import executor
from vidspeed.spread.progress import Tell
from vidspeed.values import (
    Advice,
    CameraFit,
    Check,
    CourseDrawing,
    Outcome,
    PassResult,
    Problem,
    Session,
)


def run(
    folder: Path,
    *,
    clips: Path | None = None,
    progress: Tell | None = None,
    monte_carlo: bool = False,
    workers: int = 1,
    pool: Executor | None = None,
    keeping: Keeping | None = None,
    looking: Callable[[], object] | None = None,
    looked: Callable[[], object] | None = None,
) -> Outcome:
    """Measure every pass of the session in `folder`; nothing is written but what `keeping` says.

    Parameters
    ----------
    clips
        A folder in which clips are looked for before the session folder.
    progress
        Called with what is being done, how much of it is done and how much there is (0: not
        known).
    monte_carlo
        Draw every pass, not only those that first order does not describe.
    workers
        Processes among which clips and draws are shared out. With one, all is done in this
        process, and a clip that kills its decoder ends it.
    pool
        An executor that is there already, instead of one with so many `workers`.
    keeping
        Where what is seen in clips is kept, so that they are decoded once; nowhere if left out.
    looking
        Called once all clips are handed to `pool`: from then on this process has little to do.
    looked
        Called once all clips are looked at: from then on processes of `pool` have little to do.

    Raises
    ------
    VidspeedError
        Where the session is wrong, no camera can be calibrated or no clip can be read.
    """
    with executor(workers, tell=progress, ready=1, imports=IMPORTS) as made:
        session = read_session(folder)
        if clips is not None:
            session = with_clips(session, clips)
        return run_session(
            session,
            progress=progress,
            monte_carlo=monte_carlo,
            pool=pool or made,
            keeping=keeping,
            looking=looking,
            looked=looked,
        )


def run_session(
    session: Session,
    *,
    pool: Executor,
    progress: Tell | None = None,
    monte_carlo: bool = False,
    intervals_s: Mapping[str, float] | None = None,
    films: bool = True,
    keeping: Keeping | None = None,
    looking: Callable[[], object] | None = None,
    looked: Callable[[], object] | None = None,
) -> Outcome:
    """Measure every pass of a session that was read; see `run`.

    `intervals_s` are frame intervals, by camera, of clips that were there once and are no more.
    Without `films` no pass gets its frames for pictures.
    """
    _refuse_empty(session)
    if keeping is not None:
        forget_halves(keeping.folder)
    steps = Steps(__name__)
    cameras = fit_all(session)
    tell_cameras(session, cameras)
    steps.done("calibrating the cameras")
    waiting = handed_out(session, cameras, pool, keeping, progress)
    if looking is not None:
        looking()
    cameras = with_doubts(session, cameras)
    clips = looked_at(session, waiting)
    steps.done("looking at the clips")
    if looked is not None:
        looked()
    refuse_nothing(clips, cameras)
    cameras = with_intervals(cameras, clips, intervals_s)
    solved, problems, joint = _solved(session, cameras, clips, pool, progress, keeping)
    steps.done("solving the passes")
    _over(progress, "solving")
    passes = checked(solved, progress, monte_carlo=monte_carlo, pool=pool)
    passes, apart = beside_others(session, cameras, clips, solved, passes, pool, joint)
    parted, flights = _dismissed(clips, solved)
    passes = with_dismissed(session, parted, flights, passes)
    tell_passes(passes)
    steps.done("looking beyond first order and at other ways to each speed")
    labels, matrix = covariance(passes)
    decided = mark_of(session, passes, labels, matrix)
    fits = [fit for _, fit in cameras.stands.values()]
    changes = _advised(session, cameras, passes)
    proofs = prove(session, cameras, clips)
    steps.done("looking for what would help")
    views = tuple(row.view for row in clips)
    filmed, unseen = film_passes(session, solved if films else [], views, pool)
    views = tuple(replace(view, footage=()) for view in views)  # it has given what it can
    steps.done("taking the frames of the passes")
    _over(progress, *(row.clip for row in views))
    outcome = Outcome(
        session=session,
        inputs=(*session.inputs, *(row.input for row in clips if row.input is not None)),
        cameras=tuple(fits),
        clips=views,
        passes=tuple(passes),
        covariance_labels=labels,
        covariance=matrix,
        mark=decided.mark,
        no_mark=decided.why_not,
        problems=(
            *_seen_wrong(session, cameras, clips),
            *problems,
            *apart,
            *proofs.problems,
            *(Problem(level="warn", where="session.toml", message=text) for text in decided.doubts),
            *unseen,
            *in_vain(parted, passes),
            *would_help(session, passes, changes, set(cameras.stands)),
        ),
        drawing=_drawings(session, fits),
        proof=proofs.proven,
        advice=changes,
        filmed=filmed,
    )
    tell_problems(outcome.problems)
    return outcome


def _solved(
    session: Session,
    cameras: Cameras,
    clips: Sequence[Looked],
    pool: Executor,
    progress: Tell | None,
    keeping: Keeping | None,
) -> tuple[list[Pass], list[Problem], list[Joint] | None]:
    """Return the passes of the clips, what to know of them, and how sounds joined in."""
    flown = [row for row in clips if drive_of(session, row.clip) is None]
    joint: list[Joint] | None = None
    if session.use_sound:
        solved, problems, joint = solve_with_sound(session, cameras, flown, pool, progress)
    else:
        solved, problems = solve_passes(session, cameras, flown, progress)
    solved, doubts = by_light(session, cameras, clips, solved, progress, pool, keeping)
    return [with_heights(row) for row in solved], [*problems, *doubts], joint


def _refuse_empty(session: Session) -> None:
    if not session.clips:
        raise VidspeedError(
            f"session.toml: no [[clip]] in it, at least one is needed; {what_to_name(session)} "
            "(`vidspeed calibrate` needs none)"
        )


def _seen_wrong(session: Session, cameras: Cameras, clips: Sequence[Looked]) -> list[Problem]:
    """Return what is wrong with cameras and clips, before any pass is thought of."""
    fits = [fit for _, fit in cameras.stands.values()]
    return [
        *cameras.problems,
        *(problem for fit in fits for problem in fit.problems),
        *(problem for row in clips for problem in row.problems),
        *between_clips(session, fits, [row.view for row in clips]),
    ]


def _dismissed(
    clips: Sequence[Looked], solved: Sequence[Pass]
) -> tuple[dict[str, Sequence[Parted]], dict[str, Flight]]:
    """Return by clip what was dismissed of its tracks, and by label the flights of passes."""
    return (
        {row.clip.name: row.parted for row in clips if row.parted},
        {row.result.label: row.flight for row in solved if row.flight is not None},
    )


def _drawings(session: Session, fits: Sequence[CameraFit]) -> dict[str, CourseDrawing]:
    """Return course, flight line and gates as each camera sees them."""
    return {
        fit.camera: drawing(session.course, session.flight_line, fit.pose, fit.lens) for fit in fits
    }


def checked(
    solved: Sequence[Pass], progress: Tell | None, *, monte_carlo: bool, pool: Executor
) -> list[PassResult]:
    """Look beyond first order in every pass; draw where that is asked for or needed."""
    results = []
    for done, row in enumerate(solved):
        if progress is not None:
            progress("looking beyond first order", done, len(solved))
        results.append(with_exposure(row, _looked_at(row, monte_carlo, pool)))
    _over(progress, "looking beyond first order")
    return results


def _over(progress: Tell | None, *steps: str) -> None:
    """Tell that steps are done."""
    if progress is not None:
        for step in steps:
            progress(step, 1, 1)


def _looked_at(row: Pass, monte_carlo: bool, pool: Executor) -> PassResult:
    if row.flight is None:
        return row.result
    try:
        return beyond_first_order(row.flight, row.result, always=monte_carlo, pool=pool)
    except MotionError as error:
        check = Check(name="linear", status="warn", detail=str(error))
        return replace(row.result, checks=(*row.result.checks, check))


def _advised(
    session: Session, cameras: Cameras, passes: Sequence[PassResult]
) -> tuple[Advice, ...]:
    """Return what single changes would bring a pass at the usual speed of those measured."""
    speeds = [row.speed_mps for row in passes if row.speed_mps is not None]
    if not speeds:
        return ()
    craft = replace(session.craft, expected_mps=float(np.median(speeds)))
    stands = [stand for stand, _ in cameras.stands.values()]
    return advice(replace(session, craft=craft), stands)
