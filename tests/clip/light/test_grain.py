"""The covariance is honest where the noise of neighbouring pixels hangs together."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.clip.painted import streak_picture
from vidspeed.clip.light import lamp
from vidspeed.clip.light.grain import LAG, learn_noise, residuals_of
from vidspeed.clip.light.lamp import lights_of
from vidspeed.clip.spots.lights import Spot

PLACES = 60
SHAPE = (33, 41)


def spots(blur, peak=60.0, half=(0.4, 0.1), halo=0.0):
    """Spots in noise of 2 levels, blurred over `blur` pixels, at places that vary."""
    rng = np.random.default_rng(11)
    made, truth = [], []
    for k in range(PLACES):
        place = np.array([20.0, 16.0]) + rng.uniform(-0.5, 0.5, 2)
        light = streak_picture(SHAPE, place, half, 1.4, peak)
        light += halo * streak_picture(SHAPE, place, half, 4.0, peak)
        grain = rng.normal(0.0, 1.0, (10, *SHAPE))
        if blur:
            grain = np.array([cv2.GaussianBlur(one, (0, 0), blur) for one in grain])
        grain *= 2.0 / grain.std()
        stack = np.clip(np.rint(80.0 + grain), 0, 255).astype(np.uint8)
        corner = np.array([200 + 5 * k, 100])
        made.append(
            Spot(
                frame=k,
                time_s=k / 60.0,
                xy_px=np.array([20.0, 16.0]) + corner,
                half_px=np.array(half),
                sigma_px=1.4,
                peak=peak,
                snr=peak / 2.0,
                corner_px=(int(corner[0]), int(corner[1])),
                luma=np.clip(np.rint(80.0 + grain[-1] + light), 0, 255).astype(np.uint8),
                past=stack[:9],
                own=np.ones(SHAPE, dtype=bool),
                cut=False,
            )
        )
        truth.append(place + corner)
    return made, np.array(truth)


def scatter(made, truth):
    lights = lights_of(made, (1920, 1080), full_range=True)
    kept = [light.spot.frame for light in lights]
    off = np.array([light.xy_px for light in lights]) - truth[kept]
    cov = np.array([light.cov_px2 for light in lights])
    z2 = np.einsum("ni,nij,nj->n", off, np.linalg.inv(cov), off).mean() / 2.0
    return len(lights), np.sqrt((off**2).mean()), np.sqrt(z2)


@pytest.mark.parametrize("blur", [0.0, 0.7])
def test_the_normalised_error_is_one_in_white_and_in_correlated_noise(blur):
    count, rms, z = scatter(*spots(blur))
    assert count == PLACES
    assert rms < 0.12
    assert z == pytest.approx(1.0, abs=0.25)  # 120 values scatter by 6.5 %, here four times that


def test_a_misfit_that_is_the_same_on_both_sides_does_not_widen():
    _, rms, z = scatter(*spots(0.0, peak=120.0, halo=0.08))
    assert rms < 0.025
    assert z == pytest.approx(1.0, abs=0.3)


def test_a_faint_light_of_which_a_coder_left_one_smooth_pattern_is_no_surer():
    """It fits better than the others, at a place of the coder's own."""
    made, _ = spots(0.7, peak=16.0)
    way = np.array([20.0, 16.0])
    for k in range(0, PLACES, 4):
        smooth = streak_picture(SHAPE, way, (0.4, 0.1), 1.4, 16.0)
        luma = np.rint(80.0 + smooth).astype(np.uint8)
        made[k] = replace(made[k], luma=luma)
    lights = lights_of(made, (1920, 1080), full_range=True)
    u = {light.spot.frame: float(np.sqrt(np.trace(light.cov_px2))) for light in lights}
    coded = [value for frame, value in u.items() if frame % 4 == 0]
    filmed = [value for frame, value in u.items() if frame % 4]
    assert np.median(coded) > 0.8 * np.median(filmed)


def test_one_fit_that_is_no_projection_does_not_make_the_noise_grow_without_end(monkeypatch):
    """Beside a lamp that shakes, say: then no light of the craft had a place."""
    held = []

    def learned(left):
        held.extend(left)
        return learn_noise(left)

    monkeypatch.setattr(lamp, "learn_noise", learned)
    lights_of(spots(0.7)[0][:20], (1920, 1080), full_range=True)
    first = held[0]
    fit = replace(first.fit, inverse=60.0 * first.fit.inverse)
    wild = residuals_of(first.pixels, fit, first.over * first.pixels.noise2)
    noise = learn_noise([wild, *held[1:]])
    assert 0.5 < noise.kernel[LAG, LAG] < 1.6


def test_a_light_whose_pixels_are_all_another_s_has_no_place():
    lights, _ = spots(0.0)
    few = lights[:6]
    nothing = replace(few[0], own=np.zeros_like(few[0].own))
    there = lights_of([nothing, *few[1:]], (1920, 1080), full_range=True)
    assert len(there) == 5
    assert lights_of([nothing], (1920, 1080), full_range=True) == []


def test_an_edge_that_is_taken_for_a_light_stops_nothing():
    """The middle of what is fitted lies beyond what was cut out: no pixel has an opposite one."""
    (one, *_), _ = spots(0.0)
    edge = np.broadcast_to(np.where(np.arange(SHAPE[1]) > 30, 170, 80), SHAPE).astype(np.uint8)
    lights = lights_of([replace(one, luma=edge, sigma_px=8.0)], (1920, 1080), full_range=True)
    assert all(np.all(np.isfinite(each.cov_px2)) for each in lights)
