"""What a run leaves behind: the results folder, whole or not at all."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
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
)
from vidspeed.record.figures import calibration_picture, track_picture
from vidspeed.record.lock import locked
from vidspeed.record.names import legal_name
from vidspeed.record.report import report_html
from vidspeed.record.summary import json_bytes, sensitivities, summary
from vidspeed.record.swap import check_place, heal, replace_folder
from vidspeed.record.units import unit_named
from vidspeed.values import ClipView, Outcome, Picture, Sighted

ClipKey = tuple[str, str]  # camera, clip


def write_results(outcome: Outcome, *, folder: Path | None = None, unit: str = "kmh") -> Path:
    """Write `results/` of a session and return its path.

    Parameters
    ----------
    folder
        The session folder; by default that of the outcome's session.
    unit
        In which a person reads speeds: kmh, mph, kn or mps.

    Raises
    ------
    ResultsError
        Where it cannot be written; earlier results are then as they were.
    """
    home = Path(outcome.session.folder) if folder is None else folder
    files = result_files(outcome, unit=unit)
    files.update(_kept_inputs(outcome))
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


def recover(folder: Path) -> None:
    """Heal what a killed run left in the session folder, before a new one begins.

    Raises ResultsError early where results could not be written at the end.
    """
    check_place(folder)
    with locked(folder):
        heal(folder)


def result_files(outcome: Outcome, *, unit: str = "kmh") -> dict[str, bytes]:
    """Return every file of `results/` by its path, with `/` between folder and name."""
    spoken = unit_named(unit)
    files = {
        "summary.json": json_bytes(summary(outcome)),
        "sensitivities.json": json_bytes(sensitivities(outcome)),
        "passes.csv": passes_csv(outcome, spoken),
    }
    pictures = dict(_calibration_pictures(outcome))
    seen = sightings_by_clip(outcome)
    tracks: dict[ClipKey, list[bytes]] = {}
    drives = drives_by_clip(outcome)
    for key, name in clip_places(outcome).items():
        tracks[key] = list(_track_pictures(outcome, key, seen.get(key, [])))
        lights = seen.get(key, []) or drives.get(key, [])
        files.update(_clip_files(name, lights, tracks[key]))
    files.update({f"calibration/{legal_name(name)}.png": png for name, png in pictures.items()})
    files[CONTENTS] = contents_bytes(files, outcome.inputs)
    files[REPORT] = report_html(
        outcome,
        unit=unit,
        tracks=tracks,
        calibration=pictures,
        contents_sha256=hashlib.sha256(files[CONTENTS]).hexdigest(),
    )
    return files


def sightings_by_clip(outcome: Outcome) -> dict[ClipKey, list[tuple[str, Sighted]]]:
    """Return what each pass, by its label, saw in each clip, in order of the passes."""
    found: dict[ClipKey, list[tuple[str, Sighted]]] = {}
    for result in outcome.passes:
        for sighted in result.sightings:
            found.setdefault((sighted.camera, sighted.clip), []).append((result.label, sighted))
    return found


def _clip_files(
    name: str, seen: list[tuple[str, Sighted]], pictures: list[bytes]
) -> Iterator[tuple[str, bytes]]:
    """Yield the track file of one clip and its pictures: `track.png`, `track-2.png` and so on."""
    if seen:
        yield f"{name}/track.csv", track_csv(seen)
    for number, picture in enumerate(pictures, start=1):
        yield f"{name}/{'track' if number == 1 else f'track-{number}'}.png", picture


def _track_pictures(
    outcome: Outcome, key: ClipKey, seen: list[tuple[str, Sighted]]
) -> Iterator[bytes]:
    """Yield a picture for each pass in the clip, or one of the clip without a pass."""
    camera, clip = key
    view = _view(outcome, key) or ClipView(
        clip=clip, camera=camera, facts=None, brightest=None, still=None, tracks=()
    )
    drawing = outcome.drawing.get(camera)
    for _, sighted in seen:
        yield track_picture(view, sighted, drawing)
    if not seen and view.brightest is not None:
        yield track_picture(view, None, drawing)


def _view(outcome: Outcome, key: ClipKey) -> ClipView | None:
    """Return the view of a clip, None where it has none."""
    matching = (view for view in outcome.clips if (view.camera, view.clip) == key)
    return next(matching, None)


def _calibration_pictures(outcome: Outcome) -> Iterator[tuple[str, bytes]]:
    """Yield the name and the calibration picture of each camera."""
    for fit in outcome.cameras:
        still = _first_still(outcome, fit.camera)
        yield fit.camera, calibration_picture(still, fit, outcome.drawing.get(fit.camera))


def _first_still(outcome: Outcome, camera: str) -> Picture | None:
    """Return the background of the camera's first clip that has one."""
    stills = (view.still for view in outcome.clips if view.camera == camera)
    return next((still for still in stills if still is not None), None)


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
