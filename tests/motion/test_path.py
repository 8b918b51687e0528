"""The path's algebra: means, changes and crossing times."""

import numpy as np
import pytest

from vidspeed.errors import MotionError
from vidspeed.motion.path import (
    Along,
    Nominal,
    local_speeds,
    shape,
    stretch_speed,
    time_at,
    weave_basis,
)

NOMINAL = Nominal(middle_s=3.0, duration_s=0.8)
FORTH = np.array([40.0, 80.0, 0.0, -9.0, 6.0])


def along(coefficients=FORTH, shift_s=0.01, w=1.1):
    slopes = np.zeros((5, 7))
    slopes[:, 2:] = np.eye(5)
    return Along(
        coefficients=np.asarray(coefficients, float), slopes=slopes, nominal=NOMINAL,
        shift_s=shift_s, w=w,
    )  # fmt: skip


def nudged(index, by):
    """Return `along` with one of its seven unknowns moved."""
    step = np.zeros(7)
    step[index] = by
    return along(FORTH + step[2:], 0.01 + step[0], 1.1 + step[1])


def test_mean_and_change_between_the_gates_are_the_first_two_coefficients():
    path = along()
    first, last = path.gate_times_s(80.0)
    time = np.linspace(first, last, 20001)
    y = path.at(time).value @ np.array([1.5, 0.7, 3.0, -2.0, 0.0])
    assert np.trapezoid(y, time) / (last - first) == pytest.approx(1.5, abs=1e-8)
    assert y[-1] - y[0] == pytest.approx(0.7, abs=1e-12)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_gates_are_where_the_traverse_begins_and_ends(sign):
    path = along([40.0, sign * 80.0, 0.0, -9.0, 6.0])
    times = path.gate_times_s(80.0)
    assert path.at(times).value @ path.coefficients == pytest.approx([0.0, 80.0], abs=1e-12)
    assert abs(times[1] - times[0]) == pytest.approx(0.8 / 1.1, rel=1e-12)
    assert stretch_speed(0.0, 80.0, path)[0] == pytest.approx(80.0 * 1.1 / 0.8, rel=1e-12)


def test_shape_derivatives():
    time = np.array([2.7, 3.1])
    now = shape(time, NOMINAL, 0.01, 1.1)
    d = 1e-6
    late, early = shape(time + d, NOMINAL, 0.01, 1.1), shape(time - d, NOMINAL, 0.01, 1.1)
    more, less = shape(time, NOMINAL, 0.01, 1.1 + d), shape(time, NOMINAL, 0.01, 1.1 - d)
    assert now.by_time == pytest.approx((late.value - early.value) / (2 * d), abs=1e-8)
    assert now.by_time2 == pytest.approx((late.by_time - early.by_time) / (2 * d), abs=1e-8)
    assert now.by_w == pytest.approx((more.value - less.value) / (2 * d), abs=1e-8)
    assert now.by_time_w == pytest.approx((more.by_time - less.by_time) / (2 * d), abs=1e-8)


def test_crossing_times_give_back_the_places():
    places = np.array([-12.0, 0.0, 33.0, 80.0])
    times = time_at(places, along())
    assert along().at(times).value @ FORTH == pytest.approx(places, abs=1e-9)


def test_a_path_that_turns_back_has_no_crossing():
    with pytest.raises(MotionError, match="turns back"):
        time_at(np.array([95.0]), along([40.0, 80.0, 0.0, 0.0, -400.0]))


def test_speed_gradients_are_derivatives():
    places = np.array([20.0, 60.0])
    _, gradient = stretch_speed(5.0, 70.0, along())
    _, local = local_speeds(places, along())
    for index in range(7):
        ahead, behind = nudged(index, 1e-6), nudged(index, -1e-6)
        over = (stretch_speed(5.0, 70.0, ahead)[0] - stretch_speed(5.0, 70.0, behind)[0]) / 2e-6
        at = (local_speeds(places, ahead)[0] - local_speeds(places, behind)[0]) / 2e-6
        assert gradient[index] == pytest.approx(over, rel=1e-5, abs=1e-6)
        assert local[:, index] == pytest.approx(at, rel=1e-5, abs=1e-6)


def test_weave_has_unit_rms_and_its_correlation_length():
    x_m = np.linspace(-20.0, 100.0, 61)
    functions = weave_basis(x_m, 80.0)
    given = functions @ functions.T
    wanted = np.exp(-0.5 * ((x_m[:, None] - x_m[None, :]) / 20.0) ** 2)
    assert given == pytest.approx(wanted, abs=2e-3)
