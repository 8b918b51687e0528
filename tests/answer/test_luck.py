"""Choosing the best of several: lifted by luck, and the claim made to stand without it."""

from __future__ import annotations

import numpy as np
import pytest

from tests.answer.days import choose_mark, entry, flown
from vidspeed.answer.luck import beats, best_pair, draws_of, field_of, lifts
from vidspeed.answer.scatter import design_of
from vidspeed.motion.budget import covariance
from vidspeed.values import MarkRules

ALL_PAIRS = [(i, j) for i in range(4) for j in range(4, 8)]
WAYS = ["forward"] * 4 + ["reverse"] * 4
DESIGN = design_of([0] * 8, [0] * 8, WAYS)


def marked(speeds, rules=None, *, u=0.5, shared=0.0, dof=None):
    both = (entry("session", "length", "survey scale"), shared)
    passes = [
        flown(str(at), speed, way, u=u, shared=[both], dof=dof)
        for at, (speed, way) in enumerate(zip(speeds, WAYS[4 - len(speeds) // 2 :], strict=False))
    ]
    return choose_mark(passes, *covariance(passes), rules)


def test_best_pair_is_the_best_allowed():
    speeds = np.array([[1.0, 5.0, 10.0, 4.0], [9.0, 1.0, 1.0, 2.0]])
    assert best_pair(speeds, [(0, 2), (0, 3), (1, 2), (1, 3)]).tolist() == [7.5, 5.5]
    assert best_pair(speeds, [(0, 2), (1, 3)]).tolist() == [5.5, 5.0]


def test_draws_have_the_joint_covariance():
    errors = 0.25 * np.ones((8, 8)) + 0.09 * np.eye(8)
    field = field_of(np.full(8, 100.0), ALL_PAIRS, errors, DESIGN)
    drawn = draws_of(field, 200_000)
    scattered = float(field.scatter.weight @ np.minimum(field.scatter.variance, 1.0))
    off_diagonal = np.cov(drawn.T)[0, 1]
    assert off_diagonal == pytest.approx(0.25, rel=0.02)
    assert scattered < 0.05


def test_errors_that_all_passes_share_lift_nothing():
    shared = field_of(np.full(8, 100.0), ALL_PAIRS, np.ones((8, 8)), DESIGN)
    assert float(np.mean(lifts(shared))) == pytest.approx(0.0, abs=0.02)


def test_one_pass_each_way_is_not_lifted_and_is_judged_by_itself():
    rules = MarkRules(earlier_mps=99.0)
    mark = marked([100.0, 99.5], rules)
    assert mark.luck.lift_mps == 0.0
    assert mark.luck.scatter_mps is None
    assert mark.beats_probability == mark.pair_probability


def test_the_luck_of_choosing_is_kept_out_of_the_claim():
    rules = MarkRules(earlier_mps=100.0)
    mark = marked([100.9, 99.1, 100.2, 99.6, 100.8, 99.3, 99.9, 100.3], rules)
    assert mark.selected_from == (4, 4)
    assert mark.pair_probability > 0.95  # as if these two had been flown and no other
    assert not mark.beats_at_95
    assert mark.beats_probability < 0.9
    assert 0.4 < mark.luck.lift_mps < 1.2


def test_a_real_improvement_is_claimed_all_the_same():
    rules = MarkRules(earlier_mps=100.0, margin_percent=1.0)
    mark = marked([103.9, 102.1, 103.2, 102.6, 103.8, 102.3, 102.9, 103.3], rules)
    assert mark.beats_at_95
    assert mark.beats_probability > 0.99


def test_what_all_passes_share_limits_the_claim():
    rules = MarkRules(earlier_mps=100.0)
    speeds = [103.9, 102.1, 103.2, 102.6, 103.8, 102.3, 102.9, 103.3]
    assert not marked(speeds, rules, shared=3.0).beats_at_95
    assert marked(speeds, rules, shared=0.3).beats_at_95


def test_a_doubtful_earlier_figure_is_harder_to_beat():
    speeds = [103.9, 102.1, 103.2, 102.6, 103.8, 102.3, 102.9, 103.3]
    sure = marked(speeds, MarkRules(earlier_mps=101.0))
    unsure = marked(speeds, MarkRules(earlier_mps=101.0, earlier_u_mps=2.0))
    assert unsure.beats_probability < sure.beats_probability
    assert not unsure.beats_at_95


def test_wind_does_not_count_as_scatter():
    calm = [100.9, 99.1, 100.2, 99.6, 100.8, 99.3, 99.9, 100.3]
    blown = [speed + (5.0 if at < 4 else -5.0) for at, speed in enumerate(calm)]
    one, other = (marked(speeds, MarkRules(earlier_mps=99.5)) for speeds in (calm, blown))
    assert other.beats_probability == pytest.approx(one.beats_probability, abs=1e-9)
    assert other.wind.along_mps == pytest.approx(one.wind.along_mps + 5.0)


def test_the_same_passes_give_the_same_figures():
    field = field_of(np.linspace(99.0, 101.0, 8), ALL_PAIRS, 0.1 * np.eye(8), DESIGN)
    assert beats(field, 99.0, 0.1, 101.0) == beats(field, 99.0, 0.1, 101.0)
