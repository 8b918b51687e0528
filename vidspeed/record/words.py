"""Sentences that the terminal and the report share, so that both say the same."""

from __future__ import annotations

import math

from vidspeed.record.units import Unit, percent_text, probability_text, speed_text
from vidspeed.values import BudgetRow, Outcome, PassResult, Session

RULES = 0.5  # a source rules a figure when it makes up this share of the variance or more


def largest_term(result: PassResult) -> BudgetRow | None:
    """Return the budget row with the largest contribution, None where there is no budget."""
    return max(result.budget, key=lambda row: row.contribution_mps, default=None)


def largest_text(result: PassResult) -> str:
    """Return the largest budget term with its share of the variance, for a table."""
    row = largest_term(result)
    if row is None:
        return "–"
    assumed = ", assumed" if row.assumed else ""
    return f"{row.source} ({row.owner}{assumed}), {percent_text(row.share)}"


def flight_line_share(result: PassResult) -> float:
    """Return the part of the variance that the stated flight line makes up, from 0 to 1."""
    return math.fsum(row.share for row in result.budget if _is_flight_line(row.source))


def _is_flight_line(source: str) -> bool:
    """Tell the budget rows that say where the craft flew."""
    plain = source.lower().replace("-", " ")
    return plain.startswith("flight line") or plain in {"offset", "height"}


def camera_names(result: PassResult) -> list[str]:
    """Return the cameras that saw the pass, each once, in order."""
    return list(dict.fromkeys(sighted.camera for sighted in result.sightings))


def range_sentence(result: PassResult) -> str | None:
    """Say that one camera cannot tell the range, where the flight line therefore rules."""
    share = flight_line_share(result)
    if len(camera_names(result)) != 1 or share < RULES:
        return None
    return (
        f"One camera cannot tell how far away a light is. How well the flight line is known "
        f"rules this figure: {percent_text(share)} of its variance. A second camera that sees "
        f"the same pass, or a flight line known better, narrows it."
    )


def wide(result: PassResult, session: Session) -> bool:
    """Tell whether the interval is wider than the session wanted."""
    if result.speed_mps is None or result.speed_U95_mps is None:
        return False
    return 100.0 * result.speed_U95_mps > session.wanted_U95_percent * result.speed_mps


def mark_sentence(outcome: Outcome, unit: Unit) -> str:
    """Say the mark in one sentence, or why there is none."""
    mark = outcome.mark
    if mark is None:
        return no_mark_sentence(outcome.passes)
    speed = speed_text(mark.speed_mps, mark.speed_U95_mps, unit)
    return (
        f"Mark {speed} (95 %, k = {mark.coverage_factor:.2f}): mean of passes "
        f"{mark.passes[0]} and {mark.passes[1]}"
    )


def no_mark_sentence(passes: tuple[PassResult, ...]) -> str:
    """Say which way a measured pass is missing."""
    have = {result.direction for result in passes if result.status == "measured"}
    missing = [way for way in ("forward", "reverse") if way not in have]
    if not missing:
        return "No mark: none was formed"
    ways = " and no ".join(f"{way} pass" for way in missing)
    return f"No mark: it needs one measured pass each way, and no {ways} was measured"


def beats_sentence(outcome: Outcome, unit: Unit) -> str | None:
    """Say whether the mark beats the earlier figure, where one was given."""
    mark, rules = outcome.mark, outcome.session.mark
    if mark is None or mark.beats_probability is None or rules is None:
        return None
    assert rules.earlier_mps is not None
    earlier = f"{rules.earlier_mps * unit.per_mps:.2f} {unit.label}"
    margin = f" plus {rules.margin_percent:g} %" if rules.margin_percent else ""
    verdict = "is above" if mark.beats_at_95 else "is not shown to be above"
    chance = probability_text(mark.beats_probability)
    return f"The mark {verdict} the earlier {earlier}{margin} at 95 % (probability {chance})"
