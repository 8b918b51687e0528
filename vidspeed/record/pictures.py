"""The pictures of each pass in each of its clips: as files, and small enough for the report."""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import chain, count

from matplotlib.figure import Figure

from vidspeed.record.canvas import jpeg, painted, png, svg
from vidspeed.record.charts import residual_chart, speed_chart
from vidspeed.record.courseview import plan_view
from vidspeed.record.figures import calibration_figure, track_figure
from vidspeed.record.names import legal_name
from vidspeed.record.spacetime import Sheet, sheet_of, space_time
from vidspeed.record.spool import Spool
from vidspeed.record.wholepass import whole_pass
from vidspeed.spread.executor import Call, shared_out
from vidspeed.values import (
    CameraFit,
    ClipView,
    CourseDrawing,
    Outcome,
    PassResult,
    Picture,
    Sighted,
    Value,
)
from vidspeed.values.pictured import Filmed, Lane

ClipKey = tuple[str, str]  # camera, clip
Files = tuple[tuple[str, bytes], ...]  # names and contents

REPORT_BYTES = 2_000_000  # of all photographs of a report of usual length, before they are coded
MOST_BYTES = 160_000  # of one of them
LARGEST_DRAWING = 45_000  # bytes; a larger one is shown as a photograph is
QUALITIES = (82, 72, 60, 48, 36)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn(Value):
    """One pass in one clip, drawn: files by the ends of their names, and what the report shows.

    `shown` and `space` are (kind, bytes), `space` None where its frames were not decoded again.
    """

    files: Files
    shown: tuple[str, bytes]
    space: tuple[str, bytes] | None = None
    sheet: Sheet | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Charts(Value):
    """The charts of a report as SVG files; of each pass, in their order, None where it has none."""

    plan: bytes
    speeds: tuple[bytes | None, ...]
    residuals: tuple[bytes | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Album(Value):
    """What the report shows of the pictures of a run; `calibration` by camera: small JPEG."""

    drawn: Mapping[ClipKey, Sequence[Drawn]]
    charts: Charts
    calibration: Mapping[str, bytes]


def all_pictures(
    outcome: Outcome,
    places: Mapping[ClipKey, str],
    unit: str,
    files: Spool,
    pool: Executor | None = None,
) -> Album:
    """Draw all pictures of a run; one process of `pool` helps.

    Their `files` are put away as soon as they are drawn: of many passes they are large. The helper
    begins with the largest picture: it has just read clips, and its memory is larger anyway.
    """
    calibrating, drawing = calibration_calls(outcome), drawing_calls(outcome, unit)
    charting, plan = chart_calls(outcome, places, unit)
    calls = [*calibrating, *chain.from_iterable(drawing.values()), *charting, plan]
    passes = [(places[key], number) for key, rows in drawing.items() for number in range(len(rows))]
    named = dict(enumerate(passes, len(calibrating)))

    def taken(number: int, made: Drawn | Charted | Shown) -> Drawn | Charted | Shown:
        own = named_files(*named[number], made.files) if number in named else made.files
        for path, data in own:
            files.put(path, data)
        return replace(made, files=())

    made = iter(shared_out(pool, calls, taken))
    calibration = {fit.camera: next(made).shown for fit in outcome.cameras}
    drawn = {key: [next(made) for _ in rows] for key, rows in drawing.items()}
    charted = [next(made) for _ in charting]
    charts = Charts(
        plan=next(made).shown,
        speeds=tuple(row.speed for row in charted),
        residuals=tuple(row.residuals for row in charted),
    )
    return Album(drawn=drawn, charts=charts, calibration=calibration)


def drawing_calls(outcome: Outcome, unit: str) -> dict[ClipKey, list[Call]]:
    """Return what draws the pictures of each clip: one set for each pass in it, or one without.

    Each call gives a `Drawn`; what it is given is small enough to be sent to another process.
    """
    seen = sightings_by_clip(outcome)
    views = {(view.camera, view.clip): view for view in outcome.clips}
    keys = list(dict.fromkeys([*seen, *views]))
    count = sum(max(len(seen.get(key, [])), 1) for key in keys) + len(outcome.cameras)
    most = min(MOST_BYTES, REPORT_BYTES // max(count, 1))
    return {key: list(_calls(outcome, key, seen.get(key, []), views, unit, most)) for key in keys}


def sightings_by_clip(outcome: Outcome) -> dict[ClipKey, list[tuple[str, Sighted]]]:
    """Return what each pass, by its label, saw in each clip, in order of the passes."""
    found: dict[ClipKey, list[tuple[str, Sighted]]] = {}
    for result in outcome.passes:
        for sighted in result.sightings:
            found.setdefault((sighted.camera, sighted.clip), []).append((result.label, sighted))
    return found


def filmed_of(outcome: Outcome, label: str, key: ClipKey) -> Filmed | None:
    """Return the frames of a pass in one clip, None where they were not decoded again."""
    return next(
        (
            row
            for row in outcome.filmed
            if (row.lane.label, row.lane.camera, row.lane.clip) == (label, *key)
        ),
        None,
    )


def _calls(
    outcome: Outcome,
    key: ClipKey,
    seen: Sequence[tuple[str, Sighted]],
    views: Mapping[ClipKey, ClipView],
    unit: str,
    most_bytes: int,
) -> Iterator[Call]:
    """Yield what draws the pictures of one clip."""
    camera, clip = key
    view = views.get(key) or ClipView(
        clip=clip, camera=camera, facts=None, brightest=None, still=None, tracks=()
    )
    view = replace(view, footage=(), still=None)  # neither is drawn here
    drawing = outcome.drawing.get(camera)
    results = {result.label: result for result in outcome.passes}
    for label, sighted in seen:
        filmed = filmed_of(outcome, label, key)
        if filmed is None:
            yield _without_film, (view, sighted, drawing, label, most_bytes)
            continue
        course = course_of(outcome, filmed.lane)
        yield _with_film, (results[label], sighted, filmed, course, unit, most_bytes)
    if not seen and view.brightest is not None:
        yield _without_film, (view, None, drawing, clip, most_bytes)


def _without_film(
    view: ClipView,
    sighted: Sighted | None,
    drawing: CourseDrawing | None,
    name: str,
    most_bytes: int,
) -> Drawn:
    """Draw the lights of a pass whose frames are not there, or a clip without a pass."""
    return _pictures(track_figure(view, sighted, drawing), None, None, name, most_bytes)


def _with_film(
    result: PassResult,
    sighted: Sighted,
    filmed: Filmed,
    course: CourseDrawing | None,
    unit: str,
    most_bytes: int,
) -> Drawn:
    """Draw a pass in one clip with its frames."""
    whole = whole_pass(result, sighted, filmed, course)
    sheet = sheet_of(filmed)
    return _pictures(whole, space_time(result, filmed, unit), sheet, result.label, most_bytes)


def course_of(outcome: Outcome, lane: Lane) -> CourseDrawing | None:
    """Return the course as it lies in the clip of a lane, or else as its camera was calibrated."""
    return lane.drawing or outcome.drawing.get(lane.camera)


def _pictures(
    whole: Figure, space: Figure | None, sheet: Sheet | None, name: str, most_bytes: int
) -> Drawn:
    """Return the files of a set of pictures."""
    photo = painted(whole)
    files = [("track.png", png(photo, coarse=True)), ("track.svg", svg(whole, f"track {name}"))]
    shown = ("jpeg", small(photo, most_bytes))
    if space is None:
        return Drawn(files=tuple(files), shown=shown)
    vector = svg(space, f"space-time {name}")
    sheet_px = painted(space)
    files += [("space-time.png", png(sheet_px)), ("space-time.svg", vector)]
    fits = len(vector) <= LARGEST_DRAWING
    shape = ("svg+xml", vector) if fits else ("jpeg", small(sheet_px, LARGEST_DRAWING))
    return Drawn(files=tuple(files), shown=shown, space=shape, sheet=sheet)


def small(pixels: Picture, most_bytes: int) -> bytes:
    """Return what was painted as a JPEG file of at most so many bytes, or as is bearable."""
    data = b""
    for quality in QUALITIES:
        data = jpeg(pixels, quality)
        if len(data) <= most_bytes:
            break
    return data


def named_files(folder: str, number: int, files: Files) -> Iterator[tuple[str, bytes]]:
    """Yield path and bytes of the pictures of a clip's pass of that number, from 0.

    They are `track.png`, `track-2.png` and so on.
    """
    for ending, data in files:
        stem, dot, kind = ending.partition(".")
        yield f"{folder}/{stem}{f'-{number + 1}' if number else ''}{dot}{kind}", data


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Charted(Value):
    """The charts of a pass as SVG files, None where it has none, and its files by their paths."""

    files: Files
    speed: bytes | None
    residuals: bytes | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shown(Value):
    """One picture as the report shows it, and its files by their paths."""

    files: Files
    shown: bytes


def chart_calls(
    outcome: Outcome, places: Mapping[ClipKey, str], unit: str
) -> tuple[list[Call], Call]:
    """Return what draws the charts of each pass (`Charted`), and the plan (`Shown`)."""
    calls: list[Call] = []
    taken: set[str] = set()
    for number, result in enumerate(outcome.passes):
        name = ""
        if result.profile is not None and result.sightings:
            folder = places[(result.sightings[0].camera, result.sightings[0].clip)]
            name = _free(f"{folder}/speed", taken)
            taken.add(name)
        calls.append((_charted, (result, unit, number, name)))
    return calls, (_plan, (replace(outcome, clips=(), filmed=()),))


def _charted(result: PassResult, unit: str, number: int, name: str) -> Charted:
    """Draw the charts of a pass; that of its speed where it has a `name`."""
    speed = _both(speed_chart(result, unit), name) if name else None
    return Charted(
        files=() if speed is None else speed.files,
        speed=None if speed is None else speed.shown,
        residuals=svg(residual_chart(result), f"residuals {number}") if result.sightings else None,
    )


def _plan(outcome: Outcome) -> Shown:
    return _both(plan_view(outcome), "course")


def _free(name: str, taken: Container[str]) -> str:
    """Return a name of a picture that is not taken: `speed`, `speed-2` and so on."""
    numbered = (f"{name}-{number}" for number in count(2))
    return next(free for free in chain([name], numbered) if free not in taken)


def _both(figure: Figure, name: str) -> Shown:
    """Return a chart as an SVG, which is shown, and as a PNG file."""
    drawing = svg(figure, name)
    return Shown(files=((f"{name}.svg", drawing), (f"{name}.png", png(figure))), shown=drawing)


def calibration_calls(outcome: Outcome) -> list[Call]:
    """Return what draws each camera's calibration (`Shown`): a PNG, and for the report a JPEG."""
    return [
        (_calibrated, (_first_still(outcome, fit.camera), fit, outcome.drawing.get(fit.camera)))
        for fit in outcome.cameras
    ]


def _calibrated(still: Picture | None, fit: CameraFit, drawing: CourseDrawing | None) -> Shown:
    pixels = painted(calibration_figure(still, fit, drawing))
    path = f"calibration/{legal_name(fit.camera)}.png"
    return Shown(files=((path, png(pixels, coarse=True)),), shown=small(pixels, MOST_BYTES))


def _first_still(outcome: Outcome, camera: str) -> Picture | None:
    """Return the background of the camera's first clip that has one."""
    stills = (view.still for view in outcome.clips if view.camera == camera)
    return next((still for still in stills if still is not None), None)
