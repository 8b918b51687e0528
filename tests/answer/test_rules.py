"""Each rule of the mark: met, not met, and what cannot be decided is never met."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from tests.answer.days import flown, level
from vidspeed.answer.rules import pair_rules, pass_rules, time_span, verdict_of, worst
from vidspeed.values import MarkRules, Ruled

BEGAN = datetime(2026, 9, 12, 21, 40, tzinfo=UTC)


def only(rows: list[Ruled]) -> Ruled:
    (row,) = rows
    return row


@pytest.mark.parametrize(
    ("probability", "verdict"),
    [
        (1.0, "met"),
        (0.95, "met"),
        (0.949, "cannot be decided"),
        (0.05, "not met"),
        (0.0, "not met"),
    ],
)
def test_a_limit_is_kept_or_broken_with_95_percent(probability, verdict):
    assert verdict_of(probability) == verdict


def test_without_rules_nothing_is_asked():
    one, other = flown("1", 100.0), flown("2", 90.0, "reverse")
    for rules in (None, MarkRules()):
        assert pass_rules(rules, one) == []
        assert pair_rules(rules, (one, other), {}) == []
    assert worst([]) == "met"


@pytest.mark.parametrize(
    ("height", "u", "verdict"),
    [
        (5.0, 0.5, "met"),
        (9.9, 0.5, "cannot be decided"),
        (10.4, 0.5, "cannot be decided"),
        (12.0, 0.5, "not met"),
        (0.5, 0.5, "not met"),
        (5.0, 40.0, "cannot be decided"),  # one camera that hardly knows
        (10.0, 0.0, "met"),
    ],
)
def test_height_window(height, u, verdict):
    rules = MarkRules(height_m=(2.0, 10.0))
    row = only(pass_rules(rules, flown("1", 100.0, heights=level(height, u))))
    assert row.verdict == verdict
    if u > 0.0:
        assert f"{height:.2f} ± {2.0 * u:.2f} m" in row.detail


def test_the_worse_gate_decides_on_height():
    from dataclasses import replace

    rules = MarkRules(height_m=(2.0, 10.0))
    climbing = replace(level(5.0), height_out_m=11.0)
    assert only(pass_rules(rules, flown("1", 100.0, heights=climbing))).verdict == "not met"


@pytest.mark.parametrize(
    ("lost", "approach", "seen", "verdict"),
    [
        (0.5, None, 40.0, "met"),
        (-3.0, None, 40.0, "met"),  # it climbed
        (2.1, None, 40.0, "cannot be decided"),
        (4.0, None, 40.0, "not met"),
        (0.5, 30.0, 40.0, "met"),
        (0.5, 60.0, 40.0, "cannot be decided"),  # the rest was not seen
        (4.0, 60.0, 40.0, "not met"),  # what was seen is enough
        (4.0, 10.0, 40.0, "met"),  # 1 m of it over the last 10 m
        (0.0, None, 0.0, "cannot be decided"),
    ],
)
def test_level_entry(lost, approach, seen, verdict):
    rules = MarkRules(most_dive_m=2.0, approach_m=approach)
    row = only(pass_rules(rules, flown("1", 100.0, heights=level(lost=lost, seen=seen))))
    assert row.verdict == verdict, row.detail


def test_a_dive_that_ends_before_the_gate_is_seen():
    from dataclasses import replace

    row = level(lost=0.0)
    bowed = replace(row, above_m=3.0 * (1.0 - ((row.before_m - 20.0) / 20.0) ** 2))
    rules = MarkRules(most_dive_m=2.0)
    found = only(pass_rules(rules, flown("1", 100.0, heights=bowed)))
    assert found.verdict == "not met"
    assert "lost 3.00 ± 0.20 m of height from 20.0 m" in found.detail


def test_heights_that_are_not_known_decide_nothing():
    rules = MarkRules(height_m=(2.0, 10.0), most_dive_m=2.0)
    rows = pass_rules(rules, flown("1", 100.0))
    assert [row.verdict for row in rows] == ["cannot be decided"] * 2


def test_which_passes_count():
    rules = MarkRules(passes=("1", "3"), setup="tail 3")
    rows = pass_rules(rules, flown("2", 100.0, setup="tail 3"))
    assert [row.verdict for row in rows] == ["not met", "met"]
    rows = pass_rules(rules, flown("1", 100.0))
    assert [row.verdict for row in rows] == ["met", "cannot be decided"]
    assert pass_rules(rules, flown("1", 1.0, setup="tail 4"))[1].verdict == "not met"


@pytest.mark.parametrize(
    ("flights", "wanted", "verdict"),
    [
        (("1", "1"), "same", "met"),
        (("1", "2"), "same", "not met"),
        (("1", "2"), "different", "met"),
        (("1", "1"), "different", "not met"),
        (("1", None), "same", "cannot be decided"),
        ((None, None), "different", "cannot be decided"),
    ],
)
def test_flights(flights, wanted, verdict):
    pair = (flown("1", 100.0, flight=flights[0]), flown("2", 90.0, "reverse", flight=flights[1]))
    assert only(pair_rules(MarkRules(flights=wanted), pair, {})).verdict == verdict


def test_time_within_one_clip_needs_no_time_of_day():
    one = flown("1", 100.0, clip="long.mp4", times=(10.0, 11.0))
    other = flown("2", 90.0, "reverse", clip="long.mp4", times=(610.0, 611.0))
    assert time_span((one, other), {}) == (601.0, 0.0)
    for most_s, verdict in ((601.0, "met"), (600.0, "not met")):
        assert only(pair_rules(MarkRules(within_s=most_s), (one, other), {})).verdict == verdict


@pytest.mark.parametrize(
    ("minutes", "verdict"),
    [(10.0, "met"), (29.0, "met"), (30.0, "cannot be decided"), (31.0, "not met")],
)
def test_time_between_clips_whose_begin_was_stated(minutes, verdict):
    one, other = flown("1", 100.0), flown("2", 90.0, "reverse", times=(0.0, 1.0))
    recorded = {
        "1.mp4": BEGAN,
        "2.mp4": datetime.fromtimestamp(BEGAN.timestamp() + 60.0 * minutes, UTC),
    }
    row = only(pair_rules(MarkRules(within_s=1800.0), (one, other), recorded))
    assert row.verdict == verdict
    assert f"{round(minutes)} min" in row.rule + row.detail


def test_a_clip_without_a_stated_begin_cannot_be_decided():
    pair = (flown("1", 100.0), flown("2", 90.0, "reverse"))
    for recorded in (
        {},
        {"1.mp4": BEGAN},
        {"1.mp4": BEGAN, "2.mp4": datetime(2026, 9, 12, 21, 45)},
    ):
        row = only(pair_rules(MarkRules(within_s=1800.0), pair, recorded))
        assert row.verdict == "cannot be decided"
        assert "recorded" in row.detail


def test_clocks_that_are_put_back_do_not_shorten_the_time():
    # In this zone 02:59 summer time is followed by 02:00: an hour comes twice.
    zone = ZoneInfo("Europe/Berlin")
    pair = (flown("1", 100.0), flown("2", 90.0, "reverse"))
    recorded = {
        "1.mp4": datetime(2026, 10, 25, 2, 30, tzinfo=zone),
        "2.mp4": datetime(2026, 10, 25, 2, 35, fold=1, tzinfo=zone),
    }
    took_s, _ = time_span(pair, recorded)
    assert took_s == pytest.approx(65.0 * 60.0 + 1.0)
