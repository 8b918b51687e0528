"""The true flight: gate times, means and changes between the gates, the weave's statistics."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from vidspeed.errors import SceneError
from vidspeed.render.flight import draw_weave, position, true_speed_mps, weave_at

from .small import flight

BENT = {
    "mean_m": (0.7, 4.2),
    "change_m": (1.5, -0.4),
    "accel_mps2": np.array([12.0, 3.0, -2.0]),
    "jerk_mps3": np.array([15.0, -4.0, 3.0]),
}


@pytest.mark.parametrize("direction", ["forward", "reverse"])
def test_gate_times_are_roots_to_the_last_digits(direction):
    flown = flight(direction=direction, **BENT)

    def x_less(place, time):
        return float(position(flown, np.array([time]))[0, 0]) - place

    for place, moment in zip((0.0, 80.0), flown.gates_s, strict=True):
        root = brentq(lambda t, place=place: x_less(place, t), -0.9, 0.9, xtol=1e-15)
        assert abs(root - moment) < 1e-12
    assert (flown.gates_s[1] > flown.gates_s[0]) == (direction == "forward")


@pytest.mark.parametrize("direction", ["forward", "reverse"])
def test_means_and_changes_between_the_gates_are_as_asked(direction):
    flown = flight(direction=direction, **BENT)
    start, finish = position(flown, flown.gates_s)
    np.testing.assert_allclose((finish - start)[1:], BENT["change_m"], atol=1e-12)
    low, high = sorted(flown.gates_s)
    for axis, mean in zip((1, 2), BENT["mean_m"], strict=True):
        area = quad(lambda t, axis=axis: position(flown, np.array([t]))[0, axis], low, high)[0]
        assert abs(area / (high - low) - mean) < 1e-12


def test_acceleration_is_at_mid_course():
    flown = flight(**BENT)
    near = position(flown, np.array([-1e-3, 0.0, 1e-3]))
    np.testing.assert_allclose(near[1, 0], 40.0, atol=1e-12)
    bend = (near[0] - 2.0 * near[1] + near[2]) / 1e-6
    np.testing.assert_allclose(bend, BENT["accel_mps2"], atol=1e-4)


def test_a_steady_flight_takes_length_over_speed_and_scale_multiplies():
    flown = flight(speed_mps=100.0)
    assert true_speed_mps(flown, 0.0) == pytest.approx(100.0, rel=1e-14)
    assert true_speed_mps(flown, 2.5e-4) == pytest.approx(100.025, rel=1e-14)


def test_a_craft_that_would_turn_back_is_refused():
    with pytest.raises(SceneError, match="turn back before x = 80"):
        flight(speed_mps=20.0, accel_mps2=np.array([-30.0, 0.0, 0.0]))


def test_the_weave_has_the_stated_rms_and_correlation():
    rng = np.random.default_rng(3)
    places = np.array([-70.0, 5.0, 15.0, 25.0, 45.0, 150.0])
    drawn = np.array([weave_at(draw_weave(80.0, 0.05, rng), places) for _ in range(3000)])
    for axis in (0, 1):
        covariance = np.cov(drawn[:, :, axis].T)
        expected = 0.05**2 * np.exp(-0.5 * ((places[:, None] - places) / 20.0) ** 2)
        np.testing.assert_allclose(covariance, expected, atol=0.05**2 * 0.1)
    cross = np.corrcoef(drawn[:, 2, 0], drawn[:, 2, 1])[0, 1]
    assert abs(cross) < 0.08
