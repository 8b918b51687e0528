"""Whether the frames between lights were dark, or a faint lamp was missed in them."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from vidspeed.clip.light.flashing import (
    dark_beside,
    edges_of,
    flashes,
    in_one_beat,
    in_step,
    single_flash,
)

SURE = 7.0


def faint(frame):
    return np.full(len(frame), 3.7)


@pytest.mark.parametrize(
    "frame",
    [
        np.arange(15, 49, 3),  # 20 Hz at 60 frames a second, lit in one frame each
        np.delete(np.arange(15, 64, 3), [4, 9]),  # and missed in two of them
        np.flatnonzero(np.arange(40) * 17.3 % 60.0 < 31.0),
        np.flatnonzero(np.arange(40) % 4 < 2),
    ],
)
def test_a_faint_lamp_that_is_lit_in_step_with_the_frames_flashes(frame):
    assert np.diff(frame).max() < 4 or len(frame) == 15
    assert flashes(frame, faint(frame), SURE)
    assert in_step(frame)


@pytest.mark.parametrize("seen", [0.4, 0.6, 0.8, 0.95])
def test_a_faint_lamp_that_is_missed_by_chance_keeps_to_no_beat(seen):
    rng = np.random.default_rng(5)
    chains = [np.flatnonzero(rng.random(45) < seen) for _ in range(200)]
    assert sum(in_step(frame) for frame in chains) <= 2


def test_of_a_long_chain_the_first_frames_tell_and_no_memory_grows_with_its_square():
    """An aircraft's light is followed for a minute."""
    frame = np.arange(0, 6000, 3)
    tracemalloc.start()
    try:
        assert in_step(frame)
        assert tracemalloc.get_traced_memory()[1] < 30e6
    finally:
        tracemalloc.stop()


def test_one_gap_or_few_lights_are_no_beat():
    for frame in ([0, 1, 2, 3, 6, 7, 8], [0, 2, 4], [3, 4, 5], [0, 3]):
        assert not in_step(np.array(frame))


def test_beside_a_short_gap_a_faint_lamp_was_dark_if_it_keeps_to_a_beat():
    beat, chance = np.arange(0, 40, 3), np.array([0, 1, 3, 4, 5, 7, 9, 10, 12, 13])
    assert dark_beside(beat, faint(beat), SURE, 0.5).tolist() == [1.0] * 14
    assert 0.5 in dark_beside(chance, faint(chance), SURE, 0.5)


def test_flashes_that_come_early_or_late_now_and_then_are_in_no_one_beat():
    assert in_one_beat(np.array([0, 3, 6, 12, 15, 18]))
    assert in_one_beat(np.array([0, 3, 6, 9, 13, 16, 19]))
    assert not in_one_beat(np.array([0, 3, 7, 10, 13, 17, 20]))
    assert not in_one_beat(np.array([5]))


def test_what_is_seen_on_a_short_way_only_has_flashed():
    xy, strong, weak = 14.0 * np.arange(4)[:, None] * [1.0, 0.1], np.full(4, 40.0), np.full(4, 5.0)
    assert single_flash(xy, strong, SURE, 960.0)
    assert not single_flash(xy, weak, SURE, 960.0)
    assert not single_flash(10.0 * xy, strong, SURE, 960.0)
    assert not single_flash(xy, strong, SURE, 0.0)


def test_runs_of_lit_frames_are_counted():
    before, after, run = edges_of(np.array([3, 4, 5, 9, 12, 13]))
    assert before.tolist() == [1, 0, 0, 1, 1, 0]
    assert after.tolist() == [0, 0, 1, 1, 0, 1]
    assert run.tolist() == [3, 3, 3, 1, 2, 2]
