"""Lights that lie hundreds of standard uncertainties off the way of their neighbours."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import evening, flown
from vidspeed.motion.flight import Lit, solve
from vidspeed.motion.wild import tame


def moved(lit, at, by_px):
    """Return a sighting one of whose lights lies elsewhere, as surely placed as all others."""
    xy_px = lit.track.xy_px.copy()
    xy_px[at] += by_px
    sharp = np.tile(0.05**2 * np.eye(2), (len(xy_px), 1, 1))
    return Lit(clip=lit.clip, stand=lit.stand, track=replace(lit.track, xy_px=xy_px, cov_px2=sharp))


@pytest.mark.parametrize("by_px", [(60.0, 0.0), (0.0, 60.0), (9000.0, 0.0)])
def test_a_slip_of_the_hand_costs_its_own_light_only(by_px):
    scene = evening(12, 1)
    (lit,), truth = flown(scene, speed_mps=100.0)
    flight = solve(scene.session, [moved(lit, 9, by_px)], "1")
    assert not flight.used[0][9] and flight.used[0].sum() >= len(lit.track) - 1
    speed = 1.0 / abs(np.diff(flight.gate_times_s)[0]) * scene.session.course.length_m
    assert speed == pytest.approx(truth, rel=0.05)


def test_what_flies_past_is_not_wild():
    """The nearest light of a pass is four steps of the farthest away from its neighbours."""
    for seed in range(3):
        scene = evening(seed, 1, stands=([-8.0, -9.0, 1.7],), offset_m=0.0)
        track = moved(flown(scene, speed_mps=120.0)[0][0], 0, (0.0, 0.0)).track
        assert tame(track).all()


def test_a_track_that_is_wild_all_over_is_left_to_the_solution():
    (lit,), _ = flown(evening(3, 1), speed_mps=100.0)
    track = moved(lit, 0, (0.0, 0.0)).track
    rough = track.xy_px + np.random.default_rng(1).normal(0.0, 40.0, track.xy_px.shape)
    assert tame(replace(track, xy_px=rough)).all()
    assert tame(replace(track, xy_px=track.xy_px + 0.1)).all()
