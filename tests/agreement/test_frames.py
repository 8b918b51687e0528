"""Merged exposures, a lamp seen twice, rates and playback that change: noticed by the lights."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import evening, flown
from vidspeed.agreement.exposure import exposures
from vidspeed.agreement.frames import check_frames, rate_change, seen_again, speed_jumps
from vidspeed.motion.flight import take

from .test_exposure import filmed as exposed
from .test_exposure import steady


def a_track(seed=2):
    return flown(evening(seed, 1), speed_mps=100.0)[0][0].track


def slice_of(track, which):
    return take(track, np.isin(np.arange(len(track)), np.arange(len(track))[which]))


def test_streaks_longer_than_the_way_between_frames_are_no_single_exposure():
    flight, _, _, _ = exposed(evening(7, 1), steady(1.9 / 60.0))
    check = check_frames(flight, exposures(flight), [[]])
    assert check.status == "warn"
    assert "1.91 times as long as the way to the next frame" in check.detail


def test_a_shutter_that_is_open_all_the_time_merges_nothing():
    flight, _, _, _ = exposed(evening(8, 1), steady(0.995 / 60.0))
    assert check_frames(flight, exposures(flight), [[]]).status == "ok"


def test_a_lamp_that_is_there_twice_in_each_frame_is_one_lamp():
    track = a_track()
    velocity = np.gradient(track.xy_px, track.time_s, axis=0)
    ahead = replace(track, xy_px=track.xy_px + 0.006 * velocity)
    assert seen_again(track, ahead) == pytest.approx(0.006, rel=0.1)
    assert seen_again(ahead, track) == pytest.approx(-0.006, rel=0.1)
    assert seen_again(track, track) is None
    beside = replace(track, xy_px=ahead.xy_px + np.array([0.0, 30.0]))
    assert seen_again(track, beside) is None
    slower = replace(track, xy_px=track.xy_px[0] + 0.6 * (track.xy_px - track.xy_px[0]))
    assert seen_again(track, slower) is None
    later = replace(ahead, frame=ahead.frame + 1000)
    assert seen_again(track, later) is None


def test_a_rate_that_changes_for_good_is_noticed_and_a_missing_frame_is_not():
    track = a_track()
    half = len(track) // 2
    thinned = np.concatenate([np.arange(half), np.arange(half + 1, len(track), 2)])
    slower = take(track, np.isin(np.arange(len(track)), thinned))
    slower = replace(slower, frame=np.arange(len(slower)))
    change = rate_change(slower)
    assert change.before_s == pytest.approx(1 / 60.0, rel=0.02)
    assert change.after_s == pytest.approx(2 / 60.0, rel=0.02)
    assert change.time_s == pytest.approx(track.time_s[half - 1], abs=1e-9)
    missing = take(track, np.arange(len(track)) != half)
    assert rate_change(replace(missing, frame=np.arange(len(missing)))) is None
    blinks = take(track, np.arange(len(track)) % 2 == 0)  # the frames are all there
    assert rate_change(blinks) is None
    assert rate_change(track) is None


def slowed(track, factor, first, last):
    """Return a track whose lights from `first` to `last` are stamped `factor` times too slowly."""
    steps = np.diff(track.time_s)
    steps[first:last] *= factor
    time = track.time_s[0] + np.concatenate([[0.0], np.cumsum(steps)])
    return replace(track, time_s=time)


@pytest.mark.parametrize("factor", [2.0, 4.0, 8.0])
def test_a_part_that_plays_slowly_is_found_within_a_track_and_between_two(factor):
    track = a_track(5)
    mixed = slowed(track, factor, 12, 28)
    jump, back = speed_jumps([mixed])
    assert jump.factor == pytest.approx(1.0 / factor, rel=0.2)
    assert jump.time_s == pytest.approx(mixed.time_s[12], abs=0.05)
    assert "slowly at once" in jump.words()
    assert back.factor == pytest.approx(factor, rel=0.2) and "fast at once" in back.words()
    parts = [slice_of(mixed, slice(0, 12)), slice_of(mixed, slice(14, 28))]
    (jump,) = speed_jumps(parts)
    assert jump.factor == pytest.approx(1.0 / factor, rel=0.2)


def test_perspective_and_braking_are_no_jump():
    for seed in range(12):
        assert speed_jumps([a_track(20 + seed)]) == []
    oblique = flown(
        evening(4, 1, stands=([-30.0, -40.0, 1.7],), focal_u_px=5.0), speed_mps=140.0, offset_m=0.0
    )[0][0].track
    assert speed_jumps([oblique]) == []


def test_small_steps_that_noise_makes_unequal_are_no_jump():
    """A lamp that crosses a small picture at 240 frames a second steps by hardly its own noise."""
    rng = np.random.default_rng(3)
    time_s = np.arange(500) / 240.0
    steady_px = np.column_stack([80.0 + 150.0 * time_s, 400.0 + 0.0 * time_s])
    track = a_track()
    noisy = replace(
        take(track, np.arange(500) % len(track)),
        time_s=time_s, frame=np.arange(500), xy_px=steady_px + rng.normal(0.0, 0.4, (500, 2)),
        cov_px2=np.tile(0.16 * np.eye(2), (500, 1, 1)),
    )  # fmt: skip
    assert speed_jumps([noisy]) == []
    trusting = replace(noisy, cov_px2=np.tile(0.0025 * np.eye(2), (500, 1, 1)))
    assert speed_jumps([trusting]) == []  # the scatter tells it, too
    jump, _ = speed_jumps([slowed(replace(trusting, xy_px=steady_px), 4.0, 200, 300)])
    assert jump.factor < 0.4
