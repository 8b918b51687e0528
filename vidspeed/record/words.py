"""Words that terminal, report and desk share: sentences, and foreign text made plain to see."""

from __future__ import annotations

import math
import re
from typing import Any

from vidspeed.record.units import percent_text
from vidspeed.values import BudgetRow, PassResult, Session

RULES = 0.5  # a source rules a figure when it makes up this share of the variance or more
# control characters (Unicode's category Cc), and those that change the direction of writing
_MISLEADS = re.compile("[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


def visible(value: Any) -> Any:
    """Return a text without the characters that hide or turn round what stands beside them."""
    if type(value) is not str:  # numbers, and what the template calls safe
        return value
    return _MISLEADS.sub(" ", value)


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
