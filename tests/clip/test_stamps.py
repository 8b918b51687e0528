"""What stamps say: gaps, repeats, coarse ticks, steps back."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from vidspeed.clip.stamps import account

TICK = Fraction(1, 90_000)


def test_even_stamps_are_exact_and_need_no_note():
    found = account(np.arange(50) * 1500, TICK)
    assert found.interval_s == pytest.approx(1 / 60, rel=1e-12)
    assert (found.stamp_u_s, found.spread_s, found.dropped, found.notes) == (0.0, 0.0, 0, ())


def test_ntsc_rates_are_not_rounded():
    found = account(np.arange(50) * 1001, Fraction(1, 60_000))
    assert 1 / found.interval_s == pytest.approx(60000 / 1001, rel=1e-12)


@pytest.mark.parametrize("denominator", [600, 1000])
def test_a_coarse_tick_is_an_uncertainty_over_root_twelve(denominator):
    true_s = np.arange(60) * 1001 / 30000
    found = account(np.rint(true_s * denominator).astype(np.int64), Fraction(1, denominator))
    assert found.stamp_u_s == pytest.approx(1 / denominator / np.sqrt(12))
    assert any("ticks" in note for note in found.notes)


def test_missing_frames_are_counted_and_steps_stay_exact():
    stamps = np.delete(np.arange(40) * 1500, [7, 8, 20])
    found = account(stamps, TICK)
    assert found.dropped == 3
    assert found.stamp_u_s == 0.0
    assert any("3 frames are missing" in note and "2 places" in note for note in found.notes)


def test_uneven_stamps_are_noted():
    rng = np.random.default_rng(1)
    stamps = np.cumsum(rng.integers(1350, 1650, 60))
    found = account(stamps, TICK)
    assert found.spread_s == pytest.approx(300 / np.sqrt(12) / 90_000, rel=0.2)
    assert any("uneven" in note for note in found.notes)


def test_stamps_that_go_back_are_not_used():
    stamps = np.arange(20) * 1500
    stamps[8], stamps[9] = stamps[9], stamps[8]
    found = account(stamps, TICK)
    assert found.usable.tolist() == [k != 9 for k in range(20)]
    assert any("do not go forward" in note and "frame 9" in note for note in found.notes)


def test_repeated_frames_are_found_by_their_content():
    changes = np.full(30, 1.2)
    changes[[11, 25]] = 0.01
    found = account(np.arange(30) * 1500, TICK, changes=changes)
    assert np.flatnonzero(found.repeated).tolist() == [11, 25]
    assert any("2 frames repeat" in note for note in found.notes)


def test_a_clip_that_hardly_changes_shows_no_repeats():
    found = account(np.arange(30) * 1500, TICK, changes=np.full(30, 0.001))
    assert not found.repeated.any()


@pytest.mark.parametrize(
    ("rate_hz", "noted"), [(240.0, False), (30.0, False), (100.0, True), (30.1, True)]
)
def test_a_stated_rate_that_contradicts_the_stamps_is_noted(rate_hz, noted):
    found = account(np.arange(30) * 3000, TICK, rate_hz=rate_hz)
    assert any("rate_hz" in note for note in found.notes) == noted
    assert found.stamp_u_s == 0.0
