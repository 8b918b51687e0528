"""The mark is the best opposite pair, with what the two passes share."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.answer.days import choose_mark
from vidspeed.answer.mark import mean_dof
from vidspeed.motion.budget import said_of_split
from vidspeed.motion.coverage import coverage_factor
from vidspeed.values import Input, MarkRules, PassResult


def flown(label, speed, direction="forward", *, u=1.0, dof=None, status="measured", shared=None):
    inputs, signed = (), None
    if shared is not None:
        owner, value = shared
        inputs = (
            Input(
                owner=owner,
                name="offset",
                source="flight-line offset",
                kind="B",
                assumed=False,
                input_u=0.5,
                unit="m",
                split_unknown=True,
            ),
        )
        signed = np.array([value])
    return PassResult(
        label=label,
        flight=None,
        setup=None,
        clips=(f"{label}.mp4",),
        status=status,
        direction=direction,
        speed_mps=speed,
        speed_u_mps=u,
        dof=dof,
        inputs=inputs,
        sensitivities_mps=signed,
    )


def test_fastest_each_way_is_taken_and_the_rest_is_accounted_for():
    passes = [
        flown("1", 100.0),
        flown("2", 90.0, "reverse"),
        flown("3", 104.0),
        flown("4", 200.0, "reverse", status="partial"),
        PassResult(label="5", flight=None, setup=None, clips=(), status="none"),
    ]
    mark = choose_mark(passes, ["1", "2", "3", "4"], np.eye(4))
    assert mark is not None
    assert mark.passes == ("3", "2")
    assert mark.speed_mps == 97.0
    assert mark.selected_from == (2, 1)
    left_out = dict(mark.left_out)
    assert set(left_out) == {"1", "4", "5"}
    assert "not faster than pass 3" in left_out["1"]
    assert "partial" in left_out["4"]
    assert mark.beats_probability is None
    assert mark.beats_at_95 is None


@pytest.mark.parametrize("way", ["forward", "reverse"])
def test_one_way_alone_gives_no_mark(way):
    passes = [flown("1", 100.0, way), flown("2", 101.0, way)]
    assert choose_mark(passes, ["1", "2"], np.eye(2)) is None


def test_shared_errors_do_not_average_out():
    passes = [flown("a", 100.0), flown("b", 90.0, "reverse")]
    alone = choose_mark(passes, ["a", "b"], np.eye(2))
    shared = choose_mark(passes, ["a", "b"], np.ones((2, 2)))
    opposed = choose_mark(passes, ["a", "b"], np.array([[1.0, -0.9], [-0.9, 1.0]]))
    assert alone.speed_u_mps == pytest.approx(math.sqrt(0.5))
    assert shared.speed_u_mps == pytest.approx(1.0)
    assert opposed.speed_u_mps == pytest.approx(math.sqrt(0.05))


def test_rows_of_the_covariance_are_found_by_label():
    passes = [flown("a", 100.0), flown("b", 90.0, "reverse")]
    covariance = np.diag([50.0, 1.0, 3.0])
    mark = choose_mark(passes, ["other", "b", "a"], covariance)
    assert mark.speed_u_mps == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ((0.8, 0.8), (1 + 1 + 2 * 0.64) / 4),  # of one sign: common is the less sure
        ((0.8, -0.8), (1 + 1) / 4),  # of two signs: that they cancel is not believed
    ],
)
def test_an_open_split_of_the_flight_line_is_taken_the_less_sure_way(values, expected):
    passes = [
        flown("a", 100.0, shared=("pass a", values[0])),
        flown("b", 90.0, "reverse", shared=("pass b", values[1])),
    ]
    cross = values[0] * values[1]
    mark = choose_mark(passes, ["a", "b"], np.array([[1.0, cross], [cross, 1.0]]))
    assert mark.speed_u_mps == pytest.approx(math.sqrt(expected))


def test_dof_of_the_mean_by_welch_satterthwaite():
    # u of each pass: 0.6 of lights with 9 dof beside 0.8 without; the 0.8 is common to both.
    pass_dof = 1.0 / (0.6**4 / 9.0)
    pair = (flown("a", 100.0, dof=pass_dof), flown("b", 90.0, "reverse", dof=pass_dof))
    u = math.sqrt(0.8**2 + 0.6**2 / 2.0)
    expected = u**4 / (2.0 * (0.6 / 2.0) ** 4 / 9.0)
    assert mean_dof(pair, u) == pytest.approx(expected)
    mark = choose_mark(pair, ["a", "b"], np.array([[1.0, 0.64], [0.64, 1.0]]))
    assert mark.coverage_factor == pytest.approx(coverage_factor(expected))
    assert mark.speed_U95_mps == pytest.approx(mark.coverage_factor * u)


def test_infinite_dof_of_both_stays_infinite():
    assert mean_dof((flown("a", 100.0), flown("b", 90.0, "reverse")), 0.7) is None


def test_an_earlier_figure_with_margin():
    passes = [flown("a", 102.0), flown("b", 100.0, "reverse")]
    rules = MarkRules(earlier_mps=99.0, earlier_u_mps=0.3, margin_percent=1.0)
    mark = choose_mark(passes, ["a", "b"], np.eye(2), rules)
    u = math.hypot(math.sqrt(0.5), 0.3 * 1.01)
    normal = 0.5 * (1.0 + math.erf((101.0 - 99.99) / u / math.sqrt(2.0)))
    assert mark.beats_probability == pytest.approx(normal)
    assert mark.beats_at_95 is False
    surer = choose_mark(passes, ["a", "b"], np.eye(2) / 100.0, MarkRules(earlier_mps=99.0))
    assert surer.beats_at_95 is True
    assert surer.beats_probability > 0.999


def test_it_is_said_that_nobody_stated_what_passes_have_in_common():
    open_ = [flown("1", 100.0, shared=("pass 1", 1.0)), flown("2", 90.0, shared=("pass 2", -1.0))]
    assert "offset_shared_u_m" in said_of_split(open_)
    assert said_of_split([flown("1", 100.0), flown("2", 90.0)]) is None
