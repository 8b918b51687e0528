"""Which spots belong together, and which movement is a craft's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from tests.clip.drawn import drawn
from vidspeed.clip.spots.follow import Follower
from vidspeed.clip.spots.lights import Spot
from vidspeed.clip.spots.moves import limits_of, moved, smooth, steady_runs
from vidspeed.values import Strip

SIZE = (640, 360)
RATE = 60.0
LIMITS = limits_of(SIZE, 1 / RATE, None)


def spot(frame, xy, peak=60.0, half=(0.3, 0.0), time_s=None):
    empty = np.zeros((1, 1), np.uint8)
    return Spot(
        frame=frame,
        time_s=frame / RATE if time_s is None else time_s,
        xy_px=np.array(xy, dtype=float),
        half_px=np.array(half),
        sigma_px=1.4,
        peak=peak,
        snr=peak / 2.0,
        corner_px=(0, 0),
        luma=empty,
        past=empty[None],
        own=np.ones((1, 1), dtype=bool),
        cut=False,
    )


def follow(frames):
    """Return the chains of lists of spots, one list a frame."""
    follower, chains = Follower(LIMITS), []
    for frame, spots in enumerate(frames):
        time_s = spots[0].time_s if spots else frame / RATE
        chains += follower.offer(time_s, spots)
    return chains + follower.finish()


def test_a_looming_craft_is_one_chain():
    x = 30.0 + 30.0 * (np.exp(0.06 * np.arange(45)) - 1.0)  # 3.6 times a second faster
    chains = follow([[spot(k, (x[k], 100.0 + 0.2 * x[k]))] for k in range(45) if x[k] < 640])
    assert [len(chain) for chain in chains] == [int(np.sum(x < 640))]


def test_clutter_does_not_break_a_chain():
    rng = np.random.default_rng(3)
    frames = []
    for k in range(40):
        clutter = [spot(k, xy, peak=20.0) for xy in rng.uniform((0, 0), SIZE, (6, 2))]
        frames.append([spot(k, (20.0 + 14.0 * k, 80.0 + 2.0 * k)), *clutter])
    longest = max(follow(frames), key=len)
    assert len(longest) >= 38
    assert all(one.peak == 60.0 for one in longest)


def test_clutter_alone_makes_no_chain():
    for seed in range(5):
        rng = np.random.default_rng(seed)
        frames = [
            [spot(k, xy, peak=20.0) for xy in rng.uniform((0, 0), SIZE, (4, 2))] for k in range(60)
        ]
        assert follow(frames) == []


def test_what_stands_still_begins_nothing():
    frames = [[spot(k, (100.0, 100.0)), spot(k, (140.0, 100.0))] for k in range(30)]
    assert follow(frames) == []


def test_uneven_frame_times_are_the_filter_s_times():
    rng = np.random.default_rng(6)
    time_s = np.cumsum(rng.uniform(0.006, 0.030, 40))
    frames = [
        [spot(k, (20.0 + 800.0 * t, 60.0 + 90.0 * t), time_s=t)] for k, t in enumerate(time_s)
    ]
    chains = follow([frame for frame in frames if frame[0].xy_px[0] < 640])
    assert len(chains) == 1
    assert len(chains[0]) == sum(frame[0].xy_px[0] < 640 for frame in frames)


def test_a_streak_across_the_way_begins_nothing():
    across = [[spot(k, (20.0 + 14.0 * k, 100.0), half=(0.0, 7.0))] for k in range(30)]
    along = [[spot(k, (20.0 + 14.0 * k, 100.0), half=(6.0, 0.0))] for k in range(30)]
    assert follow(across) == []
    assert len(follow(along)) == 1


def test_a_gap_longer_than_a_quarter_of_a_second_ends_a_chain():
    def frames(gap):
        seen = [*range(12), *range(12 + gap, 24 + gap)]
        return [[spot(k, (20.0 + 14.0 * k, 100.0))] if k in seen else [] for k in range(24 + gap)]

    assert [len(chain) for chain in follow(frames(10))] == [24]
    assert [len(chain) for chain in follow(frames(18))] == [12, 12]


def test_limits_come_from_the_strip_where_there_is_one():
    strip = Strip(polygon_px=np.zeros((4, 2)), speed_px_s=(100.0, 200.0))
    assert limits_of(SIZE, 1 / RATE, strip).speed_px_s == (100.0, 200.0)
    assert LIMITS.speed_px_s == pytest.approx((60.0, 0.4 * 640 * 60))


def test_moved_and_smooth():
    time_s = np.arange(20) / RATE
    line = np.column_stack([600.0 * time_s, 100.0 * time_s])
    rng = np.random.default_rng(1)
    assert moved(line, time_s, LIMITS)
    assert smooth(line, time_s, LIMITS)
    assert not moved(0.01 * line, time_s, LIMITS)
    assert not moved(np.vstack([line[:10], line[9::-1]]), time_s, LIMITS)
    assert not smooth(line + rng.normal(0, 20, line.shape), time_s, LIMITS)


def test_a_craft_that_flew_into_a_chain_of_noise_is_cut_out_of_it():
    rng = np.random.default_rng(8)
    noise = [spot(k, xy) for k, xy in enumerate(rng.uniform((50, 50), (400, 300), (9, 2)))]
    craft = [spot(9 + k, (20.0 + 9.0 * k, 80.0 + 1.0 * k)) for k in range(40)]
    runs = steady_runs([*noise, *craft])
    assert max(runs, key=len) == craft
    whole = steady_runs(craft)
    assert [len(run) for run in whole] == [40]


def test_a_chain_does_not_run_on_into_clutter_after_the_craft_has_left():
    rng = np.random.default_rng(11)
    frames = []
    for k in range(60):
        clutter = [spot(k, xy, peak=40.0) for xy in rng.uniform((0, 0), SIZE, (5, 2))]
        craft = [spot(k, (20.0 + 18.0 * k, 80.0 + 0.4 * k))] if k < 33 else []
        frames.append([*craft, *clutter])
    chains = follow(frames)
    longest = max(chains, key=len)
    assert len(longest) >= 30
    assert all(one.peak == 60.0 for one in longest)


def test_a_straight_way_is_looked_for_closely_across_and_widely_along():
    follower, chains = Follower(LIMITS), []
    for k in range(14):
        follower.offer(k / RATE, [spot(k, (40.0 + 16.0 * k, 100.0))])
    chain = follower._chains[0]
    chain.predict(24 / RATE)
    assert np.isfinite(chain.cost(spot(24, (40.0 + 16.0 * 24, 104.0))))
    assert np.isinf(chain.cost(spot(24, (40.0 + 16.0 * 24, 160.0))))
    assert chains == []


def test_a_light_joined_to_another_opens_no_way_to_one_of_two_frames_before():
    """A streak of 40 px is none of a lamp that flies 16 px in a frame."""
    follower = Follower(LIMITS)
    for k in range(30):
        half = (20.0, 0.0) if k % 4 == 3 else (1.0, 0.0)
        follower.offer(k / RATE, [spot(k, (40.0 + 16.0 * k, 100.0), half=half)])
    chain = follower._chains[0]
    chain.predict(30 / RATE)
    assert np.isfinite(chain.cost(spot(30, (40.0 + 16.0 * 30, 100.0))))
    assert np.isinf(chain.cost(spot(30, (40.0 + 16.0 * 28, 100.0))))


def test_many_rough_spots_along_a_way_are_followed_for_their_lights():
    rng = np.random.default_rng(2)
    off = rng.uniform(-8.0, 8.0, 24)
    frames = [
        [spot(k, (40.0 + 16.0 * k + off[k], 100.0), half=(5.0, 0.0))] for k in range(len(off))
    ]
    (chain,) = follow(frames)
    xy, time_s = (np.array([getattr(one, name) for one in chain]) for name in ("xy_px", "time_s"))
    assert not smooth(xy, time_s, LIMITS)
    assert len(chain) >= 18
    assert follow(frames[:13]) == []


def consistency(runs, **more):
    """Return the mean NIS and the mean NEES at the end of some runs."""
    rng = np.random.default_rng(11)
    lone = [drawn(rng, **more) for _ in range(runs)]
    return np.mean([np.mean(log.nis) for log, _ in lone]), np.mean([nees for _, nees in lone])


def test_the_filter_is_as_sure_as_it_says():
    """Chi-square: NEES of 4 states, 50 runs, 95 % (Bar-Shalom); NIS of 50 x 36 steps, 99 %."""
    nis, nees = consistency(50)
    low, high = chi2.ppf([0.005, 0.995], 2 * 50 * 36) / (50 * 36)
    assert low < nis < high
    assert 3.255 < nees < 4.821
    assert consistency(10, rough=1.5)[0] > high  # and the check can fail
