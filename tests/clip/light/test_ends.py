"""Lengths of streaks that scatter tell of ends that cannot be trusted; ghosts are dropped."""

from __future__ import annotations

import numpy as np
import pytest

from vidspeed.clip.light.ends import excess_of_streaks, widened
from vidspeed.clip.light.fit import PARAMETERS, Fit
from vidspeed.clip.light.ghosts import without_ghosts
from vidspeed.clip.light.profile import HALF_X, WIDTH
from vidspeed.values import Track

U_PX = 0.05
SIZE = (640, 360)


def streaks(shake, count=60, half_px=8.0):
    rng = np.random.default_rng(2)
    fits = []
    for k in range(count):
        parameters = np.zeros(PARAMETERS)
        parameters[HALF_X] = half_px + 0.02 * k + shake * U_PX * rng.standard_normal()
        parameters[HALF_X + 1] = 1.0 + U_PX * rng.standard_normal()
        parameters[WIDTH] = 1.4
        none = np.zeros((1, 1))
        fits.append(
            Fit(
                parameters=parameters,
                inverse=none,
                slopes=none,
                residual=none,
                modelled=none,
                settled=True,
            )
        )
    return np.arange(count) / 60.0, fits, [np.eye(4) * U_PX**2] * count


def test_lengths_that_scatter_as_they_should_change_nothing():
    assert excess_of_streaks(*streaks(1.0)) == (1.0, 1.0)


def test_lengths_that_scatter_more_widen_along_the_streak_only():
    along, across = excess_of_streaks(*streaks(3.0))
    assert along == pytest.approx(3.0, rel=0.25)
    assert across == 1.0
    _, fits, spreads = streaks(0.0)
    wide = widened(spreads[0], fits[0], (3.0, 1.0))
    way = fits[0].parameters[[HALF_X, HALF_X + 1]]
    way = way / np.linalg.norm(way)
    turned = np.array([-way[1], way[0]])
    assert way @ wide[:2, :2] @ way == pytest.approx(9.0 * U_PX**2)
    assert turned @ wide[:2, :2] @ turned == pytest.approx(U_PX**2)


def test_points_have_no_ends():
    time_s, fits, spreads = streaks(5.0, half_px=0.5)
    assert excess_of_streaks(time_s, fits, spreads) == (1.0, 1.0)
    assert widened(spreads[0], fits[0], (3.0, 1.0)) is spreads[0]


def track(frames, xy, peak):
    count = len(frames)
    some = np.ones(count)
    return Track(
        frame=np.array(frames),
        time_s=np.array(frames) / 60.0,
        xy_px=np.array(xy, dtype=float),
        cov_px2=np.tile(np.eye(2), (count, 1, 1)),
        row=some,
        time_u_s=some,
        streak_px=some,
        streak_u_px=some,
        streak_angle_rad=some,
        peak=peak * some,
        snr=some,
    )


def test_a_faint_follower_is_a_ghost_and_a_second_craft_is_not():
    frames = list(range(30))
    craft = track(frames, [(10.0 * k, 100.0) for k in frames], 150.0)
    ghost = track(frames[2:10], [(10.0 * (k - 2), 108.0) for k in frames[2:10]], 8.0)
    bright = track(frames[2:10], [(10.0 * (k - 2), 108.0) for k in frames[2:10]], 90.0)
    apart = track(frames[2:10], [(10.0 * (k - 2), 160.0) for k in frames[2:10]], 8.0)
    assert without_ghosts([craft, ghost], SIZE) == [craft]
    assert without_ghosts([craft, bright], SIZE) == [craft, bright]
    assert without_ghosts([craft, apart], SIZE) == [craft, apart]


def test_what_averaging_over_frames_keeps_of_a_lamp_is_its_ghost_and_a_second_lamp_is_not():
    frames = list(range(30))
    craft = track(frames, [(20.0 * k, 100.0) for k in frames], 220.0)
    trail = track(frames[4:], [(20.0 * (k - 1) + 0.7, 99.5) for k in frames[4:]], 110.0)
    merged = track(frames[4:], [(20.0 * (k - 1), 100.0) for k in frames[4:]], 190.0)
    behind = track(frames[4:], [(20.0 * k - 13.0, 100.0) for k in frames[4:]], 110.0)
    ahead = track(frames[:-4], [(20.0 * (k + 1), 100.0) for k in frames[:-4]], 110.0)
    assert without_ghosts([craft, trail], SIZE) == [craft]
    for second in (merged, behind, ahead):
        assert without_ghosts([craft, second], SIZE) == [craft, second]


def test_a_faint_craft_that_goes_past_a_bright_one_on_its_line_is_no_ghost():
    rng = np.random.default_rng(5)
    frames = list(range(64))
    bright = track(frames, [(900.0 - 10.0 * k, 100.0) for k in frames], 220.0)
    flown = np.array([(950.0 - 11.5 * k - 0.01 * k**2, 108.0) for k in frames])
    past = track(frames, flown + rng.normal(0.0, 0.5, flown.shape), 12.0)
    assert without_ghosts([bright, past], SIZE) == [bright, past]
    late = rng.choice([1, 2, 4], len(frames))
    jumping = track(frames, [(900.0 - 10.0 * (k - n), 104.0) for k, n in enumerate(late)], 12.0)
    growing = track(frames, [(900.0 - 10.0 * (k - k // 16), 104.0) for k in frames], 12.0)
    for ghost in (jumping, growing):
        assert without_ghosts([bright, ghost], SIZE) == [bright]


def test_a_fainter_track_mirrored_about_the_middle_is_a_flare_and_an_equal_one_is_not():
    frames = list(range(30))
    places = [(40.0 + 15.0 * k, 100.0 + k) for k in frames]
    mirrored = [(639.0 - x + 6.0, 359.0 - y - 4.0) for x, y in places]
    craft = track(frames, places, 150.0)
    assert without_ghosts([craft, track(frames, mirrored, 30.0)], SIZE) == [craft]
    both = [craft, track(frames, mirrored, 140.0)]
    assert without_ghosts(both, SIZE) == both
    aside = [craft, track(frames, [(x, y + 60.0) for x, y in mirrored], 30.0)]
    assert without_ghosts(aside, SIZE) == aside
