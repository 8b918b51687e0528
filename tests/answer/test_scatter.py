"""The scatter from pass to pass: Student's t where nothing else is there, less where known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import nct, norm, t

from vidspeed.answer.scatter import (
    NO_SCATTER,
    Scatter,
    Spread,
    chance_to_claim,
    design_of,
    scatter_of,
)

SPEEDS = np.array([100.3, 98.9, 101.2, 99.6, 100.8])
ONE = np.ones((5, 1))


@pytest.mark.parametrize("count", [2, 3, 5])
def test_without_errors_of_measurement_a_mean_is_students(count):
    speeds = SPEEDS[:count]
    scatter = scatter_of(speeds, np.zeros((count, count)), np.ones((count, 1)))
    spread = Spread(scatter=scatter, fixed=0.0, share=1.0 / count)
    error = np.std(speeds, ddof=1) / np.sqrt(count)
    for level in (0.5, 0.9, 0.95):
        expected = t.ppf(0.5 + level / 2.0, count - 1) * error
        assert spread.half(level) == pytest.approx(expected, rel=5e-4)
    assert spread.below(0.7 * error) == pytest.approx(t.cdf(0.7, count - 1), abs=1e-4)


def test_errors_of_measurement_that_explain_all_leave_little_scatter():
    wide = scatter_of(SPEEDS, 25.0 * np.eye(5), ONE)
    narrow = scatter_of(SPEEDS, 1e-4 * np.eye(5), ONE)
    assert narrow.median_mps == pytest.approx(np.std(SPEEDS, ddof=1), rel=0.15)
    assert wide.median_mps < 4.0  # where the measurement has 5 m/s


def test_what_all_passes_share_says_nothing_of_their_scatter():
    alone = scatter_of(SPEEDS, 0.01 * np.eye(5), ONE)
    shared = scatter_of(SPEEDS, 0.01 * np.eye(5) + 400.0 * np.ones((5, 5)), ONE)
    assert shared.median_mps == pytest.approx(alone.median_mps, rel=1e-6)


def test_wind_and_groups_are_no_scatter():
    ways = ["forward", "reverse"] * 4
    groups = ["a"] * 4 + ["b"] * 4
    sign = np.array([1.0, -1.0] * 4)
    speeds = 100.0 + 7.0 * sign + 5.0 * np.array([0.0] * 4 + [1.0] * 4)
    design = design_of(groups, ["day"] * 8, ways)
    assert design.shape == (8, 3)
    jitter = 0.01 * np.random.default_rng(1).standard_normal(8)
    assert scatter_of(speeds + jitter, np.zeros((8, 8)), design).median_mps < 0.03
    two = design_of(groups, groups, ways)  # a wind for each day
    assert two.shape == (8, 4)
    assert design_of(["a", "a"], ["d", "d"], ["forward", "forward"]).shape == (2, 1)


def test_one_pass_each_way_tells_no_scatter():
    design = design_of([0, 0], ["day", "day"], ["forward", "reverse"])
    found = scatter_of(np.array([100.0, 90.0]), np.eye(2), design)
    assert found.dof == 0
    assert found.median_mps is None
    spread = Spread(scatter=found, fixed=4.0, share=0.5)
    assert spread.u == 2.0
    assert spread.half() == pytest.approx(2.0 * norm.ppf(0.975))


def test_equal_speeds_scatter_by_nothing():
    found = scatter_of(np.full(5, 100.0), np.zeros((5, 5)), ONE)
    assert (found.dof, found.median_mps) == (4, 0.0)
    spread = Spread(scatter=found, fixed=0.0, share=0.2)
    assert spread.half() == 0.0
    assert (spread.below(1.0), spread.below(-1.0)) == (1.0, 0.0)


def test_few_degrees_of_freedom_of_the_measurement_widen():
    sure = Spread(scatter=NO_SCATTER, fixed=1.0)
    unsure = Spread(scatter=NO_SCATTER, fixed=1.0, dof=4.7)
    assert unsure.half() == pytest.approx(t.ppf(0.975, 4))
    assert unsure.below(1.5) == pytest.approx(t.cdf(1.5, 4))
    assert sure.below(1.5) == pytest.approx(norm.cdf(1.5))


def test_chance_to_claim_is_that_of_the_non_central_t():
    known = Scatter(variance=np.array([4.0]), weight=np.ones(1), dof=6)
    spread = Spread(scatter=known, fixed=0.0, share=0.25)
    expected = nct.sf(t.ppf(0.95, 6), 6, 2.0 / 1.0)
    assert chance_to_claim(2.0, spread) == pytest.approx(expected, rel=1e-9)
    normal = Spread(scatter=NO_SCATTER, fixed=1.0)
    assert chance_to_claim(2.0, normal) == pytest.approx(norm.sf(1.645 - 2.0), abs=1e-3)
    assert chance_to_claim(0.0, normal) == pytest.approx(0.05, abs=1e-6)
