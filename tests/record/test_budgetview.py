"""The budget in the report: bars to scale, plain words, small rows put together and not lost."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from made_up import measured

import vidspeed
from vidspeed.record.budgetview import budget_view
from vidspeed.record.layman import PLAIN, largest_words, meaning
from vidspeed.record.units import UNITS
from vidspeed.values import BudgetRow

KMH = UNITS["kmh"]


def row(size: float, total: float, source: str = "picks") -> BudgetRow:
    return BudgetRow(
        source=source, owner="camera north", kind="B", assumed=False, input_u=0.5, unit="px",
        contribution_mps=size, share=size**2 / total,
    )  # fmt: skip


def test_bars_are_to_scale():
    result = measured("1", 111.0, "forward")
    rows = budget_view(result, KMH)["budget"]
    sizes = sorted((item.contribution_mps for item in result.budget), reverse=True)
    assert float(rows[0]["bar"]) == 100.0
    for shown, size in zip(rows, sizes, strict=False):
        assert float(shown["bar"]) == pytest.approx(100.0 * size / sizes[0], abs=0.06)
        assert float(shown["contribution"]) == pytest.approx(3.6 * size, rel=0.06)


def test_small_rows_are_put_together_and_listed():
    sizes = [1.0, 0.5, *(0.01 * number for number in range(1, 7))]
    total = sum(size**2 for size in sizes)
    budget = tuple(row(size, total) for size in sizes)
    shown = budget_view(replace(measured("1", 111.0, "forward"), budget=budget), KMH)
    assert len(shown["budget"]) == 2
    assert len(shown["small_budget"]) == 6
    together = sum(size**2 for size in sizes[2:]) ** 0.5
    assert float(shown["smaller"]["contribution"]) == pytest.approx(3.6 * together, rel=0.06)
    assert shown["smaller"]["meaning"] == "6 smaller ones together"


def test_a_few_small_rows_stand_by_themselves():
    budget = (row(1.0, 1.0001), row(0.01, 1.0001))
    shown = budget_view(replace(measured("1", 111.0, "forward"), budget=budget), KMH)
    assert len(shown["budget"]) == 2
    assert shown["smaller"] is None
    nothing = budget_view(replace(measured("1", 111.0, "forward"), budget=()), KMH)
    assert nothing == {"budget": [], "smaller": None, "small_budget": []}


def test_every_source_that_the_tool_names_has_plain_words():
    """The rows of the budgets in the samples, and every source written out in the sources."""
    home = Path(vidspeed.__file__).parent
    named: set[str] = set()
    for room in ("motion", "geometry", "assembly", "agreement"):
        for path in (home / room).rglob("*.py"):
            text = path.read_text(encoding="utf-8")
            named |= set(re.findall(r'\bsource="([a-z -]+)"', text))
    assert {"marker survey", "exposure", "beyond first order"} <= named | {"beyond first order"}
    assert named - set(PLAIN) == set()


def test_the_largest_is_said_in_a_sentence_with_what_would_help():
    result = measured("1", 111.0, "forward")
    said = largest_words(result, KMH)
    assert said is not None
    assert "how far to the side of the course the craft flew" in said
    assert "a second camera" in said
    assumed = replace(result, budget=(replace(result.budget[0], assumed=True),))
    assert "not stated" in (largest_words(assumed, KMH) or "")
    assert largest_words(replace(result, budget=()), KMH) is None
    assert meaning("something new") == "something new"
