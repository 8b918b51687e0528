"""The frames of a pass with the course drawn in, and below them the clock and the speed so far."""

from __future__ import annotations

from concurrent.futures import Executor
from pathlib import Path

from vidspeed.assembly.gather import Keeping
from vidspeed.clip.cut import cut
from vidspeed.errors import ResultsError
from vidspeed.measure import run
from vidspeed.picture import film_name, pass_films, refuse_unknown
from vidspeed.record.onframes import Annotator
from vidspeed.record.pictures import course_of
from vidspeed.spread.progress import Tell

FOLDER = "annotated"  # in the session folder
BEFORE_S, AFTER_S = 0.5, 1.0  # that are shown before and after the pass


def annotate(
    folder: Path,
    label: str,
    *,
    out: Path | None = None,
    slow: int = 1,
    unit: str = "kmh",
    clips: Path | None = None,
    progress: Tell | None = None,
    pool: Executor | None = None,
) -> list[Path]:
    """Measure the session in `folder` and write one pass as an annotated clip for each camera.

    Returns the files written, into `out` or `annotated/` of the session folder. The frames have
    the stamps that they have in the clip, times `slow`, and keep their sound.

    Raises
    ------
    VidspeedError
        Where the session cannot be measured, or has no such pass, or none of its frames is there.
    """
    refuse_unknown(folder, label, clips)
    keeping = Keeping(folder=folder)
    outcome = run(folder, clips=clips, progress=progress, pool=pool, keeping=keeping)
    place = out or folder / FOLDER
    films = pass_films(outcome, label)
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResultsError(f"{place}: cannot be made: {error.strerror}") from error
    written = []
    for result, filmed, _ in films:
        lane = filmed.lane
        clip = next(row for row in outcome.session.clips if row.name == lane.clip)
        pen = Annotator(result, lane, course_of(outcome, lane), unit)
        target = place / f"{film_name(outcome, filmed)}.mp4"
        cut(
            outcome.session.path_of(clip), target, pen.draw, from_s=lane.from_s - BEFORE_S,
            to_s=lane.to_s + AFTER_S, slow=slow, rate_hz=clip.rate_hz,
        )  # fmt: skip
        written.append(target)
    return written
