"""Labels of passes: one for the clips of several cameras, and the same one again in another flight.

Where flights number their passes alike, the pass "2" of the flight "3" is called "3-2" everywhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from vidspeed.session.check import Faults, shown
from vidspeed.values import Clip

Labelled = tuple[str | None, str]  # of a clip: its flight, and its pass

CLIPS = "session.toml: clips"


def told_apart(clips: Iterable[Clip]) -> tuple[Clip, ...]:
    """Return clips whose passes have a label each, also where several flights use the same."""
    rows = tuple(clips)
    again = _again((row.flight, row.pass_label) for row in rows if row.pass_label is not None)
    return tuple(
        replace(row, pass_label=_name(row.flight, row.pass_label))
        if row.flight is not None and row.pass_label in again
        else row
        for row in rows
    )


def check_labels(clips: Sequence[tuple[str, Mapping[str, object]]], faults: Faults) -> None:
    """Check the labels of clips, each with its place in messages and its values."""
    seen: dict[tuple[object, ...], object] = {}
    labelled: list[Labelled] = []
    for where, values in clips:
        if "pass" not in values:
            continue
        flight, label = values.get("flight"), values["pass"]
        labelled.append((None if flight is None else str(flight), str(label)))
        key = (values.get("camera"), flight, label)
        if key in seen:
            faults.add(
                where,
                f"pass is {shown(label)}, as of {shown(seen[key])} of the same camera; "
                "a pass is in one clip of each camera",
            )
        seen.setdefault(key, values.get("file", values.get("track")))
    again = _again(labelled)
    called: dict[str, Labelled] = {}
    for flight, label in dict.fromkeys(labelled):
        if label in again and flight is None:
            names = " and ".join(str(shown(name)) for name in sorted(again[label]))
            faults.add(
                CLIPS,
                f"pass is {shown(label)} without a flight, and in the flights {names}; say of each "
                "clip which flight it belongs to",
            )
            continue
        name = _name(flight, label) if label in again else label
        this = (flight if label in again else None, label)
        if called.setdefault(name, this) != this:
            faults.add(
                CLIPS,
                f"two passes are called {shown(name)}: where several flights use a label, their "
                "passes are called by flight and label; give one of them another label",
            )


def _again(labelled: Iterable[tuple[str | None, str | None]]) -> dict[str, set[str]]:
    """Return the labels that several flights use, with these flights."""
    flights: dict[str, set[str]] = {}
    for flight, label in labelled:
        if flight is not None and label is not None:
            flights.setdefault(label, set()).add(flight)
    return {label: named for label, named in flights.items() if len(named) > 1}


def _name(flight: str | None, label: str | None) -> str:
    return f"{flight}-{label}"
