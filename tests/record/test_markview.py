"""What is said of a mark: each sentence, and figures never rounded up past their ground."""

from __future__ import annotations

from dataclasses import replace

import pytest
from made_up import outcome

from vidspeed.record.markview import (
    beats_sentence,
    heights_facts,
    left_out_lines,
    luck_sentence,
    mark_lines,
    mark_sentence,
    mark_view,
    means_sentence,
    no_mark_sentence,
    reduced_sentence,
    rules_sentence,
    wind_sentence,
)
from vidspeed.record.units import UNITS
from vidspeed.values import Heights, Luck, Reduced, Ruled, Wind

KMH = UNITS["kmh"]


@pytest.fixture
def made():
    return outcome("unused")


def with_mark(made, **how):
    return replace(made, mark=replace(made.mark, **how))


def ruled(*verdicts):
    return tuple(
        Ruled(rule=f"rule {at}", verdict=verdict, detail="so it was")
        for at, verdict in enumerate(verdicts)
    )


def test_a_mark_is_cut_and_never_rounded_up(made):
    said = mark_sentence(with_mark(made, speed_mps=399.999 / 3.6, speed_U95_mps=0.5 / 3.6), KMH)
    assert said.startswith("Mark 399.99 ± 0.50 km/h")
    assert "mean of passes 1 and 2" in said
    times = means_sentence(
        with_mark(made, speed_from_mean_time_mps=399.999 / 3.6, speed_U95_mps=0.5 / 3.6).mark, KMH
    )
    assert "from the mean of the times 399.99 km/h" in times


@pytest.mark.parametrize(
    ("verdicts", "said"),
    [
        ((), None),
        (("met",), "Its rule is met"),
        (("met", "met"), "All of its rules are met"),
        (("met", "cannot be decided"), "1 of 2 rules met; cannot be decided: rule 1"),
    ],
)
def test_rules_in_one_sentence(made, verdicts, said):
    found = with_mark(made, rules=ruled(*verdicts))
    assert rules_sentence(found.mark) == said
    if said:
        assert said in mark_sentence(found, KMH)


def test_a_claim_names_its_ground(made):
    claimed = with_mark(made, beats_probability=0.97, beats_at_95=True, pair_probability=0.995)
    said = beats_sentence(claimed, KMH)
    assert said == (
        "The mark is above the earlier 378.00 km/h plus 1 % at 95 % (probability 97.0 %)"
    )
    chosen = with_mark(
        claimed, luck=Luck(lift_mps=0.9, scatter_mps=1.0, scatter_dof=6), selected_from=(4, 4)
    )
    said = beats_sentence(chosen, KMH)
    assert "luck of choosing allowed for; 99.5 % for these two passes by themselves" in said
    assert beats_sentence(with_mark(made, beats_probability=None), KMH) is None


def test_the_earlier_figure_is_not_rounded_down(made):
    rules = replace(made.session.mark, earlier_mps=400.001 / 3.6)
    said = beats_sentence(replace(made, session=replace(made.session, mark=rules)), KMH)
    assert "400.01 km/h" in said


def test_luck_in_words(made):
    luck = Luck(lift_mps=0.9, scatter_mps=1.0, scatter_dof=6)
    said = luck_sentence(with_mark(made, luck=luck, selected_from=(4, 3)).mark, KMH)
    assert said.startswith("The best of 4 forward and 3 reverse; luck alone lifts it by 3.3 km/h")
    assert "passes scatter by 3.6 km/h" in said
    none = Luck(lift_mps=0.0, scatter_mps=None, scatter_dof=0)
    said = luck_sentence(with_mark(made, luck=none).mark, KMH)
    assert said.startswith("One pass each way to choose from")
    assert "cannot be told" in said
    assert luck_sentence(made.mark, KMH) is None


def test_wind_in_words(made):
    wind = Wind(
        along_mps=-1.234, along_u_mps=0.2, along_U95_mps=0.4, airspeed_mps=107.95,
        airspeed_u_mps=0.94, scatter_mps=None, stated_mps=2.0, stated_u_mps=0.5,
    )  # fmt: skip
    said = wind_sentence(with_mark(made, wind=wind).mark, KMH)
    assert "-1.23 ± 0.40 m/s" in said
    assert "(+2.0 ± 1.0 m/s was stated, k = 2)" in said
    assert said.startswith("Half the difference of the two passes")  # the ± holds for no more
    assert "one pass each way cannot tell wind from throttle" in said
    assert "A crosswind does not cancel: 5 m/s across take 0.42 km/h off both ways" in said
    known = wind_sentence(with_mark(made, wind=replace(wind, scatter_mps=0.1)).mark, KMH)
    assert known.startswith("Wind along the course -1.23 ± 0.40 m/s")
    assert "throttle as equal" in known
    assert "cannot tell" not in known


def test_other_air_in_words(made):
    reduced = Reduced(
        density_kgm3=1.2496, density_u_kgm3=0.01, to_kgm3=1.225, exponent=1 / 3,
        exponent_u=1 / 6, speed_mps=108.6, speed_u_mps=1.0, speed_U95_mps=2.0,
        contributions_mps=(("speed as measured", 0.5), ("exponent", 0.8)),
    )  # fmt: skip
    said = reduced_sentence(reduced, KMH)
    assert said.startswith("In air of 1.225 kg/m³ it would be 390.9 ± 7.2 km/h")
    assert said.endswith("largest doubt: exponent")
    assert reduced_sentence(None, KMH) is None


def test_why_there_is_no_mark(made):
    none = replace(made, mark=None)
    assert no_mark_sentence(none) == "No mark: none was formed"
    ruled_out = replace(none, no_mark="no two opposite passes meet the rules; …")
    assert no_mark_sentence(ruled_out).startswith("No mark: no two opposite passes")
    forward = replace(none, passes=made.passes[:1])
    assert "no reverse pass was measured" in no_mark_sentence(forward)
    assert mark_view(none, KMH) is None
    assert mark_lines(none) == []


def test_passes_that_are_left_out_are_named(made):
    assert left_out_lines(made.mark)[0] == "not in the mark: pass 3: partial"


def test_heights_among_the_facts_of_a_pass(made):
    import numpy as np

    row = Heights(
        height_in_m=4.04, height_in_u_m=0.03, height_out_m=2.77, height_out_u_m=0.03,
        climb_m=-1.27, climb_u_m=0.05, before_m=np.array([0.0, 10.0]),
        above_m=np.array([0.0, 0.5]), above_u_m=np.array([0.0, 0.1]),
    )  # fmt: skip
    facts = dict(heights_facts(replace(made.passes[0], heights=row)))
    assert facts["Height at the first and second gate"] == (
        "4.040 ± 0.060 and 2.770 ± 0.060 m (k = 2)"
    )
    assert facts["On the way in"] == "dived 0.50 ± 0.20 m over the 10.0 m seen of it (k = 2)"
    assert heights_facts(made.passes[0]) == []
    blind = replace(row, before_m=np.zeros(0), above_m=np.zeros(0), above_u_m=np.zeros(0))
    found = dict(heights_facts(replace(made.passes[0], heights=blind)))
    assert found["On the way in"] == "nothing was seen before the first gate"
