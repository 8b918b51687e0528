"""Large prints of one pass: place against time to scale, and the whole pass in one picture."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from pathlib import Path

from vidspeed.assembly.gather import Keeping
from vidspeed.clip.rows import film
from vidspeed.errors import ResultsError, VidspeedError
from vidspeed.mark import opened
from vidspeed.measure import run
from vidspeed.record.canvas import png, svg
from vidspeed.record.names import legal_name
from vidspeed.record.pictures import course_of
from vidspeed.record.readback import outcome_untouched
from vidspeed.record.spacetime import LARGE, space_time
from vidspeed.record.wholepass import whole_pass
from vidspeed.saving import MEND, save
from vidspeed.spread.progress import Tell
from vidspeed.values import Outcome, PassResult, Session, Sighted
from vidspeed.values.pictured import Filmed

FOLDER = "pictures"  # in the session folder
PRINT_DPI = 300
PHOTO_DPI = 400  # of the whole pass, nine inches wide
MOST_PIXELS = 24_000_000


def picture(
    folder: Path,
    label: str,
    *,
    out: Path | None = None,
    unit: str = "kmh",
    clips: Path | None = None,
    progress: Tell | None = None,
    pool: Executor | None = None,
) -> list[Path]:
    """Measure the session in `folder` and print one pass large, for each camera that saw it.

    Returns the files written: PNG and SVG of both pictures, into `out` or `pictures/` of the
    session folder. What is kept of the clips is used, so that only this pass is decoded.

    Raises
    ------
    VidspeedError
        Where the session cannot be measured, or has no such pass, or none of its frames is there.
    """
    refuse_unknown(folder, label, clips)
    keeping = Keeping(folder=folder)
    outcome = run(folder, clips=clips, progress=progress, pool=pool, keeping=keeping)
    place = out or folder / FOLDER
    written = []
    for result, filmed, sighted in pass_films(outcome, label):
        clip = next(row for row in outcome.session.clips if row.name == filmed.lane.clip)
        large = film(
            outcome.session.path_of(clip), filmed.lane, darker=filmed.darker, rate_hz=clip.rate_hz,
            most_pixels=MOST_PIXELS,
        )  # fmt: skip
        name = film_name(outcome, filmed)
        sheet = space_time(result, large, unit, room=LARGE)
        whole = whole_pass(result, sighted, large, course_of(outcome, filmed.lane))
        files = {
            f"{name}-space-time.png": png(sheet, dpi=PRINT_DPI),
            f"{name}-space-time.svg": svg(sheet, name),
            f"{name}-whole.png": png(whole, dpi=PHOTO_DPI),
            f"{name}-whole.svg": svg(whole, name),
        }
        written += [put(place / file, data) for file, data in files.items()]
    return written


def refuse_unknown(folder: Path, label: str, clips: Path | None) -> None:
    """Raise VidspeedError for a pass that is not there, where that is known before measuring."""
    known = _labels(opened(folder, clips))
    if known and label not in known:
        raise _no_such(label, known)


def _labels(session: Session) -> list[str]:
    """Return the labels of all passes; none where only measuring can tell."""
    kept = outcome_untouched(session)
    if kept is not None:
        return [row.label for row in kept.passes]
    labels = [clip.pass_label for clip in session.clips]
    stated = [label for label in labels if label is not None]
    return list(dict.fromkeys(stated)) if len(stated) == len(labels) else []


def _no_such(label: str, known: Sequence[str]) -> VidspeedError:
    some = ", ".join(known) or "none at all"
    return VidspeedError(f"pass {label}: there is no such pass; there are: {some}")


def pass_films(outcome: Outcome, label: str) -> list[tuple[PassResult, Filmed, Sighted]]:
    """Return a pass with its frames in each clip, and its lights there.

    VidspeedError names the passes there are, or says why there are no frames.
    """
    result = next((row for row in outcome.passes if row.label == label), None)
    if result is None:
        raise _no_such(label, [row.label for row in outcome.passes])
    seen = {(row.camera, row.clip): row for row in result.sightings}
    films = [
        (result, row, seen[row.lane.camera, row.lane.clip])
        for row in outcome.filmed
        if row.lane.label == label and (row.lane.camera, row.lane.clip) in seen
    ]
    if not films:
        raise VidspeedError(
            f"pass {label}: no frame of it can be shown: it was not measured, or its clips are "
            "given as tracks; put the clips back into the folder and name them under `file` alone"
        )
    return films


def film_name(outcome: Outcome, filmed: Filmed) -> str:
    """Return a legal name for what is made of a pass in one clip, of its own for each clip."""
    lane = filmed.lane
    clips = [
        row.lane.clip
        for row in outcome.filmed
        if (row.lane.label, row.lane.camera) == (lane.label, lane.camera)
    ]
    number = f"-{clips.index(lane.clip) + 1}" if len(clips) > 1 else ""
    return legal_name(f"pass-{lane.label}-{lane.camera}{number}")


def put(path: Path, data: bytes) -> Path:
    """Write a file, whole or not at all, and the folder that it is in.

    Raises
    ------
    ResultsError
        Where it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResultsError(f"{path}: cannot be written: {error.strerror}; {MEND}") from error
    save(path, data)
    return path
