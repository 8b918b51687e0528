"""Every pass of a session: which clips belong to it, and its solution."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import count

from vidspeed.agreement.exposure import Exposure
from vidspeed.agreement.leftopen import with_steps
from vidspeed.assembly.cameras import Cameras
from vidspeed.assembly.gather import Looked
from vidspeed.errors import MotionError
from vidspeed.motion.account import account
from vidspeed.motion.choose import Found, many_passes, one_pass, relabelled
from vidspeed.motion.flight import Flight
from vidspeed.motion.offsets import tied
from vidspeed.motion.pairs import UNNAMED, Solved, joined, with_assumed_line
from vidspeed.motion.sift import Seen, plausible
from vidspeed.motion.stand import Stand
from vidspeed.spread.progress import Tell
from vidspeed.values import PassResult, Problem, Session, Value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pass(Value):
    """A pass to be reported and the flight it was solved as, None where there is none.

    Its label is "?" until it is numbered, where the session gives none; `order` sorts passes.
    `light` is the exposure that its streaks tell, of each of its clips, once it was asked for.
    """

    result: PassResult
    flight: Flight | None = None
    order: tuple[float, float] = (0.0, 0.0)
    light: tuple[Exposure | None, ...] | None = None


def solve_passes(
    session: Session, cameras: Cameras, clips: Sequence[Looked], progress: Tell | None = None
) -> tuple[list[Pass], list[Problem]]:
    """Solve every pass, each by itself, and hold those of the same clips to one time offset."""
    each, problems = solve_each(session, cameras, clips, progress)
    held, doubts = held_together(session, each)
    return held, problems + doubts


def solve_each(
    session: Session, cameras: Cameras, clips: Sequence[Looked], progress: Tell | None = None
) -> tuple[list[Pass], list[Problem]]:
    """Solve every pass: clips of one label together, every other clip for as many as it holds.

    Passes that clips of several cameras without a label have in common are solved together,
    where it is sure which they are.
    """
    rows = [seen_of(cameras, row) for row in clips if row.interval_s is not None]
    labelled = _labelled(rows)
    others = [row for row in rows if row.clip.pass_label is None]
    solved: list[Pass] = []
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
    stepped = [_with_steps(session, row) for row in sorted(solved, key=lambda row: row.order)]
    return _numbered(stepped, _free_numbers(clips)), problems + faults


def _with_steps(session: Session, row: Pass) -> Pass:
    """Return a pass solved again where the exposure of a clip may have jumped in it."""
    if row.flight is None:
        return row
    flight = with_steps(session, row.flight)
    if flight is row.flight:
        return row
    return replace(row, flight=flight, result=accounted(session, flight, row.result))


def held_together(session: Session, passes: Sequence[Pass]) -> tuple[list[Pass], list[Problem]]:
    """Hold the passes of the same clips to one time offset for each pair of clips."""
    flown = [(row, row.flight) for row in passes if row.flight is not None]
    try:
        together = tied([flight for _, flight in flown], [row.result.inputs for row, _ in flown])
    except MotionError as error:
        where = ", ".join(sorted({name for row, _ in flown for name in row.result.clips}))
        return list(passes), [Problem(level="warn", where=where, message=str(error))]
    held = {
        id(row): replace(row, flight=flight, result=accounted(session, flight, row.result))
        for (row, before), flight in zip(flown, together, strict=True)
        if flight is not before
    }
    return [held.get(id(row), row) for row in passes], []


def accounted(session: Session, flight: Flight, before: PassResult) -> PassResult:
    """Return the result of a flight solved anew, with what was said of it before."""
    clips = [clip for clip in session.clips if clip.name in before.clips]
    label = flight.network.traverses[0].label
    result = relabelled(account(session, flight, clips, label), before.label)
    named = {check.name for check in result.checks}
    kept = [check for check in before.checks if check.name not in named]
    return replace(
        result,
        clips=before.clips,
        flight=before.flight,
        setup=before.setup,
        recorded=before.recorded,
        heard=before.heard,
        checks=(*result.checks, *kept),
    )


def seen_of(cameras: Cameras, row: Looked) -> Seen:
    """Return a clip that was looked at as the solver takes it."""
    facts = row.view.facts
    return Seen(
        clip=row.clip,
        stand=_stand(cameras, row),
        tracks=row.view.tracks,
        span_s=(facts.start_s, facts.start_s + facts.duration_s) if facts is not None else None,
    )


def _stand(cameras: Cameras, row: Looked) -> Stand:
    """Return the stand of a clip: its own where the camera moved, else its camera's."""
    common = cameras.stands[row.clip.camera][0]
    return common if row.stand is None else replace(row.stand, interval_s=common.interval_s)


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


def _numbered(rows: Sequence[Pass], numbers: Iterator[str]) -> list[Pass]:
    return [
        replace(row, result=relabelled(row.result, next(numbers)))
        if row.result.label == UNNAMED
        else row
        for row in rows
    ]


def _solve_labelled(
    session: Session, seen: Sequence[Seen], label: str
) -> tuple[Pass, list[Problem]]:
    """Solve the clips of one label as one pass."""
    try:
        return _reported(session, seen, label, one_pass(session, seen, label))
    except MotionError as error:
        return _apart(session, seen, label, str(error))


def _reported(
    session: Session, seen: Sequence[Seen], label: str, found: Found
) -> tuple[Pass, list[Problem]]:
    """Return a pass that was found, and a problem for each of its clips that is not in it."""
    used = found.result.clips
    idle = [row for row in seen if row.clip.name not in used and not row.clip.expect_none]
    problems = _complaints([found], f"{_names(seen)}, pass {label}")
    problems += [_not_in(session, row, label) for row in idle]
    return Pass(result=found.result, flight=found.flight), problems


def _apart(
    session: Session, seen: Sequence[Seen], label: str, why: str
) -> tuple[Pass, list[Problem]]:
    """Solve the clips of a label without those that show no flight; else say what each shows.

    A camera that saw only an insect does not take the pass from another. What is left must be
    one flight from gate to gate; clips that each show a flight are never chosen between.
    """
    assumed = with_assumed_line(session)
    alone = [_by_itself(assumed, row) for row in seen] if len(seen) > 1 else [None]
    flying = [row for row, found in zip(seen, alone, strict=True) if found is not None]
    if flying and len(flying) < len(seen):
        found = _by_itself(session, *flying, label=label)
        if found is not None and found.result.status == "measured":
            return _reported(session, seen, label, found)
    message = _one_eyed(session, seen) or why + _each(seen, alone)
    problem = Problem(level="error", where=f"{_names(seen)}, pass {label}", message=message)
    return Pass(result=_no_pass(seen, label)), [problem]


def _by_itself(session: Session, *seen: Seen, label: str = UNNAMED) -> Found | None:
    try:
        return one_pass(session, seen, label)
    except MotionError:
        return None


def _each(seen: Sequence[Seen], alone: Sequence[Found | None]) -> str:
    """Say what the clips of a label show, each by itself; nothing where none shows a flight."""
    if not any(alone):
        return ""
    words = [
        f"{row.clip.name} a {found.result.direction} flight at about "
        f"{3.6 * (found.result.speed_mps or 0.0):.0f} km/h"
        if found is not None
        else f"{row.clip.name} none"
        for row, found in zip(seen, alone, strict=True)
    ]
    return (
        f"; each by itself shows: {', '.join(words)}; mend their `pass` labels if they do not show "
        "one pass, or say with `choose` which light is the craft"
    )


def _not_in(session: Session, row: Seen, label: str) -> Problem:
    """Return the problem of a clip that shows nothing of the pass that its label names."""
    message = f"the pass was measured without this clip: {_why(with_assumed_line(session), row)}"
    return Problem(level="error", where=f"{row.clip.name}, pass {label}", message=message)


def _one_eyed(session: Session, seen: Sequence[Seen]) -> str | None:
    """Say that one camera alone saw a pass of which no line is stated; None where others did."""
    cameras = {row.clip.camera for row in seen if plausible(session, row)}
    if session.flight_line.stated or len(cameras) != 1:
        return None
    return (
        f'only camera "{cameras.pop()}" shows a light that moves along the course like the craft, '
        "and one camera alone cannot see how far away it is; state [flight_line]"
    )


def _solve_others(
    session: Session, clips: Sequence[Seen], progress: Tell | None, before: int
) -> tuple[list[Pass], list[Problem]]:
    """Solve clips without a label: each alone, then together what several cameras saw."""
    several = len({row.clip.camera for row in clips}) > 1
    by_itself = with_assumed_line(session) if several else session
    alone: list[list[Found]] = []
    solved: list[Pass] = []
    problems: list[Problem] = []
    for done, row in enumerate(clips):
        if progress is not None:
            progress("solving", before + done, before + len(clips))
        alone.append(many_passes(by_itself, row))
        if not alone[-1] and not row.clip.expect_none:
            problems.append(Problem(level="error", where=row.clip.name, message=_why(session, row)))
            solved.append(Pass(result=_no_pass([row], UNNAMED), order=(float(done), 0.0)))
        elif alone[-1] and row.clip.expect_none:
            message = 'a pass was found although the clip says expect = "none"; see its picture'
            problems.append(Problem(level="error", where=row.clip.name, message=message))
    together, faults = joined(session, clips, alone)
    for made in together:
        problems += _complaints([made.found], _names(made.seen))
        reported = Pass(result=made.found.result, flight=made.found.flight, order=made.order)
        if len(made.seen) == 1 and not session.flight_line.stated:
            problems.append(_without_line(made))
            reported = Pass(result=_no_pass(made.seen, UNNAMED), order=made.order)
        solved.append(reported)
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
        Problem(
            level="error" if check.status == "fail" else "warn", where=where, message=check.detail
        )
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
