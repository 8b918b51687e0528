"""Whether one of two sessions, or of two set-ups of one, was faster.

Results that are there and of these very inputs are taken; else a session is measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from vidspeed.answer.comparison import Side
from vidspeed.answer.comparison import compare as compare_sides
from vidspeed.errors import VidspeedError
from vidspeed.mark import Measure, known_passes, opened
from vidspeed.values import Compared, Outcome


def compare(
    first: Path,
    second: Path | None,
    measure: Measure,
    *,
    setups: tuple[str | None, str | None] = (None, None),
    same_air: bool = False,
    clips: Path | None = None,
) -> Compared:
    """Compare two sessions, or two set-ups; the second less the first.

    Parameters
    ----------
    first, second
        Session folders; `second` None is the first again, whose two set-ups are compared.
    setups
        Only passes of these set-ups, of the first and the second.
    same_air
        Reduce both to air of one density.
    clips
        A folder in which the clips of both are looked for before their own folders.

    Raises
    ------
    VidspeedError
        Where a session is wrong, a set-up is not there or a side has no measured pass.
    """
    folders = [first]
    if second is not None and second.resolve() != first.resolve():
        folders.append(second)
    sessions = [opened(folder, clips) for folder in folders]  # what is wrong is said at once
    outcomes = [known_passes(session, measure) for session in sessions]
    return compare_outcomes(outcomes, setups=setups, same_air=same_air)


def compare_outcomes(
    outcomes: Sequence[Outcome],
    *,
    setups: tuple[str | None, str | None] = (None, None),
    same_air: bool = False,
) -> Compared:
    """Compare the passes of two sessions, or of two set-ups of the only one; see `compare`."""
    one = len(outcomes) == 1
    if one and setups == (None, None):
        setups = _two_setups(outcomes[0])
    sides = [
        _side(outcomes[0 if one else number], setup, one) for number, setup in enumerate(setups)
    ]
    names = [side.name for side in sides]
    if names[0] == names[1]:
        sides = [
            replace(side, name=f"{side.name} ({Path(side.session.folder).name})") for side in sides
        ]
    failed = tuple(
        row if one else replace(row, where=f"{outcome.session.title}: {row.where}")
        for outcome in outcomes
        for row in outcome.problems
        if row.level == "error"
    )
    return replace(compare_sides(sides[0], sides[1], same_air=same_air), problems=failed)


def _two_setups(outcome: Outcome) -> tuple[str, str]:
    """Return the two set-ups of a session, in the order in which they were flown."""
    found = list(dict.fromkeys(row.setup for row in outcome.passes if row.setup is not None))
    if len(found) != 2:
        listed = f": {', '.join(found)}" if found else ""
        raise VidspeedError(
            f"{outcome.session.title}: passes of {len(found)} setups{listed}; two are compared: "
            "name them with --setup-a and --setup-b, or name a second session"
        )
    return found[0], found[1]


def _side(outcome: Outcome, setup: str | None, one: bool) -> Side:
    """Return the measured passes of a session, or of one set-up of it."""
    passes = [row for row in outcome.passes if row.status == "measured"]
    known = sorted({row.setup for row in outcome.passes if row.setup is not None})
    if setup is not None and setup not in known:
        raise VidspeedError(
            f"{outcome.session.title}: no pass is of setup {setup!r}; "
            + (f"there are {', '.join(known)}" if known else "no clip has a setup")
        )
    title = outcome.session.title
    name = title if setup is None else setup if one else f"{title}, {setup}"
    mine = tuple(row for row in passes if setup is None or row.setup == setup)
    return Side(name=name, session=outcome.session, passes=mine)
