"""Lights that wait for the next flash, and noise that does not."""

from __future__ import annotations

import numpy as np
import pytest

from tests.clip.spots.test_follow import SIZE, follow, spot
from vidspeed.clip.spots.moves import even

FRAMES = 60


def flight(frame, *, dim=False):
    """Return the spot of a craft that crosses the picture."""
    return spot(frame, (25.0 + 10.0 * frame, 90.0 + 1.5 * frame), peak=22.0 if dim else 60.0)


def flashes(lit, period, noise=0.0, seed=1):
    """Return frames that see a craft lit in `lit` frames of every `period`, among faint noise."""
    rng = np.random.default_rng(seed)
    frames = []
    for k in range(FRAMES):
        there = [flight(k)] if k % period < lit else []
        some = rng.uniform((0, 0), SIZE, (rng.poisson(noise), 2))
        frames.append([*there, *(spot(k, xy, peak=15.0) for xy in some)])
    return frames


@pytest.mark.parametrize(("lit", "period"), [(1, 5), (2, 6), (2, 12), (3, 14)])
def test_a_lamp_that_is_hardly_ever_lit_is_one_chain(lit, period):
    (chain,) = follow(flashes(lit, period))
    assert len(chain) == sum(k % period < lit for k in range(FRAMES))


@pytest.mark.parametrize("noise", [0.1, 0.3])
def test_noise_between_the_flashes_does_not_lead_away(noise):
    for seed in range(3):
        chains = follow(flashes(2, 8, noise, seed))
        longest = max(chains, key=len)
        assert len(longest) >= 8
        assert all(one.peak == 60.0 for one in longest)


@pytest.mark.parametrize("noise", [0.1, 0.3, 1.0, 2.0])
def test_noise_alone_makes_no_flashes(noise):
    for seed in range(4):
        frames = [
            [one for one in some if one.peak == 15.0] for some in flashes(1, 5, noise, seed + 10)
        ]
        assert follow(frames) == []


def test_a_faint_spot_in_the_dark_is_no_part_of_a_bright_lamp():
    frames = flashes(4, 10)
    for k in (6, 7, 16, 27):
        frames[k] = [flight(k, dim=True)]
    (chain,) = follow(frames)
    assert all(one.peak == 60.0 for one in chain)


def test_flashes_that_fill_a_part_of_a_streak_each_are_one_flight():
    """Of a streak of 15 px single flashes show now its beginning and now its end."""
    rng = np.random.default_rng(5)
    frames: list[list] = [[] for _ in range(FRAMES)]
    for k in range(3, FRAMES, 3):
        place = 25.0 + 10.0 * k + rng.uniform(-6.0, 6.0), 90.0
        frames[k] = [spot(k, place, half=(rng.uniform(2.0, 7.5), 0.0))]
    (chain,) = follow(frames)
    assert len(chain) >= 17


def test_what_lies_on_the_way_after_the_last_flash_does_not_spoil_the_beat():
    frames: list[list] = [[flight(k)] if k % 4 == 2 and k < 34 else [] for k in range(FRAMES)]
    frames[41] = [spot(41, flight(41).xy_px + np.array([4.0, 1.0]))]
    (chain,) = follow(frames)
    assert [one.frame for one in chain] == list(range(2, 34, 4))


def test_flashes_come_evenly_or_not():
    assert even(np.array([13, 14, 26, 27, 39, 40]))
    assert even(np.array([13, 14, 26, 27, 52, 53, 65]))  # one was missed
    late = np.array([14, 16, 17, 20, 23, 24, 26, 27, 30, 33, 36, 37, 39])  # of 13 and 14
    assert even(late)
    assert not even(late[[0, 1, 4, 5]])
    assert not even(np.array([31, 32, 33, 34, 36, 41]))  # by chance
    assert not even(np.array([3, 11, 20, 21, 22, 23, 24, 40]))
    assert not even(np.array([13, 26]))
    assert not even(np.array([10, 14, 27, 33]))
    assert not even(np.array([10, 40, 70]))  # too seldom lit for a flash of a tenth
