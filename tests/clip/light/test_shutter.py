"""How long the shutter is open: what lights of a flashing lamp prove, and what is stated."""

from __future__ import annotations

import numpy as np
import pytest

from tests.clip.light.lit import EXPOSURE_S, INTERVAL_S, seen
from vidspeed.clip.light.flashing import edges_of
from vidspeed.clip.light.shutter import dark_between, exposure_of

PAIRS = np.array([3 * k + j for k in range(10) for j in (0, 1)])


def exposure(lights, stated_s=None):
    before, after, _ = edges_of(lights.frame)
    return exposure_of(lights, (before | after) == 0, INTERVAL_S, stated_s)


def pairs(first, second):
    """Return lights of ten flashes that are seen in two frames each."""
    return seen(PAIRS, np.column_stack([first, second]).ravel())


@pytest.mark.parametrize("drift", [0.0, 0.1, 0.3, 0.5])
def test_cuts_that_drift_with_a_beat_prove_no_exposure(drift):
    """While both lights of a flash are cut, one grows by what the other loses."""
    first = 0.8 - drift * np.arange(10) / 9.0
    assert not exposure(pairs(first, 1.2 - first)).known


def test_a_light_that_stays_whole_while_the_other_shrinks_proves_the_exposure():
    found = exposure(pairs(np.ones(10), np.linspace(0.1, 0.9, 10)))
    assert found.known
    assert found.open_s == pytest.approx(EXPOSURE_S)


def test_a_light_between_lit_ones_proves_the_exposure_whatever_is_stated():
    lights = seen(np.array([0, 1, 2, 7, 8, 9]), np.array([0.4, 1.0, 0.7, 0.3, 1.0, 0.8]))
    assert exposure(lights).open_s == pytest.approx(EXPOSURE_S)
    assert exposure(lights, (0.014, 0.0001)) == exposure(lights)


@pytest.mark.parametrize(
    ("longest", "stated_s", "taken_s"),
    [
        (0.7, (0.010, 0.0002), 0.010),  # all cut alike
        (1.0, (0.010, 0.0002), 0.010),
        (1.0, (0.006, 0.0002), None),  # no light can be longer
        (1.0, (0.0099, 0.001), 0.01),
        (1.0, (0.02, 0.001), None),  # longer than from frame to frame
    ],
)
def test_single_lights_are_held_against_a_stated_exposure(longest, stated_s, taken_s):
    lights = seen(np.arange(0, 36, 3), np.linspace(longest - 0.3, longest, 12))
    found = exposure(lights, stated_s)
    assert found.known == (taken_s is not None)
    assert found.open_s == pytest.approx(taken_s or longest * EXPOSURE_S, rel=0.01)
    assert not exposure(lights).known


def test_pairs_that_agree_with_what_is_stated_are_believed_and_cut_ones_are_not():
    whole = pairs(np.ones(10), np.linspace(0.1, 0.9, 10))
    assert exposure(whole, (0.0105, 0.001)) == exposure(whole)
    assert exposure(whole, (0.014, 0.0002)).open_s == 0.014


def test_lights_between_lit_ones_that_are_cut_were_lit_by_two_flashes():
    whole = seen(np.r_[0:6, 9:15], np.r_[0.4, np.ones(4), 0.7, 0.3, np.ones(4), 0.5])
    assert not dark_between(whole)
    turns = np.where(np.arange(12) % 2, 0.9, 0.2)
    assert dark_between(seen(np.r_[0:12], turns))
    assert dark_between(seen(np.array([0, 2, 4, 5, 6, 8]), np.array([1, 1, 0.9, 0.1, 0.8, 1])))
