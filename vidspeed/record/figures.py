"""Pictures for people, as PNG bytes: no window, no state between two calls."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Annotation

from vidspeed.record.canvas import (
    ORANGE,
    SKY,
    VERMILLION,
    draw_course,
    legend_below,
    photo,
    plain,
    png,
    write,
)
from vidspeed.record.labels import Placed, beside, box
from vidspeed.record.wholepass import dismissed, window
from vidspeed.values import (
    CameraFit,
    ClipView,
    CourseDrawing,
    Floats,
    MarkerResidual,
    Picture,
    Sighted,
)

NAME_PT = 9.0  # size of markers' names


def track_figure(view: ClipView, sighted: Sighted | None, drawing: CourseDrawing | None) -> Figure:
    """Draw the lights over the brightest value of each pixel of the clip.

    Lights that the solution used are rings, the others crosses; with the course line, the flight
    line and both gates as the camera sees them.
    """
    lights = [sighted.track.xy_px] if sighted is not None else [t.xy_px for t in view.tracks]
    size = view.facts.size_px if view.facts is not None else None
    low, high = _bounds(view.brightest, size, [*lights, *_lines(drawing)])
    figure, axes = photo(view.brightest, low, high)
    draw_course(axes, drawing)
    if sighted is not None:
        _draw_lights(axes, sighted)
    else:
        _draw_candidates(axes, lights)
    legend_below(figure, axes)
    return figure


def _draw_lights(axes: Axes, sighted: Sighted) -> None:
    """Draw rings around the used lights, crosses on the others, squares around dismissed ones."""
    used, xy, out = sighted.used, sighted.track.xy_px, dismissed(sighted)
    left = ~used & ~out
    axes.plot(
        xy[used, 0], xy[used, 1], ls="", marker="o", ms=7, mfc="none", mec=SKY, mew=1.3,
        label=f"light used ({int(used.sum())})",
    )  # fmt: skip
    if left.any():
        axes.plot(
            xy[left, 0], xy[left, 1], ls="", marker="x", ms=6, color=VERMILLION, mew=1.3,
            label=f"light not used ({int(left.sum())})",
        )  # fmt: skip
    if out.any():
        axes.plot(
            xy[out, 0], xy[out, 1], ls="", marker="s", ms=8, mfc="none", color=VERMILLION, mew=1.3,
            label=f"light dismissed by hand ({int(out.sum())})",
        )  # fmt: skip


def _draw_candidates(axes: Axes, lights: Sequence[Floats]) -> None:
    """Draw the tracks of a clip in which none was taken for the craft."""
    for number, xy in enumerate(lights):
        axes.plot(
            xy[:, 0], xy[:, 1], color=ORANGE, lw=1.0, marker=".", ms=4,
            label="track, not taken for the craft" if number == 0 else None,
        )  # fmt: skip


def calibration_picture(
    still: Picture | None, fit: CameraFit, drawing: CourseDrawing | None
) -> bytes:
    """Return `calibration_figure` as a PNG file."""
    return png(calibration_figure(still, fit, drawing), coarse=True)


def calibration_figure(
    still: Picture | None, fit: CameraFit, drawing: CourseDrawing | None
) -> Figure:
    """Draw picks, re-projected markers and what is left of each, with the course and its gates."""
    picked = _stack([marker.picked_px for marker in fit.markers])
    low, high = _bounds(still, None, [picked, *_lines(drawing)])
    enlarged = _enlargement(fit.markers, float(high[0] - low[0]))
    if still is not None:
        ends = _stack([m.projected_px + enlarged * m.residual_px for m in fit.markers])
        low, high = window(low, high, [picked, ends, *_lines(drawing)])
    figure, axes = photo(still, low, high)
    draw_course(axes, drawing)
    _draw_markers(axes, fit.markers, enlarged)
    legend_below(figure, axes)
    return figure


def _draw_markers(axes: Axes, markers: Sequence[MarkerResidual], enlarged: float) -> None:
    """Draw a ring on each pick, a cross on each re-projection and the residual, enlarged."""
    for use, colour in (("fit", SKY), ("check", ORANGE)):
        group = [marker for marker in markers if marker.use == use]
        picked = _stack([marker.picked_px for marker in group])
        arrow = _stack([marker.residual_px for marker in group]) * enlarged
        if not group:
            continue
        axes.plot(
            picked[:, 0], picked[:, 1], ls="", marker="o", ms=9, mfc="none", mec=colour, mew=1.5,
            label="pick" if use == "fit" else "pick of a check marker",
        )  # fmt: skip
        seen = _stack([marker.projected_px for marker in group])
        axes.plot(
            seen[:, 0], seen[:, 1], ls="", marker="+", ms=7, color="white", mew=1.1,
            label="marker re-projected" if use == "fit" else None,
        )  # fmt: skip
        axes.quiver(
            seen[:, 0], seen[:, 1], arrow[:, 0], arrow[:, 1], color=VERMILLION, angles="xy",
            scale_units="xy", scale=1.0, width=0.0025, zorder=3,
            label=f"residual × {enlarged:g}" if use == "fit" else None,
        )  # fmt: skip
    _name_markers(axes, markers)


def _name_markers(axes: Axes, markers: Sequence[MarkerResidual]) -> None:
    """Write each marker's name beside its pick, where it covers no other name and no pick."""
    names = [plain(marker.name, 16) for marker in markers]
    to_pt = 72.0 / axes.figure.dpi
    at_pt = axes.transData.transform(_stack([marker.picked_px for marker in markers])) * to_pt
    ends = axes.get_window_extent()
    room = np.array([ends.x0, ends.y0, ends.x1, ends.y1]) * to_pt
    taken = [_written(text, to_pt) for text in axes.texts if isinstance(text, Annotation)]
    for marker, name, placed in zip(
        markers, names, beside(at_pt, names, taken, room, NAME_PT), strict=True
    ):
        write(axes, name, marker.picked_px, offset_pt=placed.offset_pt, side=placed.side,
              size_pt=NAME_PT)  # fmt: skip


def _written(text: Annotation, to_pt: float) -> Floats:
    """Return the box (4,) of words that stand in a drawing, in points."""
    assert text.axes is not None
    at_pt = text.axes.transData.transform(text.xy) * to_pt
    offset = tuple(float(each) for each in text.xyann)
    placed = Placed((offset[0], offset[1]), str(text.get_horizontalalignment()))
    return box(at_pt, text.get_text(), placed, float(text.get_fontsize()))


def _enlargement(markers: Sequence[MarkerResidual], width_px: float) -> float:
    """Return the round factor that makes the largest residual about a twentieth of the width."""
    sizes = [float(np.hypot(*marker.residual_px)) for marker in markers]
    largest = max((size for size in sizes if np.isfinite(size)), default=0.0)
    if largest <= 0.0:
        return 1.0
    wanted = 0.05 * width_px / largest
    steps = np.array([1, 2, 5, 10, 20, 50, 100, 200, 500, 1000], dtype=np.float64)
    return float(steps[max(int(np.searchsorted(steps, wanted, side="right")) - 1, 0)])


def _stack(points: Sequence[Floats]) -> Floats:
    """Return points as (n, 2), also when there is none."""
    return np.asarray(points, dtype=np.float64).reshape(-1, 2)


def _lines(drawing: CourseDrawing | None) -> list[Floats]:
    """Return every line of a drawing."""
    return [] if drawing is None else [drawing.course_line_px, *drawing.gates_px]


def _bounds(
    picture: Picture | None, size_px: tuple[int, int] | None, points: Sequence[Floats]
) -> tuple[Floats, Floats]:
    """Return the corners of what is shown: of the picture, or around the points without one."""
    if picture is not None:
        size_px = (picture.shape[1], picture.shape[0])
    if size_px is not None:
        return np.array([-0.5, -0.5]), np.array(size_px) - 0.5
    every = np.concatenate([_stack([]), *[np.asarray(item).reshape(-1, 2) for item in points]])
    every = every[np.isfinite(every).all(axis=1)]
    if not len(every):
        return np.zeros(2), np.array([1920.0, 1080.0])
    low, high = every.min(axis=0), every.max(axis=0)
    room = 0.06 * max(float(np.max(high - low)), 10.0)
    return low - room, high + room
