"""What the terminal shows at the end of a run: the table of passes and the last line."""

from __future__ import annotations

from rich.table import Table
from rich.text import Text

from vidspeed.record.markview import mark_headline
from vidspeed.record.units import (
    Unit,
    bare_speed_text,
    percent_text,
    speed_text,
    unit_named,
)
from vidspeed.record.words import (
    flight_line_share,
    largest_text,
    range_sentence,
    wide,
)
from vidspeed.values import Outcome, PassResult

_STYLES = {"measured": "", "partial": "yellow", "none": "dim"}


def pass_table(outcome: Outcome, unit: str = "kmh") -> Table:
    """Return the table of passes: direction, speed ± U95, largest budget term, status."""
    spoken = unit_named(unit)
    table = Table(title=Text(_one_line(outcome.session.title)), title_justify="left")
    table.add_column("pass")
    table.add_column("direction")
    table.add_column(f"{spoken.label} ± U95", justify="right", no_wrap=True)
    table.add_column("largest term, share of variance")
    table.add_column("status")
    for result in outcome.passes:
        style = _STYLES[result.status]
        table.add_row(*(Text(_one_line(cell), style=style) for cell in _cells(result, spoken)))
    return table


def _cells(result: PassResult, unit: Unit) -> tuple[str, str, str, str, str]:
    """Return the cells of one row."""
    return (
        result.label,
        result.direction or "–",
        pass_speed(result, unit),
        largest_text(result),
        status_text(result),
    )


def pass_speed(result: PassResult, unit: Unit) -> str:
    """Return "402.31 ± 0.76", a dash where nothing was measured."""
    if result.speed_mps is None or result.speed_U95_mps is None:
        return "–"
    return bare_speed_text(result.speed_mps, result.speed_U95_mps, unit)


def status_text(result: PassResult) -> str:
    """Return the status; of a partial pass also the stretch that its speed is of."""
    if result.status == "partial" and result.stretch_m is not None:
        low, high = result.stretch_m
        return f"partial ({low:.1f} to {high:.1f} m)"
    return result.status


def last_line(outcome: Outcome, unit: str = "kmh") -> str:
    """Return what a run ends with: the gravest warning, or else the mark or the one speed."""
    spoken = unit_named(unit)
    warning = _disagreement(outcome, spoken) or _width(outcome, spoken)
    if warning is not None:
        return _one_line(warning)
    sentences = (_only_speed(outcome, spoken), mark_headline(outcome, unit))
    return _one_line(". ".join(sentence for sentence in sentences if sentence))


def _only_speed(outcome: Outcome, unit: Unit) -> str | None:
    """Return the speed of the only pass that has one; the table says it of several."""
    found = [result for result in outcome.passes if result.speed_mps is not None]
    if len(found) != 1:
        return None
    speed = f"{pass_speed(found[0], unit)} {unit.label} (95 %)"
    partial = f", {status_text(found[0])}" if found[0].status == "partial" else ""
    return f"Pass {found[0].label} {speed}{partial}"


def _disagreement(outcome: Outcome, unit: Unit) -> str | None:
    """Say which cross-check disagrees the most, None where all agree."""
    found = [(result, check) for result in outcome.passes for check in result.cross_checks]
    result, check = max(found, key=lambda pair: abs(pair[1].e_n), default=(None, None))
    if result is None or check is None or abs(check.e_n) <= 1.0:
        return None
    other = f"{speed_text(check.speed_mps, 2.0 * check.speed_u_mps, unit)} (k = 2)"
    line = (
        f"Warning: pass {result.label} is {pass_speed(result, unit)} {unit.label}, but {check.name}"
        f" says {other}: they differ by {abs(check.e_n):.1f} times what the uncertainties allow"
    )
    verdict = next((row.detail for row in result.checks if row.name == "agreement"), "")
    likeliest = verdict.partition(" 1. ")[2].partition("; 2. ")[0]
    return f"{line}; likeliest: {likeliest}" if likeliest else line


def _width(outcome: Outcome, unit: Unit) -> str | None:
    """Say which pass is the least sure, None where all are as sure as wanted."""
    broad = [result for result in outcome.passes if wide(result, outcome.session)]
    worst = max(broad, key=_relative, default=None)
    if worst is None:
        return None
    line = (
        f"Warning: pass {worst.label} is {pass_speed(worst, unit)} {unit.label}, "
        f"± {percent_text(_relative(worst))} where {outcome.session.wanted_U95_percent:g} % "
        f"was wanted"
    )
    if range_sentence(worst) is None:
        return f"{line}; largest term: {largest_text(worst)}"
    share = percent_text(flight_line_share(worst))
    return (
        f"{line}: one camera cannot tell the range, and the stated flight line makes up {share} "
        f"of the variance"
    )


def _relative(result: PassResult) -> float:
    """Return U95 over the speed."""
    assert result.speed_mps is not None
    assert result.speed_U95_mps is not None
    return result.speed_U95_mps / result.speed_mps


def _one_line(text: str) -> str:
    """Return the text without line breaks and control characters."""
    return "".join(char if char.isprintable() else " " for char in text)
