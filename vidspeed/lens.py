"""Measure a lens from clips or stills of a printed chart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from vidspeed.clip.moments import Moment, still_moments
from vidspeed.clip.read import ClipReader
from vidspeed.clip.still import read_picture
from vidspeed.errors import CalibrationError, ClipError
from vidspeed.geometry.boards import Sighting, find_chart, found_again
from vidspeed.geometry.chart import check_chart
from vidspeed.geometry.lensfit import fit_lens
from vidspeed.geometry.lensviews import (
    check_enough,
    check_known,
    check_one_zoom,
    coverage,
    spread_views,
)
from vidspeed.spread.progress import Tell
from vidspeed.values import Chart, Ints, LensFit, Value, View

PICTURES = {".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp", ".webp", ".pgm"}
MOST_MOVED_PX = 1.0  # from one frame to the next; a rolling shutter bends what moves more


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredLens(Value):
    """A measured lens, the views that it is made of, and what was looked at.

    `cover` counts the corners in each cell of the picture; `moving` views were left out because
    the chart or the camera moved, `found` of `looked_at` pictures showed the chart.
    """

    fit: LensFit
    views: tuple[View, ...]
    cover: Ints
    looked_at: int
    found: int
    moving: int


@dataclass(slots=True)
class _Looked:
    """What was found so far; pictures are not kept."""

    views: list[View]
    sizes: dict[str, tuple[int, int]]
    looked_at: int = 0
    moving: int = 0


def lens(
    paths: Sequence[Path],
    chart: Chart,
    *,
    focus: Literal["near", "field"] = "near",
    progress: Tell | None = None,
) -> MeasuredLens:
    """Measure the lens that filmed a chart.

    Parameters
    ----------
    paths
        Clips, stills, or both, all of one camera, zoom, focus and video mode.
    chart
        What was printed.
    focus
        "field": the lens stood focused as it will be in the field; "near": it did not, and a
        session that uses the file lets its markers correct the focal length.

    Raises
    ------
    ClipError
        Where a file cannot be read.
    CalibrationError
        Where the files are of different picture sizes or zooms, or the views are too few or too
        much alike; with what to film.
    """
    check_chart(chart)
    seen = _looked(paths, chart, progress)
    size_px = _one_size(seen.sizes)
    chosen = spread_views(seen.views, size_px)
    check_enough(chosen, size_px, seen.looked_at)
    if progress is not None:
        progress("fitting the lens", 0, 0)
    fit = fit_lens(chosen, size_px)
    check_one_zoom(chosen, size_px, fit.parameters)
    check_known(fit)
    return MeasuredLens(
        fit=replace(fit, focus=focus),
        views=tuple(chosen),
        cover=coverage(chosen, size_px),
        looked_at=seen.looked_at,
        found=len(seen.views) + seen.moving,
        moving=seen.moving,
    )


def _looked(paths: Sequence[Path], chart: Chart, progress: Tell | None) -> _Looked:
    seen = _Looked(views=[], sizes={})
    for number, path in enumerate(paths):
        if progress is not None:
            progress("looking for the chart", number, len(paths))
        if path.suffix.lower() in PICTURES:
            _look_at_still(path, chart, seen)
        else:
            _look_at_clip(path, chart, seen)
    return seen


def _look_at_still(path: Path, chart: Chart, seen: _Looked) -> None:
    picture = read_picture(path)
    seen.sizes[path.name] = (picture.shape[1], picture.shape[0])
    seen.looked_at += 1
    found = find_chart(picture, chart)
    if found is not None:
        seen.views.append(_view(path.name, path.name, None, found))


def _view(name: str, source: str, time_s: float | None, found: Sighting) -> View:
    return View(
        name=name,
        source=source,
        time_s=time_s,
        plane_m=found.plane_m,
        xy_px=found.xy_px,
        blur_px=found.blur_px,
    )


def _look_at_clip(path: Path, chart: Chart, seen: _Looked) -> None:
    """Look for the chart in the stillest sharp frame of each short stretch of a clip."""
    with ClipReader(path) as reader:
        seen.sizes[path.name] = reader.header.size_px
        for moment in still_moments(reader):
            _look_at_moment(path, chart, seen, moment)


def _look_at_moment(path: Path, chart: Chart, seen: _Looked, moment: Moment) -> None:
    seen.looked_at += 1
    found = find_chart(moment.picture, chart)
    if found is None:
        return
    before = found_again(moment.before, chart, found)
    if before is None or _moved_px(found, before) > MOST_MOVED_PX:
        seen.moving += 1
        return
    name = f"{path.name} at {moment.time_s:.2f} s"
    seen.views.append(_view(name, path.name, moment.time_s, found))


def _moved_px(now: Sighting, before: Sighting) -> float:
    """Return how far the corners of two frames are apart, RMS over those in both."""
    places = {tuple(place): xy for place, xy in zip(before.plane_m, before.xy_px, strict=True)}
    steps = [
        xy - places[tuple(place)]
        for place, xy in zip(now.plane_m, now.xy_px, strict=True)
        if tuple(place) in places
    ]
    return float(np.sqrt(np.mean(np.sum(np.square(steps), axis=1)))) if steps else float("inf")


def _one_size(sizes: dict[str, tuple[int, int]]) -> tuple[int, int]:
    """Return the picture size of all files, or refuse several."""
    if not sizes:
        raise ClipError("no clip or still of the chart is given; name at least one")
    by_size: dict[tuple[int, int], list[str]] = {}
    for name, size in sizes.items():
        by_size.setdefault(size, []).append(name)
    if len(by_size) > 1:
        kinds = "; ".join(
            f"{width} x {height}: {', '.join(names[:3])}{' ...' if len(names) > 3 else ''}"
            for (width, height), names in by_size.items()
        )
        raise CalibrationError(
            f"the files are of different picture sizes ({kinds}); another size may be cropped or "
            "zoomed, so each needs a lens file of its own: name the files of one size"
        )
    return next(iter(by_size))
