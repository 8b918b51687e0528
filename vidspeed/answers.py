"""What people ask of sessions that were flown: the mark, and whether one was faster than another.

Results that are there and of these very inputs are taken; else the session is measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from vidspeed.answer.mark import mark_of
from vidspeed.assembly.reading import read_session
from vidspeed.record.readback import outcome_kept
from vidspeed.values import Outcome, Session

Measure = Callable[[Session], Outcome]


def mark(folder: Path, measure: Measure) -> Outcome:
    """Return the mark of the session in `folder`, and the passes that it was chosen from.

    Parameters
    ----------
    measure
        Measures a session of which there are no results that hold; nothing is written.

    Raises
    ------
    VidspeedError
        Where the session is wrong or nothing can be measured.
    """
    found = known_passes(folder, measure)
    labels, covariance = found.covariance_labels, found.covariance
    decided = mark_of(found.session, found.passes, labels, covariance)
    return replace(found, mark=decided.mark, no_mark=decided.why_not)


def known_passes(folder: Path, measure: Measure) -> Outcome:
    """Return the passes of a session: from its results, or measured where those do not hold."""
    session = read_session(folder)
    return outcome_kept(session) or measure(session)
