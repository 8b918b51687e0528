"""The noise of the lights judged from what a solution leaves."""

import numpy as np
import pytest

from vidspeed.motion.noise import WORST, noise_of, worst_scale


def test_white_residuals_are_taken_at_their_word():
    rng = np.random.default_rng(0)
    found = [noise_of(rng.standard_normal((30, 2)), 0.0) for _ in range(300)]
    widened = [noise.variance_factor for noise in found]
    assert np.mean([noise.correlation > 0 for noise in found]) == pytest.approx(0.05, abs=0.04)
    assert 1.0 <= np.mean(widened) < 1.15


def test_correlated_residuals_widen_by_the_variance_of_their_mean():
    rng = np.random.default_rng(1)
    steps = rng.standard_normal((4000, 2))
    left = np.zeros_like(steps)
    for index in range(1, len(left)):
        left[index] = 0.5 * left[index - 1] + steps[index] * np.sqrt(1 - 0.25)
    found = noise_of(left, 0.0)
    assert found.correlation == pytest.approx(0.5, abs=0.05)
    assert found.variance_factor == pytest.approx(3.0, rel=0.2)


def test_never_below_the_pixel_noise():
    assert noise_of(np.full((20, 2), 1e-3), 4.0).scale == 1.0


def test_few_lights_must_keep_more_closely_to_a_flight_than_many():
    allowed = [worst_scale(lights) for lights in (5, 6, 8, 30, 1000)]
    assert allowed == sorted(allowed)
    assert allowed[0] == 3.0
    assert allowed[-1] == pytest.approx(WORST, rel=0.01)
    freedom = 2 * 8 - 6
    assert (allowed[2] / WORST) ** freedom == pytest.approx(0.001)
