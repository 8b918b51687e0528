"""Lights that are fitted together come out as those that are fitted one by one."""

from __future__ import annotations

import numpy as np

from tests.clip.painted import streak_picture
from vidspeed.clip.light.curve import curve_of
from vidspeed.clip.light.fit import TOGETHER, Pixels, Prior, fit_streak, fit_streaks
from vidspeed.clip.light.steps import PARAMETERS

CURVE = curve_of(2.4, False)
GROUND, NOISE = 40.0, 1.5


def light(rng):
    """Return the pixels of a light, a start and a loose prior; a bright one is full inside."""
    shape = rng.integers(16, 30, 2)
    half = rng.uniform(-4.0, 4.0, 2)
    middle = shape[::-1] / 2 + rng.uniform(-1.0, 1.0, 2)
    picture = GROUND + streak_picture(
        tuple(shape), tuple(middle), tuple(half), 1.3, rng.uniform(20.0, 500.0), 0.0, points=40
    )
    value = np.minimum(picture + rng.normal(0.0, NOISE, picture.shape), 235.0)
    rows, columns = np.indices(picture.shape)
    count = picture.size
    pixels = Pixels(
        x=columns.ravel().astype(float), y=rows.ravel().astype(float), value=value.ravel(),
        ground=np.full(count, GROUND), noise2=np.full(count, NOISE**2),
        full=value.ravel() >= 232.0, at=np.arange(count), shape=picture.shape,
    )  # fmt: skip
    start = np.array([*middle, *half, 1.4, 0.4, 0.0, 0.03, 0.0, 0.0, 0.0])
    sd = np.full(PARAMETERS, 1e4)
    sd[[4, 6, 7]] = 0.5, 0.02, 0.1
    return pixels, start, Prior(value=start, sd=sd)


def test_lights_fitted_together_are_those_fitted_one_by_one():
    rng = np.random.default_rng(5)
    pixels, starts, priors = zip(*(light(rng) for _ in range(TOGETHER + 3)), strict=True)
    noise2 = [part.noise2 for part in pixels]
    assert any(part.full.any() for part in pixels)
    together = fit_streaks(pixels, CURVE, starts, priors, noise2)
    for part, start, prior, fit in zip(pixels, starts, priors, together, strict=True):
        alone = fit_streak(part, CURVE, start, prior, part.noise2)
        assert fit.settled == alone.settled
        assert fit.slopes.shape == (len(part.x), PARAMETERS)
        np.testing.assert_allclose(fit.parameters, alone.parameters, atol=1e-8)
        np.testing.assert_allclose(fit.residual, alone.residual, atol=1e-7)
        np.testing.assert_allclose(fit.inverse, alone.inverse, rtol=1e-6, atol=1e-12)


def test_of_no_lights_there_are_no_fits():
    assert fit_streaks([], CURVE, [], [], []) == []
