"""Lights of frames in which the lamp went on or off, or the craft went behind something."""

from __future__ import annotations

import numpy as np
import pytest

from vidspeed.clip.light.switched import Streaks, corrections, edges_of, exposure_of, single_flash

INTERVAL_S = 1.0 / 60.0
EXPOSURE_S = 0.010
SPEED = 1200.0
SURE = 7.0


def seen(frames, parts, *, resolved=True, snr=40.0, noise=None, off_s=0.0):
    """Return streaks whose lengths and light are as the lit parts say."""
    count = len(frames)
    full = SPEED * EXPOSURE_S
    length = full * parts + (0.0 if noise is None else 0.2 * noise.standard_normal(count))
    time_s = np.asarray(frames) * INTERVAL_S
    return Streaks(
        frame=np.asarray(frames),
        time_s=time_s,
        xy_px=np.column_stack([SPEED * (time_s + off_s), np.full(count, 90.0)]),
        velocity=np.tile([SPEED, 0.0], (count, 1)),
        length_px=length,
        length_u_px=np.full(count, 0.2),
        resolved=np.full(count, resolved),
        gathered=np.asarray(parts, dtype=float),
        snr=np.full(count, snr),
    )


def flashed(hz, duty, count=60):
    """Return frames that see a flashing lamp, the lit part of each and where its middle is."""
    frames, parts, off_s = [], [], []
    for k in range(count):
        fine = k * INTERVAL_S + (np.arange(2000) + 0.5) / 2000 * EXPOSURE_S
        lit = fine[(fine * hz + 0.13) % 1.0 < duty]
        if len(lit) > 100:
            frames.append(k)
            parts.append(len(lit) / 2000)
            off_s.append(lit.mean() - (k * INTERVAL_S + 0.5 * EXPOSURE_S))
    return np.array(frames), np.array(parts), np.array(off_s)


def corrected(hz, duty, **more):
    """Return errors along the way (n,) in px, before and after, and the added u (n,)."""
    frames, parts, off_s = flashed(hz, duty)
    shift, extra = corrections(seen(frames, parts, off_s=off_s, **more), SURE)
    before = off_s * SPEED
    return before, before + shift[:, 0], np.sqrt(extra[:, 0, 0])


@pytest.mark.parametrize(("hz", "duty"), [(6.3, 0.5), (9.1, 0.45), (4.7, 0.3), (15.8, 0.48)])
def test_ends_of_flashes_are_put_where_the_whole_exposure_has_its_middle(hz, duty):
    before, after, u = corrected(hz, duty, noise=np.random.default_rng(3))
    assert np.abs(before).max() > 2.0
    assert np.sqrt(np.mean(after**2)) < 0.3
    assert np.all(np.abs(after) < 3.5 * u + 0.2)


def test_streaks_too_short_for_ends_are_judged_by_their_light():
    before, after, u = corrected(6.3, 0.5, resolved=False)
    assert np.sqrt(np.mean(after**2)) < 0.5 * np.sqrt(np.mean(before**2))
    assert np.all(np.abs(after) < 3.0 * u + 0.8)


def test_frames_that_a_flash_fills_are_as_sure_as_any():
    """Of a lamp that is lit in two frames at a time the lengths show that it was whole in some."""
    frames, parts, off_s = flashed(14.3, 0.31)
    shift, extra = corrections(seen(frames, parts, off_s=off_s), SURE)
    _, _, run = edges_of(frames)
    assert run.max() == 2
    whole = parts == 1.0
    assert whole.sum() > 5
    assert np.sqrt(extra[whole & (run == 2), 0, 0]).max() < 0.2
    assert np.abs(off_s * SPEED + shift[:, 0])[run == 2].max() < 0.5


def test_single_frames_of_short_flashes_give_no_place_along_the_way():
    _, after, u = corrected(19.0, 0.12)
    alone = u > 0.0
    assert alone.mean() > 0.7
    assert np.all(np.abs(after[alone]) < 3.0 * u[alone])
    assert u[alone].min() > 2.0


def test_a_fixed_beat_of_flashes_and_frames_does_not_prove_an_exposure():
    frames = np.array([3 * k + j for k in range(10) for j in (0, 1)])
    parts = np.tile([0.8, 0.53], 10)
    off_s = 0.5 * (1.0 - parts) * EXPOSURE_S * np.tile([1.0, -1.0], 10)
    assert not exposure_of(seen(frames, parts))[1]
    shift, extra = corrections(seen(frames, parts, off_s=off_s), SURE)
    left_px = np.abs(off_s * SPEED + shift[:, 0])
    assert np.all(np.sqrt(extra[:, 0, 0]) > np.maximum(left_px, 0.3))


@pytest.mark.parametrize("dark", [(0.0, 0.0), (0.3, 0.1), (0.0, 0.7), (0.5, 0.5)])
def test_two_lit_frames_tell_by_their_distance_how_long_the_lamp_was_dark(dark):
    """Of points no length tells how long the shutter was open, or how much of it the lamp lit."""
    frames = np.array([0, 1, 9, 10, 17, 18])
    off_s = 0.5 * np.tile([dark[0], -dark[1]], 3) * INTERVAL_S
    uneven = 0.1 * np.array([1.0, 0.6, 0.5, 0.9, 0.7, 0.4])
    places = seen(frames, uneven, resolved=False, off_s=off_s)
    shift, extra = corrections(places, SURE)
    u_px, left_px = np.sqrt(extra[:, 0, 0]), np.abs(off_s * SPEED + shift[:, 0])
    assert np.all(left_px < 2.0 * u_px)
    assert u_px.max() < (0.6 if sum(dark) == 0.0 else 4.0)


def test_two_flashes_in_neighbouring_frames_leave_open_which_end_is_known():
    """Slow frames: lit at the beginning of one, dark, and lit again at the end of the next."""
    frames, parts = np.r_[0:8, 12:20], np.ones(16)
    parts[[4, 5]] = 0.5
    shift, extra = corrections(seen(frames, parts), SURE)
    assert not shift[[4, 5]].any()
    assert np.sqrt(extra[4, 0, 0]) == pytest.approx(0.5 * SPEED * EXPOSURE_S / np.sqrt(12), rel=0.1)
    assert not extra[[2, 3, 6]].any()


def test_a_single_flash_has_ends_too():
    parts = np.r_[0.4, np.ones(8), 0.3]
    for snr in (10.0, 60.0):
        shift, extra = corrections(seen(np.arange(10), parts, resolved=False, snr=snr), SURE)
        off_px = 0.5 * (1.0 - parts) * SPEED * EXPOSURE_S * np.r_[-1.0, np.zeros(8), 1.0]
        assert np.all(np.abs(shift[:, 0] - off_px) < 3.0 * np.sqrt(extra[:, 0, 0]) + 1e-9)
        assert not extra[1:-1].any()
        assert extra[[0, -1], 0, 0].min() > 0.0


@pytest.mark.parametrize("part", [0.95, 0.85, 0.5])
def test_a_flash_of_few_frames_may_end_within_its_exposure(part):
    parts = np.array([1.0, 1.0, 1.0, part])
    off_px = 0.5 * (1.0 - parts) * SPEED * EXPOSURE_S
    shift, extra = corrections(seen(np.arange(4), parts), SURE, single=True)
    assert np.all(np.abs(shift[:, 0] - off_px) < 2.0 * np.sqrt(extra[:, 0, 0]) + 1e-9)
    assert abs(shift[3, 0] - off_px[3]) < 0.5 * off_px[3]
    assert not extra[1:-1].any()
    assert 0.0 < extra[3, 0, 0] < 0.3


def test_what_is_seen_on_a_short_way_only_has_flashed():
    xy, strong, faint = 14.0 * np.arange(4)[:, None] * [1.0, 0.1], np.full(4, 40.0), np.full(4, 5.0)
    assert single_flash(xy, strong, SURE, 960.0)
    assert not single_flash(xy, faint, SURE, 960.0)
    assert not single_flash(10.0 * xy, strong, SURE, 960.0)
    assert not single_flash(xy, strong, SURE, 0.0)


def test_lights_that_a_coder_left_uneven_tell_little_of_how_much_was_lit():
    rng = np.random.default_rng(4)
    frames = np.r_[0:10, 16:26]
    uneven = seen(frames, np.where(np.isin(frames, [9, 16]), 0.6, rng.uniform(0.5, 1.5, 20)))
    _, wide = corrections(uneven, SURE)
    _, narrow = corrections(seen(frames, np.where(np.isin(frames, [9, 16]), 0.6, 1.0)), SURE)
    at = np.flatnonzero(np.isin(frames, [9, 16]))
    assert np.all(wide[at, 0, 0] > 4.0 * narrow[at, 0, 0])


def test_a_lamp_that_is_always_on_is_left_alone():
    shift, extra = corrections(seen(np.arange(30), 1.0 - 0.01 * np.arange(30)), SURE)
    assert not shift.any()
    assert not extra.any()


def test_a_faint_lamp_that_is_missed_now_and_then_does_not_flash():
    frames = np.delete(np.arange(30), [4, 11, 12, 20])
    shift, extra = corrections(seen(frames, np.full(26, 1.0), snr=5.0), SURE)
    assert not shift.any()
    assert not extra.any()


def test_runs_of_lit_frames_are_counted():
    before, after, run = edges_of(np.array([3, 4, 5, 9, 12, 13]))
    assert before.tolist() == [1, 0, 0, 1, 1, 0]
    assert after.tolist() == [0, 0, 1, 1, 0, 1]
    assert run.tolist() == [3, 3, 3, 1, 2, 2]
