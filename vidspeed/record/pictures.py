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
from vidspeed.record.spacetime import Sheet, sheet_of, space_time
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

REPORT_BYTES = 2_000_000  # of all photographs of a report of usual length, before they are coded
MOST_BYTES = 160_000  # of one of them
LARGEST_DRAWING = 45_000  # bytes; a larger one is shown as a photograph is
QUALITIES = (82, 72, 60, 48, 36)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn(Value):
    """One pass in one clip, drawn: files by the ends of their names, and what the report shows.

    `shown` and `space` are (kind, bytes), `space` None where its frames were not decoded again.
    """

    files: tuple[tuple[str, bytes], ...]
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
    """All pictures of a run; `calibration` by camera: PNG, small JPEG; `chart_files` by path."""

    drawn: Mapping[ClipKey, Sequence[Drawn]]
    charts: Charts
    chart_files: Mapping[str, bytes]
    calibration: Mapping[str, tuple[bytes, bytes]]


def all_pictures(
    outcome: Outcome, places: Mapping[ClipKey, str], unit: str, pool: Executor | None = None
) -> Album:
    """Draw all pictures of a run; one process of `pool` helps."""
    drawing = drawing_calls(outcome, unit)
    charting, plan = chart_calls(outcome, places, unit)
    calls = [*chain.from_iterable(drawing.values()), *charting, plan, *calibration_calls(outcome)]
    made = iter(shared_out(pool, calls))
    drawn = {key: [next(made) for _ in rows] for key, rows in drawing.items()}
    charted = [next(made) for _ in charting]
    charts, files = charts_and_files(next(made), charted)
    calibration = {fit.camera: row for fit, row in zip(outcome.cameras, made, strict=True)}
    return Album(drawn=drawn, charts=charts, chart_files=files, calibration=calibration)


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


def named_files(name: str, number: int, drawn: Drawn) -> Iterator[tuple[str, bytes]]:
    """Yield path and bytes of the pictures of the n-th pass of a clip whose folder is `name`."""
    for ending, data in drawn.files:
        stem, dot, kind = ending.partition(".")
        yield f"{name}/{stem}{'' if number == 1 else f'-{number}'}{dot}{kind}", data


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Charted(Value):
    """The charts of a pass, None where it has none; `name` is where that of its speed goes."""

    name: str
    speed: tuple[bytes, bytes] | None  # SVG, PNG
    residuals: bytes | None


def chart_calls(
    outcome: Outcome, places: Mapping[ClipKey, str], unit: str
) -> tuple[list[Call], Call]:
    """Return what draws the charts of each pass (`Charted`), and the plan (SVG, PNG)."""
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
    seen = bool(result.sightings)
    return Charted(
        name=name,
        residuals=svg(residual_chart(result), f"residuals {number}") if seen else None,
        speed=_both(speed_chart(result, unit), name) if name else None,
    )


def _plan(outcome: Outcome) -> tuple[bytes, bytes]:
    return _both(plan_view(outcome), "course")


def charts_and_files(
    plan: tuple[bytes, bytes], charted: Sequence[Charted]
) -> tuple[Charts, dict[str, bytes]]:
    """Return the charts of the report, and as files the plan and in a clip's folder its speeds."""
    pairs = [("course", plan), *((row.name, row.speed) for row in charted if row.speed is not None)]
    files = {f"{name}.{kind}": data for name, pair in pairs for kind, data in _kinds(pair)}
    charts = Charts(
        plan=plan[0],
        speeds=tuple(None if row.speed is None else row.speed[0] for row in charted),
        residuals=tuple(row.residuals for row in charted),
    )
    return charts, files


def _kinds(pair: tuple[bytes, bytes]) -> Iterator[tuple[str, bytes]]:
    return zip(("svg", "png"), pair, strict=True)


def _free(name: str, taken: Container[str]) -> str:
    """Return a name of a picture that is not taken: `speed`, `speed-2` and so on."""
    numbered = (f"{name}-{number}" for number in count(2))
    return next(free for free in chain([name], numbered) if free not in taken)


def _both(figure: Figure, name: str) -> tuple[bytes, bytes]:
    """Return a chart as an SVG and as a PNG file."""
    return svg(figure, name), png(figure)


def calibration_calls(outcome: Outcome) -> list[Call]:
    """Return what draws each camera's calibration: as PNG, and as a small JPEG for the report."""
    return [
        (_calibrated, (_first_still(outcome, fit.camera), fit, outcome.drawing.get(fit.camera)))
        for fit in outcome.cameras
    ]


def _calibrated(
    still: Picture | None, fit: CameraFit, drawing: CourseDrawing | None
) -> tuple[bytes, bytes]:
    pixels = painted(calibration_figure(still, fit, drawing))
    return png(pixels, coarse=True), small(pixels, MOST_BYTES)


def _first_still(outcome: Outcome, camera: str) -> Picture | None:
    """Return the background of the camera's first clip that has one."""
    stills = (view.still for view in outcome.clips if view.camera == camera)
    return next((still for still in stills if still is not None), None)
