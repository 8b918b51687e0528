"""Lights of frames in which the lamp went on or off, or the craft went behind something."""

from __future__ import annotations

import numpy as np
import pytest

from tests.clip.light.lit import EXPOSURE_S, INTERVAL_S, SPEED, SURE, flashed, seen
from vidspeed.clip.light.flashing import edges_of
from vidspeed.clip.light.shutter import exposure_of
from vidspeed.clip.light.switched import corrections


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
    assert not exposure_of(seen(frames, parts), np.zeros(20, dtype=bool), INTERVAL_S).known
    shift, extra = corrections(seen(frames, parts, off_s=off_s), SURE)
    left_px = np.abs(off_s * SPEED + shift[:, 0])
    assert np.all(np.sqrt(extra[:, 0, 0]) > np.maximum(left_px, 0.3))


STATED_S = EXPOSURE_S, 0.0002


@pytest.mark.parametrize("snr", [3.7, 40.0])
def test_lights_of_single_frames_that_fill_the_stated_exposure_are_sure(snr):
    """A faint lamp, too, that flashes in step with the frames, and is not only missed."""
    frames = np.arange(0, 42, 3)
    lights = seen(frames, np.ones(14), snr=snr)
    wide, narrow = (corrections(lights, SURE, stated_s=told)[1] for told in (None, STATED_S))
    assert np.sqrt(wide[:, 0, 0]).min() > 2.0
    assert np.sqrt(narrow[:, 0, 0]).max() < 0.3


@pytest.mark.parametrize("told", [None, STATED_S])
@pytest.mark.parametrize("snr", [3.7, 40.0])
def test_flashes_that_a_beat_cuts_ever_more_are_as_unsure_as_the_cut_is_long(told, snr):
    """Nothing tells at which end: the scatter of such lights about a smooth way is nothing."""
    part = np.linspace(0.95, 0.4, 14)
    off_s = 0.5 * (1.0 - part) * EXPOSURE_S
    shift, extra = corrections(
        seen(np.arange(0, 42, 3), part, snr=snr, off_s=off_s), SURE, stated_s=told
    )
    left_px, u_px = np.abs(SPEED * off_s + shift[:, 0]), np.sqrt(extra[:, 0, 0])
    assert np.all(left_px < 2.0 * u_px + 0.1)
    if told is not None:
        assert np.all(u_px < 1.3 * left_px + 0.6)


@pytest.mark.parametrize("told", [None, STATED_S])
@pytest.mark.parametrize("resolved", [True, False])
def test_over_all_beats_lights_are_as_sure_as_they_are_said_to_be(told, resolved):
    rng = np.random.default_rng(8)
    z2 = []
    for _ in range(60):
        hz = 60.0 / rng.integers(3, 6) * (1.0 + rng.uniform(-0.01, 0.01))
        frames, parts, off_s = flashed(hz, rng.uniform(0.1, 0.5), 45, rng.random())
        lights = seen(frames, parts, off_s=off_s, noise=rng, resolved=resolved)
        shift, extra = corrections(lights, SURE, stated_s=told)
        z2.append(np.mean((SPEED * off_s + shift[:, 0]) ** 2 / (0.1**2 + extra[:, 0, 0])))
    assert 0.5 < np.sqrt(np.mean(z2)) < 1.2


def test_a_stated_exposure_changes_nothing_of_lights_that_show_it_themselves():
    frames, parts, off_s = flashed(6.3, 0.5)
    plain = corrections(seen(frames, parts, off_s=off_s), SURE)
    stated = corrections(seen(frames, parts, off_s=off_s), SURE, stated_s=(0.012, 0.0001))
    steady = corrections(seen(np.arange(30), np.ones(30)), SURE, stated_s=(0.016, 0.0001))
    for one, other in zip(plain, stated, strict=True):
        np.testing.assert_array_equal(one, other)
    assert not steady[0].any() and not steady[1].any()


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
    assert np.sqrt(extra[4, 0, 0]) == pytest.approx(0.25 * SPEED * EXPOSURE_S, rel=0.1)
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


@pytest.mark.parametrize("parts", [np.r_[[0.26] * 14, [1.0] * 12], np.r_[[1.0] * 15, [0.5] * 10]])
@pytest.mark.parametrize("lost", [0, 1])  # frames in which the whole picture changed
def test_lights_before_or_after_a_jump_of_the_exposure_are_not_switched(parts, lost):
    frames = np.arange(len(parts))
    frames[int(np.argmax(np.diff(parts) != 0.0)) + 1 :] += lost
    shift, extra = corrections(seen(frames, parts), SURE, single=not lost)
    assert not extra.any()
    assert not shift.any()
