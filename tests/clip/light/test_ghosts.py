"""What a coder kept of a brighter lamp's lights is no part of another's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.clip.spots.test_follow import spot
from vidspeed.clip.light.ghosts import without_ghosts, without_remains
from vidspeed.clip.light.lamp import Light
from vidspeed.values import Track


def light(frame, xy, peak):
    return Light(
        spot=spot(frame, xy, peak), xy_px=np.array(xy), cov_px2=0.1 * np.eye(2), streak_px=None,
        streak_u_px=None, angle_rad=None, peak=peak, snr=peak / 2.0, fill=None,
    )  # fmt: skip


def place(frame):
    return 20.0 + 14.0 * frame, 90.0 + 0.5 * frame


def frames(lamp):
    return [one.spot.frame for one in lamp]


def test_a_chain_from_remains_to_a_craft_keeps_the_craft_only():
    early = [light(k, place(k), 60.0) for k in range(10, 50)]
    remains = [light(k, place(k - 2), 30.0) for k in (18, 22, 26, 27, 38)]
    late = [light(k, place(k), 62.0) for k in range(50, 70)]
    first, second = without_remains([early, [*remains, *late]])
    assert frames(first) == list(range(10, 50))
    assert frames(second) == list(range(50, 70))


def test_remains_ahead_of_a_craft_are_no_lamp():
    craft = [light(k, place(k), 60.0) for k in range(40)]
    ahead = [light(k, place(k + 3), 18.0) for k in range(2, 30, 4)]
    assert [len(lamp) for lamp in without_remains([craft, ahead])] == [40, 0]


def test_a_second_lamp_is_none_of_the_first_one_s_remains():
    craft = [light(k, place(k), 60.0) for k in range(40)]
    behind = [light(k, place(k - 1), 30.0) for k in range(40)]
    equal = [light(k, place(k - 2), 55.0) for k in range(0, 40, 3)]
    beside = [light(k, np.add(place(k - 2), (0.0, 6.0)), 20.0) for k in range(0, 40, 3)]
    for other in (behind, equal, beside):
        assert [len(lamp) for lamp in without_remains([craft, other])] == [40, len(other)]


def test_a_flare_of_a_lamp_that_is_white_over_much_is_one_however_bright_it_looks():
    """How far beyond white such a lamp goes nobody knows; its flare may be as bright as is seen."""
    frame = np.arange(20)
    size = (1280, 720)
    xy = np.array([place(k) for k in frame])
    lamp = Track(
        frame=frame, time_s=frame / 60.0, xy_px=xy, cov_px2=np.tile(0.1 * np.eye(2), (20, 1, 1)),
        row=xy[:, 1] / 720.0, time_u_s=np.zeros(20), streak_px=np.full(20, np.nan),
        streak_u_px=np.full(20, np.nan), streak_angle_rad=np.full(20, np.nan),
        peak=np.full(20, 193.0), snr=np.full(20, 60.0), wide=True,
    )  # fmt: skip
    flare = replace(lamp, xy_px=np.array(size) - 1.0 - xy, peak=np.full(20, 240.0), wide=False)
    assert without_ghosts([lamp, flare], size) == [lamp]
    two = [replace(lamp, wide=False), flare]  # how bright the first is is known
    assert without_ghosts(two, size) == two
    both = [lamp, replace(flare, wide=True)]
    assert without_ghosts(both, size) == both
