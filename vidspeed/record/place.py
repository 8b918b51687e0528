"""Where results will stand, made ready before a run begins."""

from __future__ import annotations

from pathlib import Path

from vidspeed.errors import ResultsError
from vidspeed.record.lock import locked
from vidspeed.record.swap import check_place, explain, heal


def made_place(folder: Path) -> None:
    """Make a folder that is to hold results; ResultsError where that cannot be done."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise ResultsError(explain(fault, folder.parent, {})) from fault


def recover(folder: Path) -> None:
    """Heal what a killed run left in the session folder, before a new one begins.

    Raises ResultsError early where results could not be written at the end.
    """
    check_place(folder)
    with locked(folder):
        heal(folder)
