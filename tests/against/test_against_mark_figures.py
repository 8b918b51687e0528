"""The mark against figures worked out by hand and in the decision rule's own terms.

Sources: the two means of two ways with wind are common practice, no source (v +- w over one
length: mean of the speeds v, from the mean of the times v - w^2/v); the one-sided decision is
that of JCGM 106:2012, with quantiles of Student's t worked out from the definition.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from tests.answer.days import choose_mark
from vidspeed.answer.mark import exceeds, speed_from_mean_time
from vidspeed.values import MarkRules, PassResult

HUNDREDTH_KMH = 0.005
TENTH_KMH = 0.05
FOURTH_DIGIT = 0.00005


def flown(label: str, speed_kmh: float, direction: str, dof: float | None = None) -> PassResult:
    return PassResult(
        label=label,
        flight=None,
        setup=None,
        clips=(),
        status="measured",
        direction=direction,
        speed_mps=speed_kmh / 3.6,
        speed_u_mps=math.sqrt(2.0),
        dof=dof,
    )


@pytest.mark.parametrize(
    ("still_kmh", "wind_kmh", "of_speeds", "of_times", "tolerance"),
    [(400.0, 36.0, 400.00, 396.76, HUNDREDTH_KMH), (500.0, 20.0, 500.0, 499.2, TENTH_KMH)],
)
def test_two_means_with_wind(still_kmh, wind_kmh, of_speeds, of_times, tolerance):
    passes = [
        flown("1", still_kmh + wind_kmh, "forward"),
        flown("2", still_kmh - wind_kmh, "reverse"),
    ]
    mark = choose_mark(passes, ["1", "2"], 2.0 * np.eye(2))
    assert mark is not None
    assert 3.6 * mark.speed_mps == pytest.approx(of_speeds, abs=tolerance)
    assert 3.6 * mark.speed_from_mean_time_mps == pytest.approx(of_times, abs=tolerance)


def test_mean_of_times_is_length_over_mean_time():
    length_m, one, other = 80.0, 121.1, 101.1
    mean_s = (length_m / one + length_m / other) / 2.0
    assert speed_from_mean_time(one, other) == pytest.approx(length_m / mean_s, rel=1e-14)


@pytest.mark.parametrize(
    ("margin", "dof", "probability", "claim"),
    [
        (1.8, None, 0.9641, True),
        (1.8, 10.0, 0.9490, False),
        (1.6, None, 0.9452, False),
        (2.0, None, 0.9772, True),
    ],
)
def test_one_sided_decision(margin, dof, probability, claim):
    found, holds = exceeds(margin, 1.0, dof)
    assert found == pytest.approx(probability, abs=FOURTH_DIGIT)
    assert holds is claim


@pytest.mark.parametrize(("dof", "quantile"), [(None, 1.645), (10.0, 1.812)])
def test_claim_begins_at_the_one_sided_quantile(dof, quantile):
    assert exceeds(quantile + 0.001, 1.0, dof)[1]
    assert not exceeds(quantile - 0.001, 1.0, dof)[1]


def test_probability_is_the_integral_of_students_density():
    dof = 10
    scale = math.gamma((dof + 1) / 2) / (math.sqrt(dof * math.pi) * math.gamma(dof / 2))
    below, _ = quad(lambda z: scale * (1 + z * z / dof) ** (-(dof + 1) / 2), -np.inf, 1.8)
    assert exceeds(1.8, 1.0, dof)[0] == pytest.approx(below, abs=1e-8)


def test_the_whole_way_from_passes_to_a_claim():
    # mean 1.8 u above the earlier figure, with passes whose dof give the mean infinite or few
    for dof, claim in ((None, True), (5.0, False)):
        passes = [flown("1", 360.0, "forward", dof), flown("2", 360.0, "reverse", dof)]
        rules = MarkRules(earlier_mps=100.0 - 1.8)
        mark = choose_mark(passes, ["1", "2"], 2.0 * np.eye(2), rules)
        assert mark is not None
        assert mark.speed_u_mps == pytest.approx(1.0)
        assert mark.beats_at_95 is claim
