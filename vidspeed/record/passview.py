"""One pass as the report shows it: texts and pictures."""

from __future__ import annotations

from typing import Any

import numpy as np

from vidspeed.record.budgetview import budget_view
from vidspeed.record.canvas import data_uri
from vidspeed.record.layman import largest_words
from vidspeed.record.markview import heights_facts
from vidspeed.record.pictures import Charts, ClipKey, Drawn
from vidspeed.record.slim import inline
from vidspeed.record.spacetime import Sheet
from vidspeed.record.table import pass_speed, status_text
from vidspeed.record.units import Unit, bare_speed_text, percent_text, with_uncertainty
from vidspeed.record.wholepass import dismissed
from vidspeed.record.words import largest_text, range_sentence
from vidspeed.values import CrossCheck, Outcome, PassResult, Sighted

Pictures = dict[ClipKey, list[Drawn]]


def pass_row(result: PassResult, unit: Unit) -> dict[str, str]:
    """Return a pass as the texts of its row in the table of all of them."""
    return {
        "label": result.label,
        "direction": result.direction or "–",
        "speed": pass_speed(result, unit),
        "relative": _relative(result),
        "largest": largest_text(result),
        "status": result.status,
        "status_text": status_text(result),
    }


def pass_view(
    outcome: Outcome, number: int, unit: Unit, left: Pictures, charts: Charts
) -> dict[str, Any]:
    """Return the pass of that number as texts; the pictures of its clips are taken off `left`."""
    result = outcome.passes[number]
    u = (result.speed_u_mps or 0.0) * unit.per_mps
    return {
        **pass_row(result, unit),
        "speed_mps": result.speed_mps,
        "u": f"{u:.2g}",
        "facts": _facts(result, unit),
        "range_sentence": range_sentence(result),
        **_pictures(outcome, result, left),
        "profile": _profile(result, charts.speeds[number], unit),
        "residuals": _residuals(result, charts.residuals[number]),
        "largest_words": largest_words(result, unit),
        **budget_view(result, unit),
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
    out = int(dismissed(sighted).sum())
    by_hand = f", {out} dismissed by hand" if out else ""
    return (
        f"{used} of {len(sighted.track)} used{by_hand}; scatter {sighted.noise_scale:.2f} times "
        f"the pixel noise, neighbours correlated {sighted.correlation:.2f}"
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


def _pictures(
    outcome: Outcome, result: PassResult, left: Pictures
) -> dict[str, list[dict[str, str]]]:
    """Return the pictures of the pass's clips with their texts: photographs and sheets."""
    keys = [(sighted.camera, sighted.clip) for sighted in result.sightings]
    if not keys:
        keys = [(view.camera, view.clip) for view in outcome.clips if view.clip in result.clips]
    photos, sheets = [], []
    for number, key in enumerate(keys):
        if not left.get(key):
            continue
        drawn = left[key].pop(0)
        seen = result.sightings[number] if result.sightings else None
        photos.append(_photo(key, seen, drawn))
        if drawn.space is not None and drawn.sheet is not None:
            sheets.append(_sheet(key, result, drawn.space, drawn.sheet))
    return {"photos": photos, "sheets": sheets}


def _photo(key: ClipKey, seen: Sighted | None, drawn: Drawn) -> dict[str, str]:
    """Return the picture of a whole pass in one clip with its texts."""
    camera, clip = key
    lights = "no track taken for the craft" if seen is None else _lights(seen)
    what = f"The brightest value of each pixel over {clip}, camera {camera}"
    if drawn.sheet is not None:
        what = f"The whole pass as camera {camera} filmed it ({clip}), every frame in one picture"
    return {
        "uri": data_uri(drawn.shown[1], drawn.shown[0]),
        "alt": f"{what}, with the course, both gates and a mark at each light: {lights}",
        "caption": f"{what}.",
    }


def _sheet(
    key: ClipKey, result: PassResult, drawn: tuple[str, bytes], sheet: Sheet
) -> dict[str, str]:
    """Return the space-time picture of a pass in one clip with its texts."""
    return {
        "uri": data_uri(drawn[1], drawn[0]),
        "wide": f"{10.0 * sheet.whole_cm[0]:.1f}mm",
        "alt": f"Place along the course against time, a row a frame, camera {key[0]}: the craft "
        f"draws a slope. {_slope(result)}",
        "caption": f"Camera {key[0]}. {sheet.sentence}.",
    }


def _slope(result: PassResult) -> str:
    """Say the speed as the slope that is drawn."""
    return "" if result.speed_mps is None else f"Its slope is {result.speed_mps:.2f} m/s"


def _profile(result: PassResult, drawing: bytes | None, unit: Unit) -> dict[str, Any] | None:
    """Return the chart of the speed along the course with its texts."""
    profile = result.profile
    if drawing is None or profile is None or not len(profile.x_m):
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
        "chart": inline(drawing, f"Chart of the speed along the course: {ends}"),
        "caption": f"{ends}. The band holds 95 % at each place; the ticks show where lights "
        "were used.",
    }


def _residuals(result: PassResult, drawing: bytes | None) -> dict[str, Any] | None:
    """Return the chart of what is left of the lights with its texts."""
    sizes = [
        f"camera {sighted.camera} {_rms(sighted):.2f} px RMS"
        for sighted in result.sightings
        if sighted.used.any()
    ]
    if drawing is None or not sizes:
        return None
    words = f"Seen less computed of every light that was used: {', '.join(sizes)}"
    return {
        "chart": inline(drawing, f"Chart. {words}"),
        "caption": f"{words}. A craft that flew otherwise than computed would show as a curve.",
    }


def _rms(sighted: Sighted) -> float:
    """Return the root mean square of a coordinate's residual, pixels."""
    return float(np.sqrt(np.nanmean(sighted.residual_px[sighted.used] ** 2)))


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
