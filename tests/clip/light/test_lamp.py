"""Lights of a lamp: none where pixels are damaged, and switched only where that shows."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from tests.clip.light.test_grain import spots
from vidspeed.clip.light.lamp import _light, lights_of
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


def test_a_steady_lamp_that_hardly_stands_out_does_not_flash_where_frames_are_without_it():
    """As before clouds, whose edges take it away now and then, however strong it is beside."""
    missed = (4, 9, 11, 17, 26, 28, 33)
    steady = [
        spot for spot in spots(0.0, 16.0, half=(2.0, 0.1))[0][:40] if spot.frame not in missed
    ]

    def along_px(clear):
        told = [replace(spot, clear=clear(spot.frame)) for spot in steady]
        lights = lights_of(told, (1920, 1080), full_range=True)
        return np.sqrt([light.cov_px2[0, 0] for light in lights])

    plain = along_px(lambda _: True)
    now_and_then = along_px(lambda frame: frame % 2 == 0)
    assert len(plain) == len(now_and_then) == len(steady)
    assert plain.max() > 2.5 * now_and_then.max()  # dark then, it was switched within frames
    assert now_and_then.max() < 1.5 * np.median(now_and_then)
