"""How well a spot and a streak can be placed in pure read noise.

Point, read noise only, peak A: sigma = sqrt(2/pi) sigma_n / A pixels (Mortensen, Churchman,
Spudich, Flyvbjerg, "Optimized localization analysis for single-molecule tracking and
super-resolution microscopy", Nature Methods 7 (2010) 377-381, in the limit of background noise
alone). Streak, Gaussian across and much longer than wide: each end sqrt(2) sigma_n / A, length
2 sigma_n / A, middle sigma_n / A (computed from the definition: the Fisher information of an
edge blurred to an error function).
"""

from __future__ import annotations

import numpy as np
import pytest

from vidspeed.clip.light.curve import curve_of
from vidspeed.clip.light.fit import Pixels, Prior, fit_streak
from vidspeed.clip.light.profile import (
    HALF_X,
    HALF_Y,
    HALO,
    PEAK,
    SHAPE,
    SLOPE,
    WIDTH,
    X,
    Y,
    streak,
)
from vidspeed.clip.light.steps import PARAMETERS

LINEAR = curve_of(1.0, True)
NOISE = 2.0  # levels
PEAK_LEVEL = 60.0
POINT = 0.3  # half length that is as good as none
THEORY = 0.03  # relative: the pixel grid, and a streak that is not endless
SEEDS = 300
CHANCE = 4.0 / np.sqrt(2.0 * SEEDS)  # four standard deviations of a standard deviation


def scene(half_px: float):
    truth = np.zeros(PARAMETERS)
    truth[[X, Y]], truth[HALF_X], truth[WIDTH] = (50.3, 20.4), half_px, 1.5
    truth[PEAK] = PEAK_LEVEL / 255.0
    if half_px > POINT:  # so that the level in the middle is the peak level
        truth[PEAK] *= 2.0 * half_px / (truth[WIDTH] * np.sqrt(2.0 * np.pi))
    y, x = (axis.ravel().astype(float) for axis in np.mgrid[0:41, 0:101])
    light, _ = streak(truth[:SHAPE], x, y)
    sd = np.full(PARAMETERS, 1e4)
    sd[[SLOPE, HALO, SHAPE, SHAPE + 1, SHAPE + 2]] = 1e-6
    if half_px == POINT:
        sd[[HALF_X, HALF_Y]] = 1e-6
    return truth, x, y, 255.0 * light, Prior(value=truth, sd=sd)


def fitted(half_px: float, seed: int | None):
    truth, x, y, level, prior = scene(half_px)
    noise = np.random.default_rng(seed).normal(0.0, NOISE, len(x)) if seed is not None else 0.0
    pixels = Pixels(
        x=x,
        y=y,
        value=20.0 + level + noise,
        ground=np.full(len(x), 20.0),
        noise2=np.full(len(x), NOISE**2),
        full=np.zeros(len(x), dtype=bool),
        at=np.arange(len(x)),
        shape=(41, 101),
    )
    return truth, fit_streak(pixels, LINEAR, truth, prior, pixels.noise2)


def test_the_covariance_of_a_point_is_that_of_the_theory():
    _, fit = fitted(POINT, None)
    expected = np.sqrt(2.0 / np.pi) * NOISE / PEAK_LEVEL
    np.testing.assert_allclose(np.sqrt(np.diag(fit.inverse)[[X, Y]]), expected, rtol=THEORY)


def test_the_covariance_of_a_streak_is_that_of_the_theory():
    _, fit = fitted(25.0, None)
    unit = NOISE / PEAK_LEVEL
    assert np.sqrt(fit.inverse[X, X]) == pytest.approx(unit, rel=THEORY)
    assert 2.0 * np.sqrt(fit.inverse[HALF_X, HALF_X]) == pytest.approx(2.0 * unit, rel=THEORY)
    end = fit.inverse[X, X] + fit.inverse[HALF_X, HALF_X] + 2.0 * fit.inverse[X, HALF_X]
    assert np.sqrt(end) == pytest.approx(np.sqrt(2.0) * unit, rel=THEORY)


@pytest.mark.parametrize(("half_px", "factor"), [(POINT, np.sqrt(2.0 / np.pi)), (25.0, 1.0)])
def test_fits_scatter_as_the_theory_says_and_about_the_truth(half_px, factor):
    results = [fitted(half_px, seed) for seed in range(SEEDS)]
    off = np.array([fit.parameters[X] - truth[X] for truth, fit in results])
    expected = factor * NOISE / PEAK_LEVEL
    assert off.std() == pytest.approx(expected, rel=THEORY + CHANCE)
    assert abs(off.mean()) < 4.0 * expected / np.sqrt(SEEDS)
    assert all(fit.settled for _, fit in results)
