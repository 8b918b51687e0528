"""The mark of a session that was flown, from its best opposite passes.

Results that are there and of these very inputs are taken; else the session is measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from vidspeed.answer.mark import mark_of
from vidspeed.assembly.reading import read_session
from vidspeed.record.readback import outcome_kept
from vidspeed.session.elsewhere import with_clips
from vidspeed.values import Outcome, Session

Measure = Callable[[Session], Outcome]


def mark(folder: Path, measure: Measure, *, clips: Path | None = None) -> Outcome:
    """Return the mark of the session in `folder`, and the passes that it was chosen from.

    Parameters
    ----------
    measure
        Measures a session of which there are no results that hold; nothing is written.
    clips
        A folder in which clips are looked for before the session folder.

    Raises
    ------
    VidspeedError
        Where the session is wrong or nothing can be measured.
    """
    return with_mark(known_passes(opened(folder, clips), measure))


def with_mark(found: Outcome) -> Outcome:
    """Return an outcome with the mark of its passes, or with why there is none."""
    labels, covariance = found.covariance_labels, found.covariance
    decided = mark_of(found.session, found.passes, labels, covariance)
    return replace(found, mark=decided.mark, no_mark=decided.why_not)


def opened(folder: Path, clips: Path | None = None) -> Session:
    """Return the session in a folder, its clips looked for in another before."""
    session = read_session(folder)
    return session if clips is None else with_clips(session, clips)


def known_passes(session: Session, measure: Measure) -> Outcome:
    """Return the passes of a session: from its results, or measured where those do not hold."""
    return outcome_kept(session) or measure(session)
