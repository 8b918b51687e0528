"""The mark for people: sentences of the terminal and the report, and its rules as a table."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from rich.table import Table
from rich.text import Text

from vidspeed.air import crosswind_loss
from vidspeed.motion.budget import said_of_split
from vidspeed.record.units import (
    Unit,
    claim_text,
    cut_text,
    probability_text,
    raised_text,
    rounded_up,
    unit_named,
    with_uncertainty,
)
from vidspeed.values import Heights, Luck, Mark, MarkRules, Outcome, PassResult, Reduced, Wind

STYLES = {"met": "green", "not met": "red", "cannot be decided": "yellow"}
TAGS = {"met": "ok", "not met": "fail", "cannot be decided": "warn"}
ACROSS_MPS = 5.0  # a crosswind to name as an example


def mark_sentence(outcome: Outcome, unit: Unit) -> str:
    """Say the mark in one sentence, or why there is none.

    A claim stands on its figure: it is cut, never rounded up.
    """
    mark = outcome.mark
    if mark is None:
        return no_mark_sentence(outcome)
    speed = claim_text(mark.speed_mps, mark.speed_U95_mps, unit)
    rules = rules_sentence(mark)
    return (
        f"Mark {speed} (95 %, k = {mark.coverage_factor:.2f}): mean of passes "
        f"{mark.passes[0]} and {mark.passes[1]}{f'. {rules}' if rules else ''}"
    )


def no_mark_sentence(outcome: Outcome) -> str:
    """Say why there is no mark: no measured pass one way, or a rule in the way."""
    have = {result.direction for result in outcome.passes if result.status == "measured"}
    missing = [way for way in ("forward", "reverse") if way not in have]
    if missing:
        ways = " and no ".join(f"{way} pass" for way in missing)
        return f"No mark: it needs one measured pass each way, and no {ways} was measured"
    return f"No mark: {outcome.no_mark or 'none was formed'}"


def rules_sentence(mark: Mark) -> str | None:
    """Say how many rules are met and which are not decided; None where there is none."""
    if not mark.rules:
        return None
    open_ = [row.rule for row in mark.rules if row.verdict == "cannot be decided"]
    if not open_:
        return "All of its rules are met" if len(mark.rules) > 1 else "Its rule is met"
    met = f"{len(mark.rules) - len(open_)} of {len(mark.rules)} rules met"
    return f"{met}; cannot be decided: {'; '.join(open_)}"


def beats_sentence(outcome: Outcome, unit: Unit) -> str | None:
    """Say whether the mark beats the earlier figure, where one was given."""
    mark, rules = outcome.mark, outcome.session.mark
    if mark is None or mark.beats_probability is None or rules is None:
        return None
    assert rules.earlier_mps is not None
    earlier = f"{raised_text(rules.earlier_mps * unit.per_mps)} {unit.label}"
    margin = f" plus {rules.margin_percent:g} %" if rules.margin_percent else ""
    verdict = "is above" if mark.beats_at_95 else "is not shown to be above"
    chance = probability_text(mark.beats_probability)
    return (
        f"The mark {verdict} the earlier {earlier}{margin} at 95 % "
        f"(probability {chance}{_of_the_pair(mark)})"
    )


def _of_the_pair(mark: Mark) -> str:
    """Say what the two passes by themselves would give, where choosing them was luck too."""
    if mark.pair_probability is None or mark.luck is None or mark.luck.scatter_mps is None:
        return ""
    alone = probability_text(mark.pair_probability)
    return f", luck of choosing allowed for; {alone} for these two passes by themselves"


def luck_sentence(mark: Mark, unit: Unit) -> str | None:
    """Say out of how many the pair was chosen, and what luck alone does to the best of so many."""
    if mark.luck is None:
        return None
    forward, reverse = mark.selected_from
    chosen = f"The best of {forward} forward and {reverse} reverse"
    scatter = _scatter(mark.luck, unit)
    if (forward, reverse) == (1, 1):
        return f"One pass each way to choose from; {scatter}"
    lift = _up(mark.luck.lift_mps * unit.per_mps)
    return f"{chosen}; luck alone lifts it by {lift} {unit.label} on average ({scatter})"


def _scatter(luck: Luck, unit: Unit) -> str:
    if luck.scatter_mps is None:
        return "how much passes differ beside their measurement cannot be told"
    size = f"{luck.scatter_mps * unit.per_mps:.2g} {unit.label}"
    return f"beside their measurement passes scatter by {size}"


def _up(value: float) -> str:
    """Return an uncertainty-like figure rounded up to two digits."""
    shown, places = rounded_up(value)
    return f"{shown:.{places}f}"


def means_sentence(mark: Mark, unit: Unit) -> str:
    """Name both means; rule books differ in which of them they ask for."""
    places = rounded_up(mark.speed_U95_mps * unit.per_mps)[1]
    times = cut_text(mark.speed_from_mean_time_mps * unit.per_mps, places)
    speeds = cut_text(mark.speed_mps * unit.per_mps, places)
    wide = ""
    if mark.speed_from_mean_time_u_mps is not None:
        half = mark.coverage_factor * mark.speed_from_mean_time_u_mps * unit.per_mps
        wide = f" ± {_up(half)}"
    return f"Mean of the speeds {speeds}, from the mean of the times {times}{wide} {unit.label}"


def wind_sentence(mark: Mark, unit: Unit) -> str | None:
    """Say what wind the two passes tell, what that assumes, and what it leaves out."""
    wind = mark.wind
    if wind is None:
        return None
    along = with_uncertainty(wind.along_mps, wind.along_U95_mps)
    sign = "+" if wind.along_mps > 0.0 else ""
    figure = f"{sign}{along[0]} ± {along[1]} m/s, from start to finish positive"
    stated = ""
    if wind.stated_mps is not None and wind.stated_u_mps is not None:
        stated = f" ({wind.stated_mps:+.1f} ± {2.0 * wind.stated_u_mps:.1f} m/s was stated, k = 2)"
    airspeed = claim_text(wind.airspeed_mps, mark.coverage_factor * wind.airspeed_u_mps, unit)
    loss = crosswind_loss(wind.airspeed_mps, ACROSS_MPS)
    if wind.scatter_mps is None:  # the ± is that of the measurement alone, so it claims no wind
        found = (
            f"Half the difference of the two passes is {figure}; it is the wind along the course"
            f"{stated} only if wind and throttle were equal both ways, and one pass each way "
            f"cannot tell wind from throttle; in equal wind the mean airspeed along the course is "
            f"{airspeed}"
        )
    else:
        found = (
            f"Wind along the course {figure}{stated}, taking it and the throttle as equal both "
            f"ways; the airspeed along the course is then {airspeed}"
        )
    return (
        f"{found}. A crosswind does not cancel: {ACROSS_MPS:g} m/s across take "
        f"{loss * unit.per_mps:.2f} {unit.label} off both ways"
    )


def reduced_sentence(reduced: Reduced | None, unit: Unit) -> str | None:
    """Say what the mark would be in air of another density."""
    if reduced is None:
        return None
    speed = claim_text(reduced.speed_mps, reduced.speed_U95_mps, unit)
    largest = max(reduced.contributions_mps, key=lambda row: row[1])[0]
    return (
        f"In air of {reduced.to_kgm3:g} kg/m³ it would be {speed}: the air had "
        f"{reduced.density_kgm3:.4f} ± {2.0 * reduced.density_u_kgm3:.4f} kg/m³ (k = 2), speed "
        f"taken as density to the power of −1/3 (anything from 0 to −1/2 allowed for); largest "
        f"doubt: {largest}"
    )


def mark_headline(outcome: Outcome, unit_name: str = "kmh") -> str:
    """Return the mark with its rules and its claim, or why there is none, on one line."""
    unit = unit_named(unit_name)
    sentences = (mark_sentence(outcome, unit), beats_sentence(outcome, unit))
    text = ". ".join(sentence for sentence in sentences if sentence)
    return "".join(char if char.isprintable() else " " for char in text)


def mark_lines(outcome: Outcome, unit_name: str = "kmh") -> list[str]:
    """Return what a terminal says of the mark beside its headline and its claim."""
    mark, unit = outcome.mark, unit_named(unit_name)
    if mark is None:
        return []
    lines = (
        means_sentence(mark, unit),
        luck_sentence(mark, unit),
        *heights_sentences(outcome),
        wind_sentence(mark, unit),
        reduced_sentence(mark.reduced, unit),
        split_sentence(outcome),
    )
    return [line for line in lines if line]


def split_sentence(outcome: Outcome) -> str | None:
    """Say what was taken of a flight line whose split is not stated, None of any other."""
    chosen = outcome.mark.passes if outcome.mark is not None else ()
    said = said_of_split([row for row in outcome.passes if row.label in chosen])
    return None if said is None else said[0].upper() + said[1:]


def heights_sentences(outcome: Outcome) -> list[str]:
    """Say how high both passes of the mark were, and whether they dived into the course."""
    chosen = outcome.mark.passes if outcome.mark is not None else ()
    return [
        f"Pass {row.label} was {_gates(row.heights)} high at its two gates and "
        f"{_entry(row.heights)}"
        for row in outcome.passes
        if row.label in chosen and row.heights is not None
    ]


def left_out_lines(mark: Mark) -> list[str]:
    """Return a line for each pass that is not in the mark, and why."""
    return [f"not in the mark: pass {label}: {why}" for label, why in mark.left_out]


def rules_table(mark: Mark) -> Table:
    """Return the rules of a mark with their verdicts."""
    table = Table(title=Text("rules of the mark"), title_justify="left")
    table.add_column("rule")
    table.add_column("verdict", no_wrap=True)
    table.add_column("what was found")
    for row in mark.rules:
        cells = (row.rule, row.verdict, row.detail)
        table.add_row(*(Text(cell, style=STYLES[row.verdict]) for cell in cells))
    return table


def mark_view(outcome: Outcome, unit: Unit) -> dict[str, Any] | None:
    """Return the mark as the report shows it."""
    mark = outcome.mark
    if mark is None:
        return None
    notes = (
        means_sentence(mark, unit) + ": rule books differ in which of the two they ask for",
        luck_sentence(mark, unit),
        *heights_sentences(outcome),
        wind_sentence(mark, unit),
        reduced_sentence(mark.reduced, unit),
        split_sentence(outcome),
    )
    return {
        "speed": claim_text(mark.speed_mps, mark.speed_U95_mps, unit, bare=True),
        "u": f"{mark.speed_u_mps * unit.per_mps:.2g}",
        "factor": f"{mark.coverage_factor:.2f}",
        "passes": mark.passes,
        "beats": beats_sentence(outcome, unit),
        "rules_sentence": rules_sentence(mark),
        "rules": [(row.rule, TAGS[row.verdict], row.verdict, row.detail) for row in mark.rules],
        "notes": [note for note in notes if note],
        "left_out": mark.left_out,
    }


def heights_facts(result: PassResult) -> list[tuple[str, str]]:
    """Return how high a pass was as (name, text), nothing where that is not known."""
    row = result.heights
    if row is None:
        return []
    gates = f"{_gates(row)} (k = 2)"
    return [("Height at the first and second gate", gates), ("On the way in", _entry(row))]


def _gates(row: Heights) -> str:
    """Return both heights, with twice their standard uncertainty."""
    return (
        f"{_metres(row.height_in_m, row.height_in_u_m)} and "
        f"{_metres(row.height_out_m, row.height_out_u_m)} m"
    )


def _metres(value: float, u: float) -> str:
    return " ± ".join(with_uncertainty(value, 2.0 * u))


def _entry(row: Heights) -> str:
    """Say whether a pass climbed or dived on the way to its first gate."""
    if len(row.before_m) == 0:
        return "nothing was seen before the first gate"
    above, u = float(row.above_m[-1]), float(row.above_u_m[-1])
    verb = "dived" if above > 0.0 else "climbed"
    return f"{verb} {_metres(abs(above), u)} m over the {row.before_m[-1]:.1f} m seen of it (k = 2)"


def rules_row(rules: MarkRules | None, mark: Mark) -> dict[str, Any]:
    """Return what `summary.json` adds to the mark: rules, luck, wind, other air."""
    row: dict[str, Any] = {
        "speed_from_mean_time_u_mps": mark.speed_from_mean_time_u_mps,
        "rules": [
            {"name": item.rule, "status": item.verdict, "detail": item.detail}
            for item in mark.rules
        ],
        "luck": _fields(mark.luck),
        "wind": _fields(mark.wind),
    }
    if rules is not None and rules.earlier_mps is not None:
        row["pair_probability"] = mark.pair_probability
    if mark.reduced is not None:
        parts = mark.reduced.contributions_mps
        row["reduced"] = _fields(mark.reduced)
        row["reduced"]["contributions_mps"] = [
            {"source": source, "contribution_mps": part} for source, part in parts
        ]
    return row


def _fields(value: Luck | Wind | Reduced | None) -> dict[str, Any] | None:
    """Return the fields of a value by name."""
    return (
        None if value is None else {item.name: getattr(value, item.name) for item in fields(value)}
    )


def heights_row(row: Heights | None) -> dict[str, Any] | None:
    """Return what `summary.json` says of the heights of a pass."""
    if row is None:
        return None
    names = ("height_in_m", "height_in_u_m", "height_out_m", "height_out_u_m",
             "climb_m", "climb_u_m")  # fmt: skip
    approach = zip(row.before_m.tolist(), row.above_m.tolist(), row.above_u_m.tolist(), strict=True)
    return {name: getattr(row, name) for name in names} | {
        "approach": [
            {"before_m": before, "above_m": above, "above_u_m": u} for before, above, u in approach
        ]
    }
