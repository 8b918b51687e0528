"""Clips: stamps, clocks, slow playback; and that what was filmed is in the file."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import av
import numpy as np
import pytest

from vidspeed.geometry.lens import project
from vidspeed.render.clip import light_places, plan_clip, render_clip, render_frames
from vidspeed.render.flight import position
from vidspeed.render.scene import StaticLamp, pose_of

from .small import CLEAN, camera, flight


def rng():
    return np.random.default_rng(11)


def test_a_clock_that_runs_slow_takes_longer_between_stamps():
    plan = plan_clip(camera(rate_hz=Fraction(60000, 1001)), -0.4, 1.0, 80.0, rng())
    assert len(plan.open_s) == 59
    np.testing.assert_allclose(np.diff(plan.stored.time_s), 1001 / 60000, rtol=1e-12)
    np.testing.assert_allclose(np.diff(plan.open_s), 1001 / 60000 * (1 + 80e-6), rtol=1e-9)
    assert plan.clip_time_s(plan.open_s[7]) == pytest.approx(plan.stored.time_s[7], abs=1e-12)


def test_uneven_stamps_follow_the_frames_within_the_time_base():
    plan = plan_clip(camera(stamps="uneven"), 0.0, 1.0, 0.0, rng())
    steps = np.diff(plan.open_s)
    assert steps.std() > 0.05 / 60.0
    assert np.all(steps > 0.0)
    np.testing.assert_allclose(plan.open_s, plan.stored.time_s, atol=1e-12)


def test_slow_playback_is_stored_at_its_own_rate():
    filming = camera(rate_hz=Fraction(240), stored_rate_hz=Fraction(30))
    plan = plan_clip(filming, 0.0, 0.5, 0.0, rng())
    np.testing.assert_allclose(plan.captured_s, np.arange(120) / 240.0)
    np.testing.assert_allclose(plan.stored.time_s, np.arange(120) / 30.0)


@pytest.mark.parametrize(
    ("codec", "suffix", "stamps"),
    [("h264", ".mp4", "uneven"), ("mjpeg", ".avi", "steady"), ("hevc", ".mov", "uneven")],
)
def test_a_clip_holds_the_light_where_and_when_it_was(tmp_path, codec, suffix, stamps):
    look = replace(CLEAN, lamp_signal=1.0, full_well_e=6000.0, read_noise_e=3.0)
    filming = camera(codec=codec, suffix=suffix, stamps=stamps, crf=8 if codec != "mjpeg" else 2)
    filming = replace(filming, look=look)
    plan = plan_clip(filming, -0.2, 0.3, 0.0, rng())
    path = tmp_path / f"clip{suffix}"
    encoder = render_clip(path, filming, [flight()], plan, seed=1, view_seed=2)
    assert encoder
    places = light_places(filming, flight(), plan)
    assert len(places.frame) == 18
    with av.open(str(path)) as container:
        for index, frame in enumerate(container.decode(video=0)):
            assert float(frame.pts * frame.time_base) == pytest.approx(
                plan.stored.time_s[index], abs=1e-9
            )
            plane = frame.planes[0]
            luma = np.frombuffer(plane, np.uint8).reshape(180, plane.line_size)[:, :320]
            peak = np.unravel_index(np.argmax(luma), luma.shape)
            assert np.abs(np.array(peak[::-1]) - places.xy_px[index]).max() < 1.5
    assert index == 17


def test_places_are_the_projection_at_mid_exposure():
    filming = camera(exposure_s=0.004)
    plan = plan_clip(filming, -0.3, 0.6, 35.0, rng())
    places = light_places(filming, flight(), plan)
    middle = plan.open_s[places.frame] + 0.002
    expected = project(position(flight(), middle), pose_of(filming), filming.lens)
    np.testing.assert_allclose(places.xy_px, expected, atol=1e-9)
    np.testing.assert_allclose(places.time_s, plan.stored.time_s[places.frame])


def test_lamps_that_stand_still_are_in_every_frame_and_seeds_decide_the_noise():
    filming = camera(look=replace(CLEAN, full_well_e=5000.0, read_noise_e=3.0))
    lamp = StaticLamp(xyz_m=np.array([60.0, 80.0, 8.0]), signal=6.0)
    xy = project(lamp.xyz_m[None], pose_of(filming), filming.lens)[0].round().astype(int)
    plan = plan_clip(filming, 5.0, 0.1, 0.0, rng())
    made = [
        list(render_frames(filming, [flight()], plan, lamps=[lamp], seed=seed, view_seed=3))
        for seed in (1, 1, 2)
    ]
    for picture in made[0]:
        assert picture[xy[1], xy[0]] > picture[xy[1] - 12, xy[0]] + 80
    assert all(np.array_equal(a, b) for a, b in zip(made[0], made[1], strict=True))
    assert not np.array_equal(made[0][0], made[2][0])
    assert not np.array_equal(made[0][0], made[0][1])


@pytest.mark.parametrize("kind", ["day", "dusk", "dark"])
def test_backgrounds_have_sky_over_textured_ground(kind):
    filming = camera(look=replace(CLEAN, background=kind), image_size_px=(320, 180))
    plan = plan_clip(filming, 5.0, 0.05, 0.0, rng())
    picture = next(iter(render_frames(filming, [], plan, view_seed=4))).astype(float)
    sky, ground = picture[:40], picture[140:]
    assert sky.mean() > ground.mean()
    assert ground.std() > (5.0 if kind == "day" else 0.3)
    assert {"day": sky.mean() > 120, "dusk": 40 < sky.mean() < 90, "dark": sky.mean() < 30}[kind]
