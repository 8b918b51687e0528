"""The mark under its rules: which pair is taken, which passes are left out, and why."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from tests.answer.days import flown, level, session
from vidspeed.answer.mark import decide, mark_of
from vidspeed.motion.budget import covariance
from vidspeed.values import Air, Clip, MarkRules

BEGAN = datetime(2026, 9, 12, 21, 40, tzinfo=UTC)


def decided(passes, rules=None, *, minutes=None, air=None):
    recorded = {
        f"{label}.mp4": BEGAN + timedelta(minutes=at) for label, at in (minutes or {}).items()
    }
    return decide(passes, *covariance(passes), rules, recorded=recorded, air=air)


FOUR = (
    flown("1", 105.0, flight="1"),
    flown("2", 100.0, "reverse", flight="1"),
    flown("3", 103.0, flight="2"),
    flown("4", 102.0, "reverse", flight="2"),
)


def test_without_rules_the_fastest_each_way():
    mark = decided(FOUR).mark
    assert mark.passes == ("1", "4")
    assert mark.rules == ()
    assert mark.reduced is None


def test_a_pair_rule_takes_the_best_pair_and_not_the_best_passes():
    mark = decided(FOUR, MarkRules(flights="same")).mark
    assert mark.passes in (("1", "2"), ("3", "4"))
    assert mark.speed_mps == 102.5
    assert [row.verdict for row in mark.rules] == ["met"]
    assert mark.selected_from == (2, 2)


def test_a_pair_that_meets_all_goes_before_a_faster_one_that_is_open():
    minutes = {"2": 0, "3": 10}  # of 1 and 4 nobody wrote down when they began
    mark = decided(FOUR, MarkRules(within_s=1800.0), minutes=minutes).mark
    assert mark.passes == ("3", "2")
    assert [row.verdict for row in mark.rules] == ["met"]
    why = dict(mark.left_out)
    assert "within 30 min cannot be decided" in why["1"]
    assert "within 30 min cannot be decided" in why["4"]


def test_where_nothing_can_be_decided_the_mark_says_so():
    mark = decided(FOUR, MarkRules(within_s=1800.0)).mark
    assert mark.passes == ("1", "4")
    assert [row.verdict for row in mark.rules] == ["cannot be decided"]


def test_a_broken_rule_keeps_a_pair_out_and_the_reason_is_told():
    found = decided(FOUR[:2], MarkRules(within_s=1800.0), minutes={"1": 0, "2": 47})
    assert found.mark is None
    assert "1 and 2" in found.why_not
    assert "within 30 min (47 min" in found.why_not


def test_passes_that_break_a_rule_by_themselves():
    low = flown("5", 120.0, heights=level(0.5))
    rest = [flown(row.label, row.speed_mps, row.direction, heights=level(5.0)) for row in FOUR]
    mark = decided([low, *rest], MarkRules(height_m=(2.0, 10.0))).mark
    assert mark.passes == ("1", "4")
    assert mark.selected_from == (2, 2)
    assert "not met: height 2 to 10 m" in dict(mark.left_out)["5"]
    assert len(mark.rules) == 1  # one row for both passes
    assert "pass 1" in mark.rules[0].detail
    assert "pass 4" in mark.rules[0].detail
    found = decided([low, FOUR[1]], MarkRules(height_m=(2.0, 10.0)))
    assert found.mark is None
    assert "pass 5" in found.why_not


def test_one_open_pass_makes_the_pair_open():
    rows = [
        flown("1", 105.0, heights=level(5.0)),
        flown("2", 100.0, "reverse", heights=level(9.95, 0.2)),
    ]
    mark = decided(rows, MarkRules(height_m=(2.0, 10.0))).mark
    assert mark.rules[0].verdict == "cannot be decided"


def test_only_passes_that_count_are_counted():
    mark = decided(FOUR, MarkRules(passes=("2", "3"))).mark
    assert mark.passes == ("3", "2")
    assert mark.selected_from == (1, 1)
    assert "passes that count" in dict(mark.left_out)["1"]


def test_without_a_rule_in_the_way_no_reason_is_invented():
    found = decided(FOUR[:1])
    assert (found.mark, found.why_not) == (None, None)
    assert decided([]).mark is None


def test_wind_of_opposite_passes():
    wind = decided(FOUR).mark.wind
    assert wind.along_mps == 1.5  # 105 forward, 102 reverse
    assert wind.airspeed_mps == 103.5
    assert wind.scatter_mps is not None
    alone = decided(FOUR[:2]).mark.wind
    assert alone.scatter_mps is None
    assert alone.along_U95_mps == pytest.approx(1.96 * 0.1 * math.sqrt(0.5), rel=1e-3)
    assert wind.along_U95_mps > alone.along_U95_mps


@pytest.mark.parametrize(
    ("air", "most", "verdict"),
    [
        (None, 10.0, "cannot be decided"),  # two passes cannot tell it from throttle
        (Air(wind_along_mps=1.0, wind_u_mps=0.3), 3.0, "met"),
        (Air(wind_along_mps=-1.0, wind_u_mps=0.3), 3.0, "met"),
        (Air(wind_along_mps=-3.0, wind_u_mps=0.3), 3.0, "cannot be decided"),
    ],
)
def test_wind_limit_with_two_passes(air, most, verdict):
    mark = decided(FOUR[:2], MarkRules(most_wind_mps=most), air=air).mark
    assert [row.verdict for row in mark.rules] == [verdict]


def test_wind_limit_from_the_passes_themselves():
    calm = [
        flown(str(at), 100.0 + 0.1 * at, "forward" if at % 2 else "reverse") for at in range(12)
    ]
    assert decided(calm, MarkRules(most_wind_mps=3.0)).mark.rules[0].verdict == "met"
    blown = [
        flown(row.label, row.speed_mps + (8.0 if row.direction == "forward" else -8.0),
              row.direction)
        for row in calm
    ]  # fmt: skip
    found = decided(blown, MarkRules(most_wind_mps=3.0))
    assert found.mark is None
    assert "wind along the course at most 3 m/s" in found.why_not


def test_too_much_stated_wind_is_no_mark():
    air = Air(wind_along_mps=6.0, wind_u_mps=0.5)
    found = decided(FOUR, MarkRules(most_wind_mps=3.0), air=air)
    assert found.mark is None
    assert "as stated" in found.why_not


def test_the_mark_in_other_air():
    air = Air(temperature_c=15.0, pressure_hpa=1013.25, humidity_pct=0.0)
    same = decided(FOUR, MarkRules(density_kgm3=1.2255), air=air).mark.reduced
    assert same.speed_mps == pytest.approx(103.5, rel=1e-4)
    thin = decided(FOUR, MarkRules(density_kgm3=1.0), air=air).mark.reduced
    assert thin.speed_mps == pytest.approx(103.5 * 1.2255 ** (1 / 3), rel=1e-4)
    parts = dict(thin.contributions_mps)
    assert parts["exponent"] == pytest.approx(thin.speed_mps * math.log(1.2255) / 6.0, rel=1e-3)
    assert thin.speed_u_mps == pytest.approx(math.hypot(*parts.values()))
    assert decided(FOUR, MarkRules(density_kgm3=1.0)).mark.reduced is None


def test_mean_of_the_times_has_an_uncertainty_of_its_own():
    rows = [flown("1", 120.0, u=1.0), flown("2", 80.0, "reverse", u=1.0)]
    mark = decided(rows).mark
    assert mark.speed_from_mean_time_mps == pytest.approx(96.0)
    # d(2ab/(a+b)) = 2 b^2/(a+b)^2 da + 2 a^2/(a+b)^2 db
    expected = math.hypot(2.0 * 80.0**2, 2.0 * 120.0**2) / 200.0**2
    assert mark.speed_from_mean_time_u_mps == pytest.approx(expected)


def test_a_session_states_rules_clips_and_air():
    home = session(
        clips=(
            Clip(file="1.mp4", camera="north", recorded=BEGAN),
            Clip(file="2.mp4", camera="north", recorded=BEGAN + timedelta(minutes=5)),
        ),
        mark=MarkRules(within_s=600.0, most_wind_mps=2.0),
        air=Air(wind_along_mps=0.5, wind_u_mps=0.2),
    )
    passes = FOUR[:2]
    mark = mark_of(home, passes, *covariance(passes)).mark
    assert [row.verdict for row in mark.rules] == ["met", "met"]
    assert np.isfinite(mark.wind.stated_mps)


def test_setups_are_not_taken_for_scatter():
    rows = []
    for at in range(8):
        way = "forward" if at % 2 else "reverse"
        rows.append(flown(str(at), 100.0 + 0.02 * at + 10.0 * (at > 3), way, setup=str(at > 3)))
    assert decided(rows).mark.luck.scatter_mps < 0.5


def test_names_that_no_pass_has_are_told():
    found = decided(FOUR, MarkRules(passes=("1", "2", "9"), setup="tail 9"))
    assert ['passes names "9"' in text for text in found.doubts] == [True, False]
    assert 'setup is "tail 9"' in found.doubts[1]
    assert decided(FOUR).doubts == ()
