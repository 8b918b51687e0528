"""Lights of a lamp: none where pixels are damaged, and switched only where that shows."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.clip.light.test_grain import spots
from vidspeed.clip.light.lamp import _light, as_scattered, lights_of
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


def test_only_of_a_coder_that_predicts_errors_along_tell_of_those_across():
    lights = lights_of(spots(0.0)[0], (1920, 1080), full_range=True)
    off = np.random.default_rng(2).normal(0.0, (0.3, 0.05), (len(lights), 2))
    level = np.array([[5.0 * light.spot.frame, 100.0] for light in lights])
    shaken = [replace(light, xy_px=one) for light, one in zip(lights, level + off, strict=True)]

    def usual_px(**how):
        told = as_scattered(shaken, **how)
        return np.sqrt(np.median([np.diag(light.cov_px2) for light in told], axis=0))

    every_frame_alone = usual_px(alone=True, stamp_u_s=0.0)
    predicted = usual_px(alone=False, stamp_u_s=0.0)
    late_stamps = usual_px(alone=False, stamp_u_s=0.3 / (5.0 * 60.0))  # at 5 pixels a frame
    assert predicted[1] > 1.5 * every_frame_alone[1]
    assert late_stamps[0] == pytest.approx(predicted[0], rel=0.01)
    assert late_stamps[1] < 1.2 * every_frame_alone[1]
