"""The path's algebra: means, changes, crossings and their derivatives."""

import numpy as np
import pytest

from vidspeed.errors import MotionError
from vidspeed.motion.path import (
    KNOWN,
    Nominal,
    basis,
    known_of,
    local_speeds,
    places_at,
    rewritten,
    stretch_speed,
    weave_basis,
)

NOMINAL = Nominal(middle_s=3.0, duration_s=0.8, direction=1.0)
PATH = np.array([[41.0, 1.5, 4.0], [78.0, 0.7, -0.3], [5.0, 2.0, 1.0], [-7.0, 3.0, -2.0]])
BACK = PATH * np.array([1.0, 1.0, 1.0]) * np.array([[1.0], [-1.0], [1.0], [-1.0]])


@pytest.mark.parametrize("path", [PATH, BACK])
def test_mean_and_change_are_those_between_the_gates(path):
    first, last = sorted(places_at(np.array([0.0, 80.0]), path[:, 0]))
    xi = np.linspace(first, last, 20001)
    flown = basis(xi) @ path
    values, _ = known_of(path, NOMINAL, 80.0)
    named = dict(zip(KNOWN, values, strict=True))
    mean = np.trapezoid(flown, xi, axis=0) / (last - first)
    assert [named["offset"], named["height"]] == pytest.approx(mean[1:], abs=1e-7)
    assert [named["drift"], named["climb"]] == pytest.approx((flown[-1] - flown[0])[1:], abs=1e-9)


def test_acceleration_and_jerk_are_physical_and_over_growth():
    values, _ = known_of(PATH, NOMINAL, 80.0)
    named = dict(zip(KNOWN, values, strict=True))
    middle = places_at(np.array([0.0, 80.0]), PATH[:, 0]).mean()
    growth = 78.0 / 80.0
    bend = PATH[2] + PATH[3] * middle
    assert named["acceleration y"] == pytest.approx(bend[1] / 0.8**2 / growth)
    assert named["jerk x"] == pytest.approx(PATH[3, 0] / 0.8**3 / growth)


@pytest.mark.parametrize("path", [PATH, BACK])
def test_slopes_of_what_is_known_are_derivatives(path):
    _, slopes = known_of(path, NOMINAL, 80.0)
    for order in range(4):
        for axis in range(3):
            step = np.zeros((4, 3))
            step[order, axis] = 1e-5
            ahead, behind = (
                known_of(path + step, NOMINAL, 80.0),
                known_of(path - step, NOMINAL, 80.0),
            )
            wanted = (ahead[0] - behind[0]) / 2e-5
            assert slopes[:, order, axis] == pytest.approx(wanted, rel=1e-5, abs=1e-6)


def test_the_same_path_about_another_traverse():
    other = Nominal(middle_s=3.1, duration_s=0.7, direction=1.0)
    time = np.array([2.5, 3.0, 3.6])
    again = rewritten(PATH, NOMINAL, other)
    assert basis(other.xi(time)) @ again == pytest.approx(basis(NOMINAL.xi(time)) @ PATH)


def test_crossings_give_back_the_places():
    places = np.array([-12.0, 0.0, 33.0, 80.0])
    xi = places_at(places, PATH[:, 0])
    assert basis(xi) @ PATH[:, 0] == pytest.approx(places, abs=1e-9)


def test_a_path_that_turns_back_has_no_crossing():
    with pytest.raises(MotionError, match="turns back"):
        places_at(np.array([80.0]), np.array([40.0, 10.0, -300.0, 0.0]))


def test_speed_gradients_are_derivatives():
    along, places = PATH[:, 0], np.array([20.0, 60.0])
    _, gradient = stretch_speed(5.0, 70.0, along, NOMINAL)
    _, local = local_speeds(places, along, NOMINAL)
    for index in range(4):
        step = np.zeros(4)
        step[index] = 1e-5
        ahead, behind = along + step, along - step
        over = stretch_speed(5.0, 70.0, ahead, NOMINAL)[0]
        over -= stretch_speed(5.0, 70.0, behind, NOMINAL)[0]
        at = local_speeds(places, ahead, NOMINAL)[0] - local_speeds(places, behind, NOMINAL)[0]
        assert gradient[index] == pytest.approx(over / 2e-5, rel=1e-5, abs=1e-6)
        assert local[:, index] == pytest.approx(at / 2e-5, rel=1e-5, abs=1e-6)


def test_weave_has_unit_rms_and_its_correlation_length():
    x_m = np.linspace(-20.0, 100.0, 61)
    functions = weave_basis(x_m, 80.0)
    given = functions @ functions.T
    wanted = np.exp(-0.5 * ((x_m[:, None] - x_m[None, :]) / 20.0) ** 2)
    assert given == pytest.approx(wanted, abs=2e-3)
