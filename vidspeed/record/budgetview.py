"""The budget of a pass as the report shows it: bars in a table, the smallest ones put together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from vidspeed.record.layman import meaning, owner_words
from vidspeed.record.units import Unit, percent_text
from vidspeed.values import BudgetRow, PassResult

SMALL = 0.005  # of the variance; smaller rows are put together where there are several
LEAST_PUT_TOGETHER = 3


def budget_view(result: PassResult, unit: Unit) -> dict[str, Any]:
    """Return the rows of a budget as texts: the large ones, the small ones and their sum."""
    rows = sorted(result.budget, key=lambda row: row.contribution_mps, reverse=True)
    small = [row for row in rows if row.share < SMALL]
    if len(small) < LEAST_PUT_TOGETHER or len(small) == len(rows):
        small = []
    large = rows[: len(rows) - len(small)]
    largest = rows[0].contribution_mps if rows else 0.0
    return {
        "budget": [_row(row, largest, unit) for row in large],
        "smaller": _together(small, largest, unit) if small else None,
        "small_budget": [_row(row, largest, unit) for row in small],
    }


def _row(row: BudgetRow, largest_mps: float, unit: Unit) -> dict[str, Any]:
    """Return one row of the budget as texts."""
    entered = None
    if row.input_u is not None:
        unit_text = "" if row.unit == "1" else row.unit
        entered = f"entered u {row.input_u:.3g} {unit_text}".strip()
    known = (
        row.source, owner_words(row), entered, f"type {row.kind}",
        "assumed" if row.assumed else None,
    )  # fmt: skip
    return {
        "meaning": meaning(row.source),
        "small_print": " · ".join(part for part in known if part),
        "assumed": row.assumed,
        "bar": _bar(row.contribution_mps, largest_mps),
        "contribution": contribution_text(row.contribution_mps * unit.per_mps),
        "share": percent_text(row.share),
    }


def _together(rows: Sequence[BudgetRow], largest_mps: float, unit: Unit) -> dict[str, Any]:
    """Return several rows as one: the root of their squares."""
    size_mps = math.sqrt(math.fsum(row.contribution_mps**2 for row in rows))
    return {
        "meaning": f"{len(rows)} smaller ones together",
        "small_print": "",
        "assumed": False,
        "bar": _bar(size_mps, largest_mps),
        "contribution": contribution_text(size_mps * unit.per_mps),
        "share": percent_text(math.fsum(row.share for row in rows)),
    }


def _bar(size_mps: float, largest_mps: float) -> str:
    """Return the length of a bar in per cent of the longest."""
    part = size_mps / largest_mps if largest_mps > 0.0 else 0.0
    return f"{100.0 * part:.1f}" if math.isfinite(part) else "0"


def contribution_text(speed: float) -> str:
    """Return a contribution with two significant digits, the smallest as a bound."""
    return f"{speed:.2g}" if speed >= 0.001 else "< 0.001"
