"""The background forgets what moves, keeps what stands, and knows its noise."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from vidspeed.clip.background import Backdrop, ground, halved, negative
from vidspeed.clip.medians import SAMPLES, RunningMiddle, middle_of_nine
from vidspeed.clip.read import Frame

from .painted import streak_picture


def test_the_middle_of_nine_is_the_median():
    every = np.array(list(itertools.product((0, 1), repeat=9)), np.uint8)  # the 0-1 principle
    pictures = [every[:, k].reshape(16, 32) for k in range(9)]
    np.testing.assert_array_equal(middle_of_nine(pictures), np.median(pictures, axis=0))


def test_half_size_is_the_mean_of_two_by_two():
    luma = np.array([[10, 20, 5, 5], [30, 40, 5, 5]], np.uint8)
    np.testing.assert_array_equal(halved(luma), [[25, 5]])
    np.testing.assert_array_equal(halved(luma.astype(np.uint16) * 4), [[25, 5]])


def test_ground_leaves_out_the_light_and_measures_the_noise():
    rng = np.random.default_rng(5)
    stack = rng.normal(60.0, 2.0, (SAMPLES, 40, 40))
    for k in range(SAMPLES):
        stack[k] += streak_picture((40, 40), (4.0 * k + 3.0, 20.0), (0, 0), 1.4, 120.0, points=1)
    found = ground(np.rint(stack).astype(np.uint8))
    assert abs(found.level - 60.0).max() < 5 * 2.0 / np.sqrt(SAMPLES - 2)
    assert np.median(found.noise2) == pytest.approx(4.0 + 1 / 12, rel=0.15)


def test_a_running_middle_is_the_median_of_the_latest_nine():
    rng = np.random.default_rng(4)
    pictures = [rng.integers(0, 256, (6, 8), dtype=np.uint8) for _ in range(25)]
    running = RunningMiddle()
    for count, picture in enumerate(pictures, start=1):
        running.put(picture)
        assert len(running) == min(count, SAMPLES)
        if count >= SAMPLES:
            median = np.median(pictures[count - SAMPLES : count], axis=0)
            np.testing.assert_array_equal(running.middle(), median)


def filled(rng, level, interval_s=1 / 60, inside=None):
    backdrop = Backdrop(interval_s, inside)
    pictures = [np.clip(np.rint(rng.normal(level, 2.0)), 0, 255) for _ in range(SAMPLES)]
    lumas = [picture.astype(np.uint8) for picture in pictures]
    backdrop.begin([(luma, halved(luma)) for luma in lumas])
    return backdrop


@pytest.mark.parametrize("known", [True, False])
def test_edges_of_a_ground_that_is_known_to_shake_do_not_stand_out(known):
    """Nor does the search become less eager where there are none."""
    rng = np.random.default_rng(9)
    level = np.full((120, 240), 40.0)
    level[60:] = np.where(np.arange(240) // 12 % 2, 150.0, 60.0)  # a fence below an even sky
    backdrop = filled(rng, level)
    if known:
        backdrop.shakes(1.5)
    moved = np.clip(np.rint(rng.normal(np.roll(level, 2, axis=1), 2.0)), 0, 255)
    light = streak_picture((120, 240), (150.0, 30.0), (0, 0), 1.4, 20.0, points=1)
    apart = backdrop.apart(halved((moved + light).astype(np.uint8)))
    assert apart.over[10:20, 70:80].any()
    assert apart.over[32:, 4:-4].any() != known


@pytest.mark.parametrize("gain", [1.7, 2.2])
def test_noise_that_an_exposure_made_larger_at_once_does_not_stand_out(gain):
    rng = np.random.default_rng(3)
    level = np.linspace(20.0, 110.0, 640) + np.zeros((360, 1))

    def jumped():
        seen = 16.0 + gain * (rng.normal(level, 2.0) - 16.0)
        return np.clip(np.rint(seen), 0, 255).astype(np.uint8)

    backdrop = filled(rng, level)
    assert backdrop.follow_jump(halved(jumped()))
    counts = [backdrop.apart(halved(jumped())).count for _ in range(10)]
    assert sum(counts) <= 50  # of 576 000 places; without, one to seven thousand


@pytest.mark.parametrize(("frames", "is_flash"), [(1, True), (4, True), (12, False)])
def test_a_flash_takes_nothing_from_the_background_that_was_white_in_it(frames, is_flash):
    """What stays longer than two samples is another exposure, and not kept in mind."""
    rng = np.random.default_rng(6)
    level = np.kron(rng.uniform(70.0, 190.0, (30, 60)), np.ones((8, 8)))

    def seen(gain):
        return np.clip(np.rint(gain * rng.normal(level, 2.0)), 0, 255).astype(np.uint8)

    backdrop = filled(rng, level)
    assert backdrop.spacing == 3
    assert backdrop.follow_jump(halved(seen(4.0)))
    for index in range(1, frames + 1):
        backdrop.offer(index, seen(4.0), halved(seen(4.0)))
    quiet = halved(seen(1.0))
    assert backdrop.follow_jump(quiet)
    assert (backdrop.apart(quiet).count == 0) == is_flash


def test_a_ceiling_above_all_that_can_be_seen_does_not_come_round_from_below():
    rng = np.random.default_rng(8)
    level = np.kron(rng.choice([10.0, 240.0], (15, 30)), np.ones((8, 8)))
    backdrop = Backdrop(1 / 60)
    lumas = [np.where(k % 2, level, 255.0 - level).astype(np.uint8) for k in range(SAMPLES)]
    backdrop.sigmas = 20.0
    backdrop.begin([(luma, halved(luma)) for luma in lumas])
    backdrop.shakes(1.5)
    assert backdrop.apart(halved(lumas[0])).count == 0
    assert backdrop.apart(halved(lumas[1])).count == 0


def test_a_standing_lamp_is_background_and_a_new_light_is_not():
    rng = np.random.default_rng(2)
    level = 40.0 + streak_picture((80, 120), (30.0, 30.0), (0, 0), 2.0, 150.0, points=1)
    backdrop = filled(rng, level)
    quiet = np.clip(np.rint(rng.normal(level, 2.0)), 0, 255).astype(np.uint8)
    assert backdrop.apart(halved(quiet)).count == 0
    new = quiet + streak_picture((80, 120), (80.0, 50.0), (0, 0), 1.4, 40.0, points=1)
    apart = backdrop.apart(halved(new.astype(np.uint8)))
    y, x = np.nonzero(apart.over)
    assert len(x) == apart.count > 0
    assert abs(2 * x + 0.5 - 80.0).max() < 6
    assert abs(2 * y + 0.5 - 50.0).max() < 6
    assert np.all(apart.brighter[y, x] > 0)
    dark = np.maximum(2.0 * level - new, 0.0).astype(np.uint8)
    apart = backdrop.apart(halved(dark))
    assert apart.count > 0
    assert not np.any(apart.brighter)


def test_nothing_is_found_outside_of_the_part_that_is_searched():
    rng = np.random.default_rng(2)
    level = np.full((80, 120), 40.0)
    light = streak_picture((80, 120), (80.0, 50.0), (0, 0), 1.4, 90.0, points=1)
    for left, found in ((0, False), (30, True)):
        inside = np.zeros((40, 60), dtype=bool)
        inside[:, left : left + 30] = True
        backdrop = filled(rng, level, inside=inside)
        assert bool(backdrop.apart(halved((level + light).astype(np.uint8))).count) == found


def test_a_light_that_passes_raises_the_noise_only_a_little():
    rng = np.random.default_rng(7)
    level = np.full((80, 120), 40.0)
    backdrop = filled(rng, level)
    faint = level + streak_picture((80, 120), (60.0, 40.0), (0, 0), 1.4, 30.0, points=1)
    for index in range(90):
        light = streak_picture((80, 120), (4.0 * index, 40.0), (0, 0), 1.4, 150.0, points=1)
        luma = np.clip(np.rint(rng.normal(level + light, 2.0)), 0, 255).astype(np.uint8)
        half = halved(luma)
        backdrop.offer(index, luma, half, backdrop.apart(half))
    assert backdrop.apart(halved(faint.astype(np.uint8))).count > 0


def test_the_background_follows_a_slow_change_and_its_noise():
    rng = np.random.default_rng(9)
    backdrop = filled(rng, np.full((80, 120), 40.0))
    for index in range(240):
        level = 40.0 + 0.05 * index
        noise = 2.0 + 0.02 * index
        luma = np.clip(np.rint(rng.normal(level, noise, (80, 120))), 0, 255).astype(np.uint8)
        half = halved(luma)
        apart = backdrop.apart(half)
        backdrop.offer(index, luma, half, apart)
        assert apart.count < 0.003 * half.size


@pytest.mark.parametrize(("top", "kind"), [(255, np.uint8), (1020, np.uint16)])
def test_the_negative_of_a_negative_is_the_picture(top, kind):
    luma = np.arange(top + 1).astype(kind).reshape(1, -1)
    assert negative(luma).dtype == kind
    assert negative(luma)[0, 0] == top
    assert np.array_equal(negative(negative(luma)), luma)
    assert negative(np.array([1023], np.uint16)) == 0


def test_many_spots_make_the_search_less_eager_and_few_relax_it():
    backdrop = Backdrop(1 / 60)
    eager = backdrop.sigmas
    backdrop.adapt(500)
    assert backdrop.sigmas > eager
    for _ in range(50):
        backdrop.adapt(0)
    assert backdrop.sigmas == eager


def test_the_ring_spans_the_same_time_at_any_rate():
    assert Backdrop(1 / 240).spacing * (1 / 240) == pytest.approx(
        Backdrop(1 / 60).spacing / 60, rel=0.3
    )


def test_frames_are_values():
    frame = Frame(index=0, stamp=0, time_s=0.0, luma=np.zeros((2, 2), np.uint8))
    with pytest.raises(AttributeError):
        frame.index = 1
