"""The pictures of each pass in each of its clips: as files, and small enough for the report."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, count

from matplotlib.figure import Figure

from vidspeed.record.canvas import jpeg, painted, png, svg
from vidspeed.record.charts import residual_chart, speed_chart
from vidspeed.record.courseview import plan_view
from vidspeed.record.figures import track_figure
from vidspeed.record.spacetime import Sheet, sheet_of, space_time
from vidspeed.record.wholepass import whole_pass
from vidspeed.values import ClipView, CourseDrawing, Outcome, Picture, Sighted, Value
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


def all_drawn(outcome: Outcome, unit: str) -> dict[ClipKey, list[Drawn]]:
    """Return the pictures of every clip: one set for each pass in it, or one without a pass."""
    seen = sightings_by_clip(outcome)
    views = {(view.camera, view.clip): view for view in outcome.clips}
    keys = list(dict.fromkeys([*seen, *views]))
    count = sum(max(len(seen.get(key, [])), 1) for key in keys) + len(outcome.cameras)
    most = min(MOST_BYTES, REPORT_BYTES // max(count, 1))
    return {key: list(_drawn(outcome, key, seen.get(key, []), views, unit, most)) for key in keys}


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


def _drawn(
    outcome: Outcome,
    key: ClipKey,
    seen: Sequence[tuple[str, Sighted]],
    views: Mapping[ClipKey, ClipView],
    unit: str,
    most_bytes: int,
) -> Iterator[Drawn]:
    """Yield the pictures of one clip."""
    camera, clip = key
    view = views.get(key) or ClipView(
        clip=clip, camera=camera, facts=None, brightest=None, still=None, tracks=()
    )
    drawing = outcome.drawing.get(camera)
    results = {result.label: result for result in outcome.passes}
    for label, sighted in seen:
        filmed = filmed_of(outcome, label, key)
        if filmed is None:
            yield _pictures(track_figure(view, sighted, drawing), None, None, label, most_bytes)
            continue
        whole = whole_pass(results[label], sighted, filmed, course_of(outcome, filmed.lane))
        sheet = sheet_of(filmed)
        space = space_time(results[label], filmed, unit)
        yield _pictures(whole, space, sheet, label, most_bytes)
    if not seen and view.brightest is not None:
        yield _pictures(track_figure(view, None, drawing), None, None, clip, most_bytes)


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
class Charts(Value):
    """The charts of a report as SVG files; of each pass, in their order, None where it has none."""

    plan: bytes
    speeds: tuple[bytes | None, ...]
    residuals: tuple[bytes | None, ...]


def charts_and_files(
    outcome: Outcome, places: Mapping[ClipKey, str], unit: str
) -> tuple[Charts, dict[str, bytes]]:
    """Return the charts of the report, and as files the plan and in a clip's folder its speeds."""
    plan, files = _both(plan_view(outcome), "course")
    speeds: list[bytes | None] = []
    residuals: list[bytes | None] = []
    for number, result in enumerate(outcome.passes):
        seen = bool(result.sightings)
        drawing = svg(residual_chart(result), f"residuals {number}") if seen else None
        residuals.append(drawing)
        if result.profile is None or not seen:
            speeds.append(None)
            continue
        folder = places[(result.sightings[0].camera, result.sightings[0].clip)]
        drawing, made = _both(speed_chart(result, unit), _free(f"{folder}/speed", files))
        speeds.append(drawing)
        files.update(made)
    return Charts(plan=plan, speeds=tuple(speeds), residuals=tuple(residuals)), files


def _free(name: str, files: Mapping[str, bytes]) -> str:
    """Return a name of a picture that is not taken: `speed`, `speed-2` and so on."""
    numbered = (f"{name}-{number}" for number in count(2))
    return next(free for free in chain([name], numbered) if f"{free}.svg" not in files)


def _both(figure: Figure, name: str) -> tuple[bytes, dict[str, bytes]]:
    """Return a chart as SVG, and its files by name."""
    drawing = svg(figure, name)
    figure.set_layout_engine("none")  # it is laid out by now
    return drawing, {f"{name}.svg": drawing, f"{name}.png": png(figure)}
