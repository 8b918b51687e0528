"""What the terminal and a picture show of a survey."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Ellipse
from rich.table import Table
from rich.text import Text

from vidspeed.chance import chi2_ppf
from vidspeed.geometry.survey import adjusted_distance_m, ellipse_m
from vidspeed.record.canvas import BLUE, GREEN, INK, ORANGE, SKY, VERMILLION, chart, plain, png
from vidspeed.record.units import Unit, percent_text
from vidspeed.values import Gain, Marker, PassResult, Surveyed, SurveyTest


def point_table(surveyed: Surveyed) -> Table:
    """Return place and standard uncertainty of every point, and its ellipse."""
    table = Table(
        title=Text("points (± is one standard uncertainty, metres)"), title_justify="left"
    )
    for name in ("point", "use", "x", "y", "z", "ellipse", "towards"):
        table.add_column(name, justify="left" if name in ("point", "use") else "right")
    u_m = np.linalg.norm(surveyed.by_input, axis=1).reshape(-1, 3)
    for at, name in enumerate(surveyed.names):
        place = zip(surveyed.places_m[at], u_m[at], strict=True)
        major, minor, angle = ellipse_m(surveyed, at)
        table.add_row(
            Text(name),
            surveyed.uses[at],
            *(f"{value:.3f} ± {u:.3f}" for value, u in place),
            f"{major:.3f} × {minor:.3f}",
            f"{np.degrees(angle) % 180.0:.0f}°" if major > 0.0 else "–",
        )
    return table


def figure_table(surveyed: Surveyed, speeds_mps: Mapping[str, float], unit: Unit) -> Table:
    """Return what checks each figure, the smallest error that would be named, and what it does.

    `speeds_mps`: what one standard uncertainty of an input does to a pass, by its name.
    """
    table = Table(
        title=Text("each figure against all others (named with 95 % from the size shown)"),
        title_justify="left",
    )
    names = ("figure", "stated", "adjusted", "off", "of its u", "checked", "named from", "length")
    for name in (*names, unit.label):
        table.add_column(name, justify="left" if name == "figure" else "right")
    lines = iter(surveyed.lines)
    for row in surveyed.tests:
        adjusted = "–"
        if row.kind == "tape":
            value, u = adjusted_distance_m(surveyed, *next(lines))
            adjusted = f"{value:.3f} ± {u:.3f}"
        table.add_row(*_test_cells(row, adjusted, speeds_mps, unit.per_mps))
    return table


def _test_cells(
    row: SurveyTest, adjusted: str, speeds_mps: Mapping[str, float], per_mps: float
) -> list[Text]:
    name = f"{row.kind} {row.name}" if row.kind != "scale" else f"scale of {row.name}"
    if row.kind == "satellite":
        name = row.name
    digits = 3 if row.unit == "m" else 0
    cells = [name, f"{row.stated:.{digits}f} {row.unit}", adjusted]
    cells.append(f"{row.residual:+.{digits}f}")
    cells.append("–" if row.normalised is None else f"{row.normalised:+.1f}")
    style = "bold red" if row.named else ""
    if row.detectable is None:
        cells += ["by nothing", "never", "–", "–"]
        return [Text(cell, style=style) for cell in cells]
    cells.append(percent_text(row.redundancy))
    cells += [f"{row.detectable:.{digits}f} {row.unit}", f"{row.length_m or 0.0:+.3f} m"]
    per_u = speeds_mps.get(name)
    effect = None if per_u is None or row.u == 0.0 else per_u * row.detectable / row.u
    cells.append("–" if effect is None else f"{effect * per_mps:+.3f}")
    return [Text(cell, style=style) for cell in cells]


def gain_table(rows: Sequence[Gain]) -> Table:
    """Return what further distances would bring."""
    table = Table(
        title=Text("what to measure next (± is one standard uncertainty, metres)"),
        title_justify="left",
    )
    for name in ("distance", "about m", "course length", "worst point", "unchecked", "U95"):
        table.add_column(name, justify="left" if name == "distance" else "right")
    for row in rows:
        table.add_row(
            Text(f"{row.start} to {row.end}"),
            f"{row.distance_m:.1f}",
            f"± {row.length_u_m:.4f}",
            f"± {row.worst_u_m:.4f}",
            str(row.unchecked),
            "–" if row.relative_U95 is None else f"{100.0 * row.relative_U95:.4f} %",
        )
    return table


def survey_text(surveyed: Surveyed, forecast: PassResult | None) -> Iterator[str]:
    """Yield the length, how well the figures fit each other, what is unchecked, and a pass."""
    yield f"course length {surveyed.length_m:.4f} ± {surveyed.length_u_m:.4f} m"
    if surveyed.dof > 0:
        low, high = chi2_ppf(np.array([0.025, 0.975]), surveyed.dof)
        fit = (
            "as stated"
            if low <= surveyed.chi2 <= high
            else (
                "less well than stated: look at the figures that are off, or at their u_m"
                if surveyed.chi2 > high
                else "better than stated: their u_m may be too large"
            )
        )
        yield (
            f"chi-square {surveyed.chi2:.1f} with {surveyed.dof} checks (95 % of surveys: "
            f"{low:.1f} to {high:.1f}): the figures fit {fit}"
        )
    else:
        yield "no figure checks another: an error in any of them goes unnoticed"
    unchecked = [f"{row.kind} {row.name}" for row in surveyed.tests if row.detectable is None]
    if unchecked and surveyed.dof > 0:
        yield f"checked by nothing: {', '.join(unchecked)}"
    if forecast is not None and forecast.speed_mps and forecast.speed_U95_mps:
        relative = percent_text(forecast.speed_U95_mps / forecast.speed_mps)
        share = sum(
            row.share for row in forecast.budget if row.source in ("marker survey", "tape scale")
        )
        yield (
            f"a pass would be known to {relative} (U95), and the survey is {percent_text(share)} "
            "of its variance"
        )


def survey_picture(surveyed: Surveyed) -> bytes:
    """Draw the network from above: points, distances, and each point's ellipse, enlarged.

    Distances that nothing checks are dashed, those that are named red.
    """
    figure, axes = chart(5.0)
    _draw_lines(axes, surveyed)
    enlarged = _enlargement(surveyed)
    for at, name in enumerate(surveyed.names):
        x, y = surveyed.places_m[at, :2]
        major, minor, angle = ellipse_m(surveyed, at)
        axes.add_patch(
            Ellipse(
                (x, y), 2.0 * major * enlarged, 2.0 * minor * enlarged,
                angle=float(np.degrees(angle)), fc=SKY, ec=BLUE, alpha=0.45, lw=0.8,
            )
        )  # fmt: skip
        post = at in (surveyed.start, surveyed.finish)
        axes.plot(x, y, "s" if post else "o", ms=5, color=GREEN if post else INK)
        axes.annotate(
            plain(name, 16), (x, y), xytext=(5, 5), textcoords="offset points", fontsize=9,
            parse_math=False,
        )  # fmt: skip
    axes.set_aspect("equal", adjustable="datalim")
    axes.margins(0.08)
    axes.set_xlabel("x along the course, m")
    axes.set_ylabel("y to the left, m")
    axes.set_title(f"standard ellipses, {enlarged:g} times enlarged", fontsize=10)
    if surveyed.lines:
        axes.legend(loc="best", fontsize=9, frameon=False)
    return png(figure)


def marker_picture(markers: Sequence[Marker], length_m: float | None) -> bytes:
    """Draw stated markers from above, with the course where its length is known."""
    figure, axes = chart(5.0)
    if length_m is not None:
        axes.plot([0.0, length_m], [0.0, 0.0], "-", color=GREEN, lw=1.6, label="course")
        axes.plot([0.0, length_m], [0.0, 0.0], "|", color=GREEN, ms=18)
    for use, colour, shape in (("fit", INK, "o"), ("check", ORANGE, "D")):
        places = [marker.xyz_m for marker in markers if marker.use == use]
        if places:
            x_m, y_m, _ = np.transpose(places)
            axes.plot(x_m, y_m, shape, color=colour, ms=6, label=f"markers to {use}")
    for marker in markers:
        axes.annotate(
            plain(marker.name, 16), (marker.xyz_m[0], marker.xyz_m[1]), xytext=(5, 5),
            textcoords="offset points", fontsize=9, parse_math=False,
        )  # fmt: skip
    axes.set_aspect("equal", adjustable="datalim")
    axes.margins(0.08)
    axes.set_xlabel("x along the course, m")
    axes.set_ylabel("y to the left, m")
    axes.legend(loc="best", fontsize=9, frameon=False)
    return png(figure)


def _draw_lines(axes: Axes, surveyed: Surveyed) -> None:
    tests = [row for row in surveyed.tests if row.kind == "tape"]
    shown: set[str] = set()
    for (first, second), test in zip(surveyed.lines, tests, strict=True):
        kind = "named" if test.named else "checked" if test.detectable is not None else "unchecked"
        colour, style, label = {
            "named": (VERMILLION, "-", "does not fit the others"),
            "checked": (INK, "-", "checked by others"),
            "unchecked": (ORANGE, "--", "checked by nothing"),
        }[kind]
        ends = surveyed.places_m[[first, second], :2]
        axes.plot(
            ends[:, 0], ends[:, 1], color=colour, ls=style, lw=1.6 if kind == "named" else 0.7,
            label=None if kind in shown else label, zorder=1,
        )  # fmt: skip
        shown.add(kind)


def _enlargement(surveyed: Surveyed) -> float:
    """Return the round factor that makes the largest ellipse about a twentieth of the figure."""
    largest = max(ellipse_m(surveyed, at)[0] for at in range(len(surveyed.names)))
    span = float(np.max(np.ptp(surveyed.places_m[:, :2], axis=0)))
    if largest <= 0.0:
        return 1.0
    wanted = 0.05 * span / largest
    power = 10.0 ** np.floor(np.log10(wanted))
    return float(max(factor * power for factor in (1.0, 2.0, 5.0) if factor * power <= wanted))
