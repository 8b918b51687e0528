"""A short track is told from lights that are others'."""

from __future__ import annotations

import numpy as np
import pytest

from vidspeed.clip.light.strays import MOST, of_one_way, together

RATE, WIDTH = 60.0, 960.0
U = 0.5


def flown(frame, *, speed=1700.0, looms=0.0):
    """Return places of a steady flight in perspective, (n, 2)."""
    t = (np.asarray(frame) - frame[0]) / RATE
    return np.column_stack([100.0 + speed * t, 200.0 + 30.0 * t]) / (1.0 + looms * t)[:, None]


def kept(frame, xy, u=U):
    cov = np.tile(u**2 * np.eye(2), (len(frame), 1, 1))
    frame = np.asarray(frame)
    own = np.flatnonzero(of_one_way(frame / RATE, xy, cov, WIDTH))
    found = np.zeros(len(frame), dtype=bool)
    found[own[together(frame[own])]] = True
    return found


def test_strays_at_both_ends_of_a_short_track_are_left_out():
    frame = [30, 31, 32, 33, 34, 36, 41]
    for seed in range(10):
        xy = flown(frame, looms=0.8) + np.random.default_rng(seed).normal(0.0, U, (7, 2))
        xy[0] += [-16.0, 3.0]
        xy[-1] += [-27.0, 0.0]
        assert kept(frame, xy).tolist() == [False, True, True, True, True, True, False]


def test_one_stray_within_a_track_is_left_out():
    frame = np.arange(10)
    xy = flown(frame)
    xy[4] += [0.0, 9.0]
    assert np.flatnonzero(~kept(frame, xy)).tolist() == [4]


@pytest.mark.parametrize("looms", [-0.8, 0.0, 0.8])
def test_lights_that_err_as_they_say_are_kept(looms):
    rng = np.random.default_rng(3)
    lost = total = 0
    for _ in range(40):
        frame = np.cumsum(rng.integers(1, 4, rng.integers(6, MOST + 1)))
        speed = rng.uniform(300.0, 1700.0)
        xy = flown(frame, speed=speed, looms=looms) + rng.normal(0.0, U, (len(frame), 2))
        lost += int(np.sum(~kept(frame, xy)))
        total += len(frame)
    assert lost <= 0.005 * total


def test_a_single_light_long_before_or_after_the_others_is_left_out():
    """One that a coder left ahead of its lamp, sixteen frames before, made a speed 3 % wrong."""
    frame = np.array([13, 29, 31, 33, 34, 35, 36, 37, 38, 40])
    assert np.flatnonzero(~together(frame)).tolist() == [0]
    assert np.flatnonzero(~together(np.array([3, 11, 20, 21, 22, 23, 24, 40]))).tolist() == [
        0,
        1,
        7,
    ]
    assert together(np.array([13, 14, 26, 27, 39, 40, 53])).all()  # flashes
    assert together(np.array([3, 4, 30, 31, 32, 33, 34, 60, 61])).all()  # no single ones
    assert together(np.array([2, 5, 9, 12, 14, 19, 25])).all()  # seen now and then


def test_what_has_no_way_and_what_is_long_is_left_whole():
    rng = np.random.default_rng(5)
    assert kept(np.arange(8), rng.uniform(0.0, 900.0, (8, 2))).all()
    xy = flown(np.arange(MOST + 1), speed=300.0)
    xy[0] += 40.0
    assert kept(np.arange(MOST + 1), xy).all()
