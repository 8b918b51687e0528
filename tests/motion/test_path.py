"""The path's algebra: means, changes and crossing times."""

import numpy as np
import pytest

from vidspeed.errors import MotionError
from vidspeed.motion.path import (
    Frame,
    basis,
    basis_rate,
    local_speeds,
    stretch_speed,
    time_at,
    weave_basis,
)

FRAME = Frame(middle_s=3.0, duration_s=0.8)
ALONG = np.array([40.0, 80.0, 6.0, -9.0])


def test_mean_and_change_between_the_gates_are_the_first_two_coefficients():
    time = np.linspace(2.6, 3.4, 20001)
    y = basis(time, FRAME) @ np.array([1.5, 0.7, 3.0, -2.0])
    assert np.trapezoid(y, time) / 0.8 == pytest.approx(1.5, abs=1e-8)
    assert y[-1] - y[0] == pytest.approx(0.7, abs=1e-12)


def test_rates_are_derivatives():
    time = np.array([2.7, 3.1])
    ahead, behind = basis(time + 1e-6, FRAME), basis(time - 1e-6, FRAME)
    assert basis_rate(time, FRAME) == pytest.approx((ahead - behind) / 2e-6, abs=1e-8)


def test_crossing_times_give_back_the_places():
    places = np.array([0.0, 33.0, 80.0])
    times = time_at(places, ALONG, FRAME)
    assert basis(times, FRAME) @ ALONG == pytest.approx(places, abs=1e-9)


def test_a_path_that_turns_back_has_no_crossing():
    with pytest.raises(MotionError, match="turns back"):
        time_at(np.array([80.0]), np.array([40.0, 10.0, -300.0, 0.0]), FRAME)


def test_speed_gradients_are_derivatives():
    slopes = np.eye(4)
    _, gradient, _ = stretch_speed(0.0, 80.0, ALONG, slopes, FRAME)
    _, local = local_speeds(np.array([20.0, 60.0]), ALONG, slopes, FRAME)
    for index in range(4):
        step = np.zeros(4)
        step[index] = 1e-6
        ahead = stretch_speed(0.0, 80.0, ALONG + step, slopes, FRAME)[0]
        behind = stretch_speed(0.0, 80.0, ALONG - step, slopes, FRAME)[0]
        assert gradient[index] == pytest.approx((ahead - behind) / 2e-6, rel=1e-5, abs=1e-6)
        ahead = local_speeds(np.array([20.0, 60.0]), ALONG + step, slopes, FRAME)[0]
        behind = local_speeds(np.array([20.0, 60.0]), ALONG - step, slopes, FRAME)[0]
        assert local[:, index] == pytest.approx((ahead - behind) / 2e-6, rel=1e-5, abs=1e-6)


def test_weave_has_unit_rms_and_its_correlation_length():
    x_m = np.linspace(-20.0, 100.0, 61)
    functions = weave_basis(x_m, 80.0)
    given = functions @ functions.T
    wanted = np.exp(-0.5 * ((x_m[:, None] - x_m[None, :]) / 20.0) ** 2)
    assert given == pytest.approx(wanted, abs=2e-3)
