"""How far the day is: what each step still lacks, without anything being measured for it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vidspeed.assembly.reading import read_session
from vidspeed.desk.clips import clip_list
from vidspeed.desk.frame import STEPS
from vidspeed.desk.results import summary_of
from vidspeed.desk.setup import faults_of
from vidspeed.errors import VidspeedError
from vidspeed.record.units import speed_text, unit_named
from vidspeed.session.rules import FEWEST


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A step of the day: where its page is, how it stands, and whether it is done."""

    words: str
    where: str
    state: str
    done: bool


def steps_of(folder: Path) -> list[Step]:
    """Return the steps of the day in their order."""
    faults = faults_of(folder)
    todo = f"{len(faults)} {'thing' if len(faults) == 1 else 'things'} to do"
    summary = summary_of(folder) or {}
    states = (
        ("everything that is needed is stated", True) if not faults else (todo, False),
        _picks(folder),
        _clips(folder),
        _passes(summary),
        _mark(summary),
        _report(folder),
    )
    return [
        Step(words=words, where=where, state=state, done=done)
        for (words, where), (state, done) in zip(STEPS, states, strict=True)
    ]


def _picks(folder: Path) -> tuple[str, bool]:
    try:
        session = read_session(folder, unpicked=True)
    except VidspeedError:
        return "after the set-up", False
    count = len(session.markers)
    rows = [f"{row.name}: {len(row.picks)} of {count} markers" for row in session.cameras]
    return "; ".join(rows), all(len(row.picks) >= FEWEST for row in session.cameras)


def _clips(folder: Path) -> tuple[str, bool]:
    try:
        rows = clip_list(folder)
    except VidspeedError:
        return "session.toml cannot be read", False
    if not rows:
        return "none yet", False
    done = sum(row.kind == "ok" for row in rows)
    return f"{len(rows)}, {done} of them measured", done == len(rows)


def _passes(summary: dict[str, Any]) -> tuple[str, bool]:
    rows = summary.get("passes", [])
    done = sum(row.get("status") == "measured" for row in rows)
    return (f"{done} measured of {len(rows)}", True) if rows else ("none measured yet", False)


def _mark(summary: dict[str, Any]) -> tuple[str, bool]:
    mark = summary.get("mark")
    if not mark:
        return "none yet: it takes a measured pass each way", False
    return speed_text(mark["speed_mps"], mark["speed_U95_mps"], unit_named("kmh")), True


def _report(folder: Path) -> tuple[str, bool]:
    there = (folder / "results" / "report.html").is_file()
    return ("the report is there", True) if there else ("no report yet", False)
