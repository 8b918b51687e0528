"""A light of which damaged pixels leave no place."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from vidspeed.clip.light.lamp import _light
from vidspeed.clip.light.profile import HALF_X


def test_a_light_among_broken_blocks_has_no_place():
    """Pixels that hang together beyond reason can make the variance of a length negative."""
    parameters = np.zeros(8)
    parameters[HALF_X] = 3.0
    fit = SimpleNamespace(settled=True, parameters=parameters)
    spread = np.diag([0.01, 0.01, -0.02, 0.01])
    noise = SimpleNamespace(even=1.0)
    pixels, still = SimpleNamespace(), (np.zeros(2), np.zeros((2, 2)))
    assert _light(SimpleNamespace(), pixels, fit, spread, noise, *still) is None  # type: ignore[arg-type]
