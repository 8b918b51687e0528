"""What a run leaves behind: the results folder, whole or not at all."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from concurrent.futures import Executor
from pathlib import Path, PurePosixPath
from typing import Literal

from vidspeed.errors import ResultsError
from vidspeed.record.columns import passes_csv, track_csv
from vidspeed.record.contents import (
    CONTENTS,
    REPORT,
    clip_places,
    contents_bytes,
    drives_by_clip,
    heard_by_clip,
)
from vidspeed.record.lock import locked
from vidspeed.record.names import legal_name
from vidspeed.record.pictures import all_pictures, sightings_by_clip
from vidspeed.record.report import report_parts
from vidspeed.record.spool import Spool
from vidspeed.record.summary import json_bytes, sensitivities, summary
from vidspeed.record.swap import check_place, replace_folder
from vidspeed.record.units import unit_named
from vidspeed.session.heardfile import heard_bytes
from vidspeed.spread.memory import give_back
from vidspeed.values import Outcome


def write_results(
    outcome: Outcome,
    *,
    folder: Path | None = None,
    unit: str = "kmh",
    pool: Executor | None = None,
) -> Path:
    """Write `results/` of a session and return its path.

    Parameters
    ----------
    folder
        The session folder; by default that of the outcome's session.
    unit
        In which a person reads speeds: kmh, mph, kn or mps.
    pool
        Processes one of which helps to draw, where there is much to draw.

    Raises
    ------
    ResultsError
        Where it cannot be written; earlier results are then as they were.
    """
    home = Path(outcome.session.folder) if folder is None else folder
    files = result_files(outcome, unit=unit, pool=pool)
    for path, content in _kept_inputs(outcome).items():
        files.put(path, content)
    check_place(home)
    with locked(home):
        return replace_folder(home, "results", files)


def write_calibration(
    folder: Path,
    files: Mapping[str, bytes],
    *,
    place: Literal["calibration", "survey", "plan"] = "calibration",
) -> Path:
    """Write `results/calibration/` of the session in `folder`; the other results stay.

    `files` are the contents by file name; `place` is the folder in `results/`. Raises ResultsError
    like `write_results`.
    """
    legal = {legal_name(name): content for name, content in files.items()}
    check_place(folder)
    with locked(folder):
        return replace_folder(folder, place, legal)


def result_files(outcome: Outcome, *, unit: str = "kmh", pool: Executor | None = None) -> Spool:
    """Return every file of `results/` by its path, with `/` between folder and name."""
    spoken, files = unit_named(unit), Spool()
    files.put("summary.json", json_bytes(summary(outcome)))
    files.put("sensitivities.json", json_bytes(sensitivities(outcome)))
    files.put("passes.csv", passes_csv(outcome, spoken))
    seen, drives = sightings_by_clip(outcome), drives_by_clip(outcome)
    places = clip_places(outcome)
    for key, rows in heard_by_clip(outcome).items():
        files.put(f"{places[key]}/heard.json", heard_bytes(rows))
    for key, name in places.items():
        if lights := seen.get(key, []) or drives.get(key, []):
            files.put(f"{name}/track.csv", track_csv(lights))
    give_back()  # what solving many passes took, before drawing takes as much
    album = all_pictures(outcome, places, unit, files, pool)
    give_back()  # what drawing took, before the report holds all pictures once more
    contents = contents_bytes(files, outcome.inputs)
    files.put(CONTENTS, contents)
    report = report_parts(
        outcome,
        unit=unit,
        drawn=album.drawn,
        charts=album.charts,
        calibration=album.calibration,
        contents_sha256=hashlib.sha256(contents).hexdigest(),
    )
    files.put(REPORT, report)
    return files


def _kept_inputs(outcome: Outcome) -> dict[str, bytes]:
    """Return the inputs that lie in `results/` themselves, as they are.

    An archived session names the tracks of its own results under `track`: solving it again must
    not take its inputs away.
    """
    kept: dict[str, bytes] = {}
    home = Path(outcome.session.folder)
    for item in outcome.inputs:
        parts = [part for part in PurePosixPath(item.file.replace("\\", "/")).parts if part != "."]
        if len(parts) < 2 or ".." in parts or not _same(home / parts[0], home / "results"):
            continue
        try:
            kept["/".join(parts[1:])] = home.joinpath(*parts).read_bytes()
        except OSError as fault:
            raise ResultsError(
                f"{item.file}: an input that lies in results/ cannot be read again "
                f"({fault.strerror}); move it out of results/ and change session.toml"
            ) from fault
    return kept


def _same(one: Path, other: Path) -> bool:
    """Tell whether two paths are one folder, also where capitals do not matter."""
    return one == other or (one.exists() and other.exists() and one.samefile(other))
