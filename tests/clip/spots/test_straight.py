"""The picture of a straight, nearly steady flight."""

from __future__ import annotations

import numpy as np
import pytest

from vidspeed.clip.spots.straight import on_way, place_at, way_of


def flown(count=40, near_m=20.0, accel=0.0, rate=60.0):
    """Return times and places of a steady flight past a camera that looks at it at an angle."""
    time = np.arange(count) / rate
    x = -25.0 + 70.0 * time + 0.5 * accel * time**2
    ahead = near_m + 0.6 * (x + 25.0)
    return time, np.column_stack([480.0 + 600.0 * x / ahead, 270.0 - 600.0 * 2.0 / ahead])


def test_perspective_is_no_bend():
    time, xy = flown()
    way = way_of(time, xy)
    assert np.abs(place_at(way, time) - xy).max() < 0.01
    later, there = flown(48)
    assert np.abs(place_at(way, later[-1:]) - there[-1]).max() < 0.5


def test_a_craft_that_speeds_up_is_on_its_way():
    time, xy = flown(accel=15.0)
    assert on_way(way_of(time, xy), time, xy).all()


@pytest.mark.parametrize("share", [0.1, 0.2])
def test_places_far_off_are_told(share):
    rng = np.random.default_rng(4)
    time, xy = flown()
    xy = xy + rng.normal(0.0, 0.3, xy.shape)
    wrong = rng.permutation(len(time))[: int(share * len(time))]
    spoiled = xy.copy()
    spoiled[wrong] += rng.choice([-1.0, 1.0], (len(wrong), 2)) * rng.uniform(
        15, 80, (len(wrong), 2)
    )
    on = on_way(way_of(time, spoiled), time, spoiled)
    assert set(np.flatnonzero(~on)) == set(wrong)


def test_few_places_are_a_straight_line():
    time = np.array([0.0, 0.1])
    way = way_of(time, np.array([[0.0, 0.0], [10.0, 5.0]]))
    assert np.allclose(place_at(way, np.array([0.2])), [[20.0, 10.0]])
