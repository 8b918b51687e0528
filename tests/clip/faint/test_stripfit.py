"""The image of a lamp that is matched along a way, and the way that follows from it."""

from __future__ import annotations

import numpy as np
import pytest

from tests.clip.painted import streak_picture
from vidspeed.clip.faint.stripfit import faint_light, lamp_image
from vidspeed.clip.faint.strippatches import SIDE, Patches

COUNT, STEP_PX = 16, 24.0


def patches(long_px, peak, *, seed=1):
    """Return patches of noise of unit variance with a streak in the middle of each."""
    rng = np.random.default_rng(seed)
    middle = np.full((COUNT, 2), (SIDE - 1) / 2.0)
    light = streak_picture((SIDE, SIDE), middle[0], (long_px / 2.0, 0.0), 1.3, 1.0)
    seen = rng.normal(size=(COUNT, SIDE, SIDE)) + peak * light / light.max()
    ones, nothing = np.ones(COUNT), np.zeros(COUNT)
    return Patches(
        frame=np.arange(COUNT),
        time_s=np.arange(COUNT) / 60.0,
        middle_px=middle,
        corner_px=np.zeros((COUNT, 2), np.int64),
        along=np.column_stack([ones, nothing]),
        across=np.column_stack([nothing, ones]),
        step_px=STEP_PX * ones,
        noise=ones,
        slow=ones,
        whitened=np.asarray(seen, np.float32),
    )


@pytest.mark.parametrize(("long_px", "peak"), [(20.0, 1.0), (20.0, 6.0), (1.0, 12.0)])
def test_the_image_is_as_long_as_the_streak_however_strong_it_is(long_px, peak):
    found = faint_light(patches(long_px, peak))
    assert abs(float(found.streak_px[0]) - long_px) < 6.0
    assert np.abs(found.off_px).max() < 4.0


@pytest.mark.parametrize("long_px", [0.0, 12.0, 24.0])
def test_an_image_holds_both_ends_of_its_streak(long_px):
    image = lamp_image(1.5, np.array([long_px, 0.0]))
    assert np.sum(np.square(image)) == pytest.approx(1.0, rel=1e-5)
    assert np.abs(image[:, [0, -1]]).max() < 0.05 * image.max()
