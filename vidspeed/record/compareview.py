"""A comparison for people: a table, sentences, a plot; and for programs as a plain structure."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from rich.table import Table
from rich.text import Text

from vidspeed.record.canvas import BLUE, DPI, INK, ORANGE, VERMILLION, WIDTH_IN, plain, png
from vidspeed.record.units import (
    Unit,
    cut_text,
    probability_text,
    raised_text,
    rounded_up,
    speed_text,
)
from vidspeed.values import Compared, Group, jsonable

SCHEMA = "vidspeed.comparison/1"
MARKERS = {"forward": "^", "reverse": "v"}
SPREAD = 0.32  # half the width that a group's passes take up


def comparison_table(found: Compared, unit: Unit) -> Table:
    """Return both sides: how many passes each way, and the balanced mean."""
    table = Table()
    table.add_column("")
    table.add_column("forward", justify="right")
    table.add_column("reverse", justify="right")
    table.add_column(f"mean of both ways, {unit.label} ± U95", justify="right", no_wrap=True)
    for group in (found.first, found.second):
        ways = [str(group.directions.count(way)) for way in MARKERS]
        speed = speed_text(group.speed_mps, group.speed_U95_mps, unit).removesuffix(unit.label)
        table.add_row(Text(plain(group.name)), *ways, speed.strip())
    return table


def comparison_lines(found: Compared, unit: Unit) -> list[str]:
    """Return what a person should know of a comparison; the verdict is the last line."""
    return [
        *(f"note: {note}" for note in found.notes),
        _scatter_sentence(found, unit),
        *([_found_sentence(found)] if found.found_if is not None else []),
        *([_more_sentence(found, unit)] if found.verdict == "not shown" else []),
        verdict_sentence(found, unit),
    ]


def verdict_sentence(found: Compared, unit: Unit) -> str:
    """Say whether the second is faster, by how much, and how sure that is."""
    one, other = plain(found.first.name), plain(found.second.name)
    low, high = (_signed(end, found, unit, up=up) for end, up in _ends(found))
    chance = probability_text(found.faster_probability)
    span = f"95 % interval {low} to {high} {unit.label}; probability of being faster {chance}"
    size = _signed(found.difference_mps, found, unit, up=found.difference_mps < 0.0)
    if found.verdict == "cannot be decided":
        return (
            f"Cannot be decided: so few passes do not show how much {one} and {other} vary from "
            f"pass to pass. Of these very passes the difference is {size} {unit.label} (95 % "
            f"interval {low} to {high})"
        )
    if found.verdict == "not shown":
        return (
            f"{other} is not shown to be faster or slower than {one}: {size} {unit.label}, {span}"
        )
    size = size.lstrip("+−")
    return f"{other} is {found.verdict} than {one} by {size} {unit.label} at 95 %: {span}"


def _ends(found: Compared) -> tuple[tuple[float, bool], tuple[float, bool]]:
    return (found.interval95_mps[0], False), (found.interval95_mps[1], True)


def _signed(speed_mps: float, found: Compared, unit: Unit, *, up: bool) -> str:
    """Return a difference with its sign, to the place of its uncertainty's second digit."""
    half = (found.interval95_mps[1] - found.interval95_mps[0]) / 2.0
    places = rounded_up(half * unit.per_mps)[1]
    value = speed_mps * unit.per_mps
    text = raised_text(value, places) if up else cut_text(value, places)
    number = float(text)
    sign = "+" if number > 0.0 else "−" if number < 0.0 else ""
    return f"{sign}{abs(number):.{places}f}"


def _scatter_sentence(found: Compared, unit: Unit) -> str:
    measured = f"{found.measurement_u_mps * unit.per_mps:.2g} {unit.label}"
    if found.scatter_mps is None:
        return (
            f"The measurement alone leaves the difference open by {measured} (standard "
            "uncertainty); how much passes scatter beside it cannot be told"
        )
    size = f"{found.scatter_mps * unit.per_mps:.2g} {unit.label}"
    return (
        f"From one pass to the next the speed scatters by {size}, beside its measurement "
        f"({found.scatter_dof} degrees of freedom); the measurement alone leaves the difference "
        f"open by {measured} (standard uncertainty)"
    )


def _found_sentence(found: Compared) -> str:
    assert found.found_if is not None
    times = math.floor(100.0 * found.found_if + 1e-9)
    return (
        f"A true difference of {found.found_if_percent:g} % would have been shown by so many "
        f"passes {times} times in 100"
    )


def _more_sentence(found: Compared, unit: Unit) -> str:
    if found.more_passes is not None:
        many = "pass" if found.more_passes == 1 else "passes"
        return (
            f"If the difference is truly what it looks like, {found.more_passes} more {many} each "
            "way on each side would show it 4 times in 5"
        )
    shared = f"{found.shared_u_mps * unit.per_mps:.2g} {unit.label}"
    return (
        "If the difference is truly what it looks like, no number of passes that was tried would "
        f"show it: it is small beside the scatter, or beside the {shared} that all passes share"
    )


def comparison_json(found: Compared) -> Any:
    """Return a comparison as a plain structure for JSON."""
    return {"schema": SCHEMA, **jsonable(asdict(found))}


def comparison_figure(found: Compared, unit: Unit) -> bytes:
    """Draw every pass of both sides, their balanced means, and the difference with its interval."""
    figure = Figure(figsize=(WIDTH_IN, 4.6), dpi=DPI, layout="constrained")
    left, right = figure.subplots(1, 2, gridspec_kw={"width_ratios": (3.0, 1.1)})
    for axes in (left, right):
        axes.spines[["top", "right"]].set_visible(False)
        axes.ticklabel_format(axis="y", useOffset=False)
    for place, (group, colour) in enumerate(
        zip((found.first, found.second), (BLUE, VERMILLION), strict=True)
    ):
        _draw_group(left, place, group, unit, colour)
    left.set_xlim(-0.6, 1.6)
    names = [plain(group.name, 28) for group in (found.first, found.second)]
    left.set_xticks([0, 1], names, parse_math=False)
    left.set_ylabel(f"speed ({unit.label})")
    handles, labels = left.get_legend_handles_labels()
    unique = dict(zip(labels, handles, strict=True))
    figure.legend(
        unique.values(), unique.keys(), loc="outside upper center", ncols=4, fontsize=9,
        frameon=False,
    )  # fmt: skip
    _draw_difference(right, found, unit)
    return png(figure)


def _draw_group(axes: Axes, place: int, group: Group, unit: Unit, colour: str) -> None:
    """Draw a group's passes in a row, pointing the way they flew, and the mean as a bar."""
    several = len(group.labels) > 1
    x = place + (np.linspace(-SPREAD, SPREAD, len(group.labels)) if several else np.zeros(1))
    for way, marker in MARKERS.items():
        mine = np.array([own == way for own in group.directions])
        if not mine.any():
            continue
        axes.errorbar(
            x[mine], group.speeds_mps[mine] * unit.per_mps,
            yerr=group.U95_mps[mine] * unit.per_mps, ls="", marker=marker, ms=7, color=INK,
            elinewidth=0.9, mfc="white", mew=1.2, label=f"{way} pass ± U95",
        )  # fmt: skip
    mean, half = group.speed_mps * unit.per_mps, group.speed_U95_mps * unit.per_mps
    ends = (place - SPREAD - 0.1, place + SPREAD + 0.1)
    axes.fill_between(ends, mean - half, mean + half, color=colour, alpha=0.25, lw=0, label=None)
    axes.plot(ends, (mean, mean), color=colour, lw=2.2, label="mean of both ways, 95 % band")


def _draw_difference(axes: Axes, found: Compared, unit: Unit) -> None:
    """Draw the difference with its interval beside nought."""
    low, high = (end * unit.per_mps for end in found.interval95_mps)
    value = found.difference_mps * unit.per_mps
    axes.axhline(0.0, color=INK, lw=1.0, ls="--")
    axes.plot((0.0, 0.0), (low, high), color=ORANGE, lw=5.0, solid_capstyle="butt")
    axes.plot(0.0, value, ls="", marker="o", ms=8, color=INK)
    axes.annotate(
        f"faster with\n{probability_text(found.faster_probability)}", (0.0, value),
        xytext=(12.0, 0.0), textcoords="offset points", va="center", fontsize=9,
    )  # fmt: skip
    axes.set_xlim(-0.5, 1.2)
    reach = 1.1 * max(abs(low), abs(high), 1e-9)
    axes.set_ylim(min(-0.15 * reach, 1.1 * low), max(0.15 * reach, 1.1 * high))
    names = f"{plain(found.second.name, 22)}\nless {plain(found.first.name, 22)}"
    axes.set_xticks([0.0], [names], parse_math=False)
    axes.set_ylabel(f"difference ({unit.label})")
