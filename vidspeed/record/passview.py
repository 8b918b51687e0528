"""One pass as the report shows it: texts and pictures."""

from __future__ import annotations

from typing import Any

from vidspeed.record.canvas import data_uri
from vidspeed.record.figures import budget_bars, speed_profile
from vidspeed.record.markview import heights_facts
from vidspeed.record.table import pass_speed, status_text
from vidspeed.record.units import Unit, bare_speed_text, percent_text, with_uncertainty
from vidspeed.record.words import largest_text, range_sentence
from vidspeed.values import BudgetRow, CrossCheck, Outcome, PassResult, Sighted

Pictures = dict[tuple[str, str], list[bytes]]


def pass_view(outcome: Outcome, result: PassResult, unit: Unit, left: Pictures) -> dict[str, Any]:
    """Return one pass as texts; the pictures of its clips are taken off `left`."""
    u = (result.speed_u_mps or 0.0) * unit.per_mps
    return {
        "label": result.label,
        "direction": result.direction or "–",
        "speed_mps": result.speed_mps,
        "speed": pass_speed(result, unit),
        "u": f"{u:.2g}",
        "relative": _relative(result),
        "largest": largest_text(result),
        "status": result.status,
        "status_text": status_text(result),
        "facts": _facts(result, unit),
        "range_sentence": range_sentence(result),
        "pictures": _pictures(outcome, result, left),
        "profile": _profile(result, unit),
        "bars": _bars(result, unit),
        "budget": [_budget_row(row, unit) for row in _by_size(result)],
        "checks": result.checks,
        "cross_checks": [_cross_check(check, unit) for check in result.cross_checks],
    }


def _relative(result: PassResult) -> str:
    """Return U95 over the speed."""
    if not result.speed_mps or result.speed_U95_mps is None:
        return "–"
    return percent_text(result.speed_U95_mps / result.speed_mps)


def _facts(result: PassResult, unit: Unit) -> list[tuple[str, str]]:
    """Return the small print of a pass as (name, text)."""
    found: list[tuple[str, str]] = [("Clips", ", ".join(result.clips) or "–")]
    for name, value in (("Flight", result.flight), ("Set-up", result.setup)):
        if value:
            found.append((name, value))
    if result.recorded is not None:
        found.append(("Recorded", result.recorded.isoformat(sep=" ")))
    found.append(("Status", status_text(result)))
    if result.direction:
        found.append(("Direction", result.direction))
    found += heights_facts(result)
    found += [
        (f"Gates, by the clock of {crossing.clip}", _gates(crossing.time_in_s, crossing.time_out_s))
        for crossing in result.crossings
    ]
    found += [(f"Lights of {sighted.camera}", _lights(sighted)) for sighted in result.sightings]
    if result.speed_mps is not None and result.interval95_mps is not None:
        found.append(("Interval that holds 95 %", _interval(result, unit)))
        found.append(("Coverage", _coverage(result)))
    return found


def _gates(time_in_s: float, time_out_s: float) -> str:
    """Return the moments at the first and the second gate."""
    return f"{time_in_s:.4f} s and {time_out_s:.4f} s"


def _lights(sighted: Sighted) -> str:
    """Return how many lights were used and how well they fitted."""
    used = int(sighted.used.sum())
    return (
        f"{used} of {len(sighted.track)} used; scatter {sighted.noise_scale:.2f} times the "
        f"pixel noise, neighbours correlated {sighted.correlation:.2f}"
    )


def _interval(result: PassResult, unit: Unit) -> str:
    """Return the ends of the 95 % interval, to the place of its half width's second digit."""
    assert result.interval95_mps is not None
    low, high = (end * unit.per_mps for end in result.interval95_mps)
    half = (high - low) / 2.0
    return f"{with_uncertainty(low, half)[0]} to {with_uncertainty(high, half)[0]} {unit.label}"


def _coverage(result: PassResult) -> str:
    """Return how U95 follows from the standard uncertainty."""
    dof = "infinite" if result.dof is None else f"{result.dof:.1f}"
    if result.method == "monte carlo" or result.coverage_factor is None:
        return result.method
    return f"k = {result.coverage_factor:.2f}, {dof} degrees of freedom, {result.method}"


def _pictures(outcome: Outcome, result: PassResult, left: Pictures) -> list[dict[str, str]]:
    """Return the pictures of the pass's clips with their texts."""
    keys = [(sighted.camera, sighted.clip) for sighted in result.sightings]
    if not keys:
        keys = [(view.camera, view.clip) for view in outcome.clips if view.clip in result.clips]
    found = []
    for number, key in enumerate(keys):
        if left.get(key):
            seen = result.sightings[number] if result.sightings else None
            found.append(_picture(key, seen, left[key].pop(0)))
    return found


def _picture(key: tuple[str, str], seen: Sighted | None, png: bytes) -> dict[str, str]:
    """Return one picture of a track over its clip with its texts."""
    camera, clip = key
    lights = "no track taken for the craft" if seen is None else _lights(seen)
    return {
        "uri": data_uri(png),
        "alt": f"Brightest value of each pixel of {clip} as camera {camera} saw it: {lights}",
        "caption": f"{clip}, camera {camera}: the brightest value of each pixel over the clip, "
        "with the lights of the track, the course and both gates.",
    }


def _profile(result: PassResult, unit: Unit) -> dict[str, str] | None:
    """Return the chart of the speed along the course with its texts."""
    profile = result.profile
    if profile is None or not len(profile.x_m):
        return None
    factor = result.coverage_factor or 2.0
    first, last = (
        bare_speed_text(float(profile.speed_mps[i]), factor * float(profile.speed_u_mps[i]), unit)
        for i in (0, -1)
    )
    ends = (
        f"{first} {unit.label} at x = {profile.x_m[0]:.1f} m, "
        f"{last} {unit.label} at x = {profile.x_m[-1]:.1f} m"
    )
    return {
        "uri": data_uri(speed_profile(result, unit.name)),
        "alt": f"Chart of the speed along the course: {ends}",
        "caption": f"{ends}. The band holds 95 % at each place; the ticks show where lights "
        "were used.",
    }


def _by_size(result: PassResult) -> list[BudgetRow]:
    """Return the budget, the largest contribution first."""
    return sorted(result.budget, key=lambda row: row.contribution_mps, reverse=True)


def _bars(result: PassResult, unit: Unit) -> dict[str, str] | None:
    """Return the chart of the budget with its text."""
    if not result.budget:
        return None
    largest = "; ".join(
        f"{row.source} ({row.owner}) {percent_text(row.share)}" for row in _by_size(result)[:3]
    )
    return {
        "uri": data_uri(budget_bars(result, unit.name)),
        "alt": f"Chart of the budget. Largest: {largest}. All rows are in the table below",
    }


def _budget_row(row: BudgetRow, unit: Unit) -> dict[str, Any]:
    """Return one row of the budget as texts."""
    unit_text = "" if row.unit == "1" else row.unit
    entered = "–" if row.input_u is None else f"{row.input_u:.3g} {unit_text}".strip()
    return {
        "source": row.source,
        "owner": row.owner,
        "kind": row.kind,
        "assumed": row.assumed,
        "input": entered,
        "contribution": _contribution(row.contribution_mps * unit.per_mps),
        "share": percent_text(row.share),
    }


def _contribution(speed: float) -> str:
    """Return a contribution with two significant digits, the smallest as a bound."""
    return f"{speed:.2g}" if speed >= 0.001 else "< 0.001"


def _cross_check(check: CrossCheck, unit: Unit) -> dict[str, str]:
    """Return one cross-check as texts."""
    agrees = abs(check.e_n) <= 1.0
    return {
        "name": check.name,
        "speed": bare_speed_text(check.speed_mps, 2.0 * check.speed_u_mps, unit),
        "e_n": f"{check.e_n:+.2f}",
        "tag": "ok" if agrees else "warn",
        "verdict": "yes" if agrees else "no",
    }
