"""Lights that wait for the next flash, and noise that does not."""

from __future__ import annotations

import numpy as np
import pytest

from tests.clip.spots.test_follow import SIZE, follow, spot
from vidspeed.clip.spots.follow import Follower
from vidspeed.clip.spots.moves import even, limits_of

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


def strobe(rate_hz, hz, duty, missed, *, seed=0, craft=True, clutter=0.0, seconds=0.6):
    """Return chains and number of lit frames of a strobe, some of its lights missed."""
    rng = np.random.default_rng(seed)
    follower, chains, lit = Follower(limits_of((960, 540), 1.0 / rate_hz, None)), [], 0
    for k in range(round(seconds * rate_hz)):
        time_s, spots = k / rate_hz, []
        if craft and (time_s * hz + 0.3) % 1.0 < duty and rng.random() >= missed:
            place = np.array([60.0, 200.0]) + time_s * np.array([1300.0, 60.0])
            spots.append(spot(k, place + rng.normal(0.0, 0.4, 2), time_s=time_s))
            lit += 1
        for xy in rng.uniform((0.0, 0.0), (960.0, 540.0), (rng.poisson(clutter), 2)):
            spots.append(spot(k, xy, peak=rng.uniform(12.0, 60.0), time_s=time_s))
        chains += follower.offer(time_s, spots)
    return chains + follower.finish(), lit


@pytest.mark.parametrize(
    ("rate_hz", "hz", "duty"),
    [(240, 10, 0.2), (240, 8, 0.12), (240, 5, 0.25), (120, 5, 0.3), (120, 8, 0.25)],
)
@pytest.mark.parametrize("missed", [0.0, 0.15])
def test_a_strobe_at_a_high_rate_is_one_chain_though_some_of_its_lights_are_missed(
    rate_hz, hz, duty, missed
):
    for seed in range(3):
        chains, lit = strobe(rate_hz, hz, duty, missed, seed=seed)
        assert len(chains) == 1
        assert len(chains[0]) >= 0.8 * lit


@pytest.mark.parametrize("clutter", [0.1, 0.5])
def test_clutter_at_a_high_rate_makes_no_strobe(clutter):
    for seed in range(3):
        chains, _ = strobe(240, 10, 0.2, 0.0, seed=seed, craft=False, clutter=clutter)
        assert chains == []


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
    holes = np.array([2, 3, 4, 6, 26, 28, 29, 30, 50, 51, 53, 54])  # a flash is five frames long
    assert even(holes)
    assert not even(holes[[0, 3, 4, 7, 8, 11]])  # hardly lit within flashes
    assert not even(np.array([2, 3, 4, 6, 26, 28, 29, 30, 60, 61, 63, 64]))  # out of beat
    assert not even(np.array([10, 14, 27, 33]))
    assert not even(np.array([10, 40, 70]))  # too seldom lit for a flash of a tenth
