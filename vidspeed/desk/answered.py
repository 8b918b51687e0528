"""What the results answer, as far as they are of the files as they are now."""

from __future__ import annotations

from pathlib import Path

from vidspeed.assembly.reading import read_session
from vidspeed.compare import compare_outcomes
from vidspeed.mark import with_mark
from vidspeed.record.canvas import data_uri
from vidspeed.record.compareview import comparison_figure, comparison_lines
from vidspeed.record.readback import outcome_untouched
from vidspeed.record.units import UNITS
from vidspeed.values import Compared, Outcome

KMH = UNITS["kmh"]


def known(folder: Path) -> Outcome | None:
    """Return the passes that were measured, and the mark; None where the results do not hold.

    A clip that was not written to since is taken to be as it was: hundreds of them could not be
    hashed for every look. A pack hashes them all.

    Raises VidspeedError where the session cannot be read.
    """
    found = outcome_untouched(read_session(folder))
    return None if found is None else with_mark(found)


def setups_of(outcome: Outcome) -> list[str]:
    """Return the set-ups of measured passes, in the order in which they were flown."""
    flown = [row.setup for row in outcome.passes if row.status == "measured"]
    return list(dict.fromkeys(setup for setup in flown if setup is not None))


def compared(outcome: Outcome, first: str, second: str) -> tuple[Compared, list[str], str]:
    """Compare two set-ups: what was found, its sentences (the verdict last), and its plot.

    Raises VidspeedError where they cannot be compared.
    """
    found = compare_outcomes([outcome], setups=(first, second))
    plot = data_uri(comparison_figure(found, KMH), "png")
    return found, comparison_lines(found, KMH), plot
