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


def test_taking_30_for_30000_over_1001_shows_as_the_factor_1_001():
    """ITU-R BT.601 and SMPTE practice: the true rate is 1000/1001 of its name."""
    stamps = np.arange(600) * 1001
    (note,) = account(stamps, Fraction(1, 30_000), rate_hz=30.0).notes
    assert "speeds differ by the factor 1.0010 between the two" in note
    assert "1001/1000" in note and "30000/1001" in note
    assert account(stamps, Fraction(1, 30_000), rate_hz=30_000 / 1001).notes == ()
    (note,) = account(stamps, Fraction(1, 30_000), rate_hz=240.0).notes
    assert "8 times the stamps say 239.7602" in note and "factor 1.0010" in note


def test_a_cameras_own_clock_is_no_contradiction():
    """A phone's "240" measured 239.981 (-79 ppm)."""
    stamps = np.rint(np.arange(900) * 90_000 / 239.981).astype(np.int64)
    assert account(stamps, TICK, rate_hz=240.0).notes == ()


def test_numbers_count_what_is_missing():
    found = account(np.delete(np.arange(40) * 1500, [7, 8, 20]), TICK)
    assert found.number.tolist() == np.delete(np.arange(40), [7, 8, 20]).tolist()


@pytest.mark.parametrize("ratio", [2, 4, 8, 32])
@pytest.mark.parametrize("jitter", [0.0, 0.02])
def test_segments_of_other_rates_are_found_and_nothing_is_missing_in_them(ratio, jitter):
    rng = np.random.default_rng(ratio)
    steps = np.repeat([300, 300 * ratio, 300], [50, 70, 60]) * (1 + rng.normal(0, jitter, 180))
    found = account(np.cumsum([0, *np.rint(steps).astype(int)]), TICK)
    assert [row.interval_s * 300 for row in found.segments] == pytest.approx(
        [1, ratio, 1], rel=0.02
    )
    assert [row.first for row in found.segments] == pytest.approx([0, 51, 121], abs=2)
    assert sum(row.frames for row in found.segments) == 181
    assert found.dropped == 0
    assert found.number.tolist() == list(range(181))
    assert any("the rate changes on the way" in note for note in found.notes)


def test_one_pause_is_no_segment():
    found = account(np.delete(np.arange(80) * 1500, range(30, 37)), TICK)
    assert len(found.segments) == 1
    assert found.dropped == 7


def test_stamps_without_any_order_are_only_uneven():
    """A recorder that takes a frame when it can: nobody can say what is missing."""
    steps = np.random.default_rng(2).integers(3, 12, 80)
    found = account(np.cumsum([0, *steps]), Fraction(1, 15))
    assert found.dropped == 0
    assert any("uneven" in note for note in found.notes)


def test_coarser_units_than_the_time_base_are_the_uncertainty():
    ticks = 1000 * np.rint(np.arange(60) * 1001 / 30.0).astype(np.int64)
    assert account(ticks, Fraction(1, 1_000_000)).stamp_u_s == pytest.approx(1e-3 / np.sqrt(12))


def test_stamps_that_lie_beyond_reason_break_nothing():
    """As a file with flipped bits has them: sums of such numbers overflow."""
    wild = np.array([0, 1500, 3000, (1 << 62), -(1 << 62), (1 << 63) - 1, 4500, 6000, 7500])
    found = account(wild, TICK)
    assert found.usable.tolist() == [True] * 4 + [False] * 5
    assert np.all(np.isfinite([found.interval_s, found.spread_s, found.stamp_u_s]))
    assert found.number[-1] >= 3


@pytest.mark.parametrize("rate_hz", [59.94, 119.88, 239.76, 480.0])
def test_whole_milliseconds_are_no_unevenness_and_hide_no_gap(rate_hz):
    """As Matroska keeps them: steps of 4 and 5 ms are an even 240 a second."""
    kept = np.delete(np.arange(600), [90, 91, 400])
    found = account(np.rint(kept * 1000 / rate_hz).astype(np.int64), Fraction(1, 1000))
    assert 1.0 / found.interval_s == pytest.approx(rate_hz, rel=2e-3)
    assert found.dropped == 3
    assert found.number.tolist() == kept.tolist()
    assert not any("uneven" in note for note in found.notes)
    assert any("ticks of 1 ms" in note for note in found.notes)


def test_two_steps_of_which_neither_is_near_the_median():
    """The shorter is the time between frames, and the longer a gap."""
    found = account(np.array([0, 17, 217]), Fraction(1, 1000))
    assert found.number.tolist() == [0, 1, 13]
