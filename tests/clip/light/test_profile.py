"""The streak is the mean of blurred points along a segment, and its derivatives are right."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import erf

from tests.clip.painted import streak_picture
from vidspeed.clip.light.curve import POWERS, curve_of
from vidspeed.clip.light.profile import HALO_WIDTH, SHAPE, _error_function, streak

CASES = [(0.5, 0.1), (2.0, -0.3), (20.0, 0.4)]


def parameters(half, slope, halo=0.0):
    return np.array([30.2, 20.7, 0.8 * half, 0.6 * half, 1.4, 50.0, slope, halo])


@pytest.mark.parametrize(("half", "slope"), CASES)
def test_a_streak_is_many_points_along_a_segment(half, slope):
    y, x = np.mgrid[0:40, 0:60].astype(float)
    level, _ = streak(parameters(half, slope), x.ravel(), y.ravel())
    painted = streak_picture(
        (40, 60), (30.2, 20.7), (0.8 * half, 0.6 * half), 1.4, 50.0, slope, points=4000
    )
    np.testing.assert_allclose(level, painted.ravel(), atol=2e-4)


def test_a_halo_is_a_share_of_the_light_under_a_wider_blur():
    y, x = np.mgrid[-80:81, -80:81].astype(float)
    place = parameters(3.0, 0.0)
    place[:2] = 0.0
    bare, _ = streak(place, x.ravel(), y.ravel())
    place[7] = 0.1
    haloed, _ = streak(place, x.ravel(), y.ravel())
    assert haloed.sum() / bare.sum() == pytest.approx(1.1, rel=1e-4)
    assert HALO_WIDTH > 2


@pytest.mark.parametrize("half", [0.0, 0.02, 0.2])
def test_the_halo_of_a_point_is_as_wide_as_that_of_a_streak(half):
    away = np.array([-12.0, -5.0, 0.0, 5.0, 12.0])
    for x, y in ((30.2 + away, np.full(5, 20.7)), (np.full(5, 30.2), 20.7 + away)):
        _, slopes = streak(parameters(half, 0.0, halo=0.1), x, y)
        blur = np.exp(-(away**2) / (2.0 * (HALO_WIDTH * 1.4) ** 2))
        np.testing.assert_allclose(slopes[:, 7], 50.0 / HALO_WIDTH**2 * blur, atol=2e-2)


@pytest.mark.parametrize(("half", "slope"), CASES)
def test_derivatives(half, slope):
    rng = np.random.default_rng(4)
    x, y = rng.uniform(15, 45, 200), rng.uniform(10, 30, 200)
    place = parameters(half, slope, halo=0.05)
    _, slopes = streak(place, x, y)
    for k in range(SHAPE):
        step = np.zeros(SHAPE)
        step[k] = 1e-5
        change = (streak(place + step, x, y)[0] - streak(place - step, x, y)[0]) / 2e-5
        np.testing.assert_allclose(slopes[:, k], change, atol=1e-3)  # of a peak of 50


def test_the_integral_of_a_blur_is_that_of_the_handbook():
    x = np.linspace(-8.0, 8.0, 4001)
    np.testing.assert_allclose(
        _error_function(x, np.exp(-(x**2)), np.ones_like(x)), erf(x), atol=1.5e-7
    )


@pytest.mark.parametrize("power", POWERS)
@pytest.mark.parametrize("full_range", [False, True])
def test_a_curve_has_an_inverse_and_a_slope(power, full_range):
    curve = curve_of(power, full_range)
    light = np.linspace(0.0, 1.2, 50)
    np.testing.assert_allclose(curve.light(curve.level(light)), light, atol=1e-12)
    numeric = (curve.level(light + 1e-7) - curve.level(light - 1e-7)) / 2e-7
    np.testing.assert_allclose(curve.slope(light), numeric, rtol=1e-5)


def test_the_curve_is_near_the_one_of_srgb():
    light = np.linspace(0.0, 1.0, 200)
    toe, power = 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055
    srgb = np.where(light <= 0.0031308, toe, power)  # IEC 61966-2-1
    assert abs(curve_of(2.4, True).level(light) - 255.0 * srgb).max() < 255.0 * 0.04
