"""Pictures for people, as PNG bytes: no window, no state between two calls."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from vidspeed.record.canvas import (
    BLUE,
    GREEN,
    INK,
    ORANGE,
    SKY,
    VERMILLION,
    chart,
    draw_course,
    legend_below,
    photo,
    plain,
    png,
    write,
)
from vidspeed.record.units import percent_text, unit_named
from vidspeed.values import (
    BudgetRow,
    CameraFit,
    ClipView,
    CourseDrawing,
    Floats,
    MarkerResidual,
    PassResult,
    Picture,
    Sighted,
)

_MOST_BARS = 12


def track_picture(view: ClipView, sighted: Sighted | None, drawing: CourseDrawing | None) -> bytes:
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
    return png(figure, coarse=True)


def _draw_lights(axes: Axes, sighted: Sighted) -> None:
    """Draw rings around the used lights and crosses on the others."""
    used, xy = sighted.used, sighted.track.xy_px
    axes.plot(
        xy[used, 0], xy[used, 1], ls="", marker="o", ms=7, mfc="none", mec=SKY, mew=1.3,
        label=f"light used ({int(used.sum())})",
    )  # fmt: skip
    if not used.all():
        axes.plot(
            xy[~used, 0], xy[~used, 1], ls="", marker="x", ms=6, color=VERMILLION, mew=1.3,
            label=f"light not used ({int((~used).sum())})",
        )  # fmt: skip


def _draw_candidates(axes: Axes, lights: Sequence[Floats]) -> None:
    """Draw the tracks of a clip in which none was taken for the craft."""
    for number, xy in enumerate(lights):
        axes.plot(
            xy[:, 0], xy[:, 1], color=ORANGE, lw=1.0, marker=".", ms=4,
            label="track, not taken for the craft" if number == 0 else None,
        )  # fmt: skip


def speed_profile(result: PassResult, unit: str = "kmh") -> bytes:
    """Draw the speed along the course with its 95 % band, and where each camera saw lights."""
    spoken = unit_named(unit)
    figure, axes = chart(3.4)
    if result.profile is not None:
        x, factor = result.profile.x_m, result.coverage_factor or 2.0
        speed = result.profile.speed_mps * spoken.per_mps
        half = factor * result.profile.speed_u_mps * spoken.per_mps
        axes.fill_between(x, speed - half, speed + half, color=SKY, alpha=0.35, lw=0, label="95 %")
        axes.plot(x, speed, color=BLUE, lw=2.0, label="speed at this place")
    if result.speed_mps is not None:
        mean = result.speed_mps * spoken.per_mps
        axes.axhline(mean, color=INK, lw=1.0, ls="--", label="speed of the pass")
    _draw_seen(axes, result)
    axes.set_xlabel("place along the course, x (m)")
    axes.set_ylabel(f"speed along the course ({spoken.label})")
    axes.ticklabel_format(useOffset=False)
    if axes.get_legend_handles_labels()[0]:
        figure.legend(loc="outside upper center", ncols=5, fontsize=9, frameon=False)
    return png(figure)


def _draw_seen(axes: Axes, result: PassResult) -> None:
    """Draw a tick at the foot of the chart for every used light, a row for each camera."""
    colours = (ORANGE, GREEN, VERMILLION)
    for number, sighted in enumerate(result.sightings):
        x = sighted.x_m[sighted.used]
        foot = np.full(len(x), 0.02 + 0.045 * number)
        axes.plot(
            x, foot, ls="", marker="|", ms=7, mew=1.2, color=colours[number % len(colours)],
            transform=axes.get_xaxis_transform(), label=plain(f"light seen by {sighted.camera}"),
        )  # fmt: skip


def budget_bars(result: PassResult, unit: str = "kmh") -> bytes:
    """Draw the contributions to the standard uncertainty, the largest on top."""
    spoken = unit_named(unit)
    rows = sorted(result.budget, key=lambda row: row.contribution_mps, reverse=True)
    shown, rest = rows[:_MOST_BARS], rows[_MOST_BARS:]
    names = [plain(f"{row.source} · {row.owner}", 46) for row in shown]
    lengths = [row.contribution_mps * spoken.per_mps for row in shown]
    notes = [percent_text(row.share) + (", assumed" if row.assumed else "") for row in shown]
    if rest:
        names.append(f"{len(rest)} smaller ones together")
        lengths.append(_root_of_squares(rest) * spoken.per_mps)
        notes.append(percent_text(sum(row.share for row in rest)))
    figure, axes = chart(0.9 + 0.3 * max(len(names), 1))
    places = range(len(names))
    bars = axes.barh(places, lengths, color=BLUE, height=0.62)
    for bar, row in zip(bars, shown, strict=False):
        if row.assumed:
            bar.set(color=ORANGE, hatch="//", edgecolor="white", lw=0)
    axes.bar_label(bars, labels=notes, padding=4, fontsize=9)
    axes.set_yticks(places, names, fontsize=9)
    for label in axes.get_yticklabels():
        label.set_parse_math(False)
    axes.invert_yaxis()
    axes.margins(x=0.16)
    axes.set_xlabel(f"contribution to the standard uncertainty ({spoken.label})")
    return png(figure)


def _root_of_squares(rows: Sequence[BudgetRow]) -> float:
    """Return the root of the sum of squared contributions, m/s."""
    return float(np.sqrt(sum(row.contribution_mps**2 for row in rows)))


def calibration_picture(
    still: Picture | None, fit: CameraFit, drawing: CourseDrawing | None
) -> bytes:
    """Draw picks, re-projected markers and what is left of each, with the course and its gates."""
    picked = _stack([marker.picked_px for marker in fit.markers])
    low, high = _bounds(still, None, [picked, *_lines(drawing)])
    figure, axes = photo(still, low, high)
    draw_course(axes, drawing)
    enlarged = _enlargement(fit.markers, float(high[0] - low[0]))
    _draw_markers(axes, fit.markers, enlarged)
    legend_below(figure, axes)
    return png(figure, coarse=True)


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
        for marker, place in zip(group, picked, strict=True):
            write(axes, plain(marker.name, 16), place, offset_pt=(7.0, 6.0))


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
