"""A coder that holds a slow light back: an unknown of the pass, not noise of its lights."""

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import evening, flown, plain_track
from vidspeed.motion.account import account
from vidspeed.motion.drag import drag_of
from vidspeed.motion.flight import solve
from vidspeed.values import Clip

D_PX = 0.06


def crawling(step_px, *, turn=30, count=60, drag_u_px=D_PX):
    """Return a track that moves by `step_px` a frame across; up before `turn`, down after it."""
    frame = np.arange(count)
    y = 300.0 + 0.01 * (frame - turn) ** 2
    xy = np.column_stack([100.0 + step_px * frame, y])
    track = plain_track(frame, frame / 240.0, xy, 0.05, y / 1080.0)
    return replace(track, drag_u_px=drag_u_px)


def test_the_drag_is_against_the_part_of_a_pixel_that_the_light_moves_along_each_axis():
    moved = drag_of(crawling(5.2))
    assert moved.shape == (60, 2, 2)
    assert moved[:, 0, 0] == pytest.approx(np.full(60, -D_PX))
    assert drag_of(crawling(4.8))[:, 0, 0] == pytest.approx(np.full(60, D_PX))
    assert moved[12:27, 1, 1] == pytest.approx(np.full(15, D_PX))  # 0.36 to 0.06 px up
    assert moved[33:48, 1, 1] == pytest.approx(np.full(15, -D_PX))
    assert np.all(moved[:, 0, 1] == 0.0) and np.all(moved[:, 1, 0] == 0.0)


def test_where_the_sign_is_not_sure_nothing_is_said():
    assert drag_of(crawling(5.0))[:, 0, 0] == pytest.approx(np.zeros(60), abs=1e-6)
    assert drag_of(crawling(5.5))[:, 0, 0] == pytest.approx(np.zeros(60), abs=1e-6)


def test_a_fast_light_is_not_held_back():
    assert np.all(drag_of(crawling(30.2)) == 0.0)
    assert drag_of(crawling(16.2))[30, 0, 0] == pytest.approx(-D_PX * 0.45, rel=0.01)


def test_a_clip_whose_frames_stand_alone_has_no_such_unknown():
    assert drag_of(crawling(5.2, drag_u_px=0.0)).shape == (60, 2, 0)


def held_back(lit, rng):
    """Shift every light as coders were seen to, by an amount that is one for the clip and axis."""
    rows = []
    for row in lit:
        xy, time = row.track.xy_px, row.track.time_s
        shift = np.zeros_like(xy)
        for axis in (0, 1):
            smooth = np.polynomial.Chebyshev.fit(time, xy[:, axis], 7)
            step = smooth.deriv()(time) / 240.0
            shift[:, axis] = -D_PX * rng.standard_normal() * np.sign(step - np.rint(step))
        rows.append(replace(row, track=replace(row.track, xy_px=xy + shift)))
    return rows


def rms_of_z(*drags_u_px):
    """Return the RMS error in u of 12 passes that two cameras far apart on one side filmed.

    One for each size of drag that is reckoned with: the passes are the same.
    """
    found = []
    for seed in range(300, 312):
        scene = evening(
            seed, 2, offset_u_m=5.0, height_u_m=3.0, weave_u_m=0.002, marker_u_m=0.002,
            pick_u_px=0.05, focal_u_px=1.0, accel_u_mps2=np.full(3, 1.0),
            stands=([0.0, -65.0, 1.7], [80.0, -90.0, 1.7]),
        )  # fmt: skip
        lit, truth = flown(scene, u_px=0.03, rate_hz=240.0, speed_mps=45.0)
        held = held_back(lit, scene.rng)
        clips = [Clip(file=f"{name}.mp4", camera=name) for name in "ns"]
        found.append([])
        for drag_u_px in drags_u_px:
            seen = [replace(row, track=replace(row.track, drag_u_px=drag_u_px)) for row in held]
            result = account(scene.session, solve(scene.session, seen, "1"), clips, "1")
            found[-1].append((result.speed_mps - truth) / result.speed_u_mps)
    return np.sqrt(np.mean(np.square(found), axis=0))


def test_with_it_the_interval_holds_and_without_it_not():
    with_it, without = rms_of_z(D_PX, 0.0)
    assert 0.51 < with_it < 1.54  # 99 % range of 12 (chi-square)
    assert without > 1.54
