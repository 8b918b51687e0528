"""Sounds of which the truth is known: what is heard, and where nothing may be. Full counts:
tests/bench/agreement.py.
"""

from dataclasses import replace

import numpy as np
import pytest

from tests.bench.agreement import KINDS, drawn, listened
from tests.bench.bench_sound import RATE_HZ, Fly, sound_of, through_aac
from vidspeed.agreement.arrival import pitch
from vidspeed.agreement.doppler import _wavering
from vidspeed.agreement.hearing import hear
from vidspeed.agreement.tails import SEVERAL
from vidspeed.agreement.tones import follow
from vidspeed.values import Around, Flyby

STATED = Around(sound_mps=343.2, sound_u_mps=1.0)


def heard_of(samples, start_s=0.0, **how):
    return hear(samples, RATE_HZ, start_s, around=STATED, **how)


def test_a_craft_in_noise_through_a_phone_codec():
    fly = Fly(120.0, 25.0, 2.0, [1300.0, 2600.0], [16.0, 13.0], slope_per_s=-0.03, wind_mps=3.0)
    samples, start_s = through_aac(sound_of([fly], 4.0, np.random.default_rng(4)), 96_000)
    found = heard_of(samples, start_s)
    assert len(found.heard) == 1, found.reason
    row = found.heard[0]
    assert abs(row.speed_mps - 120.0) < 3.0 * row.speed_u_mps
    assert row.speed_u_mps < 0.03 * row.speed_mps
    assert abs(row.flyby.distance_m - 25.0) < 3.5 * row.distance_u_m
    assert abs(row.flyby.moment_s - 2.0) < 4.0 * row.moment_u_s + 2e-3
    assert row.heard_s[0] < 1.5 and row.heard_s[1] > 2.6


def test_noise_is_no_craft():
    found = heard_of(sound_of([], 4.0, np.random.default_rng(5)))
    assert not found.heard
    assert "no tone stands out" in found.reason
    assert found.level_db.shape == (len(found.time_s), len(found.frequency_hz))


def test_a_hum_is_no_craft():
    hum = Fly(1e-3, 30.0, 2.0, [1500.0, 3000.0], [25.0, 20.0])
    assert heard_of(sound_of([hum], 4.0, np.random.default_rng(6))).heard == ()


def test_a_high_tone_and_then_a_low_one_are_no_craft():
    high = Fly(1e-3, 30.0, 1.0, [1800.0, 3600.0], [25.0, 22.0], heard_s=0.65)
    low = Fly(1e-3, 30.0, 3.0, [1200.0, 2400.0], [25.0, 22.0], heard_s=0.65)
    samples = sound_of([high, low], 4.0, np.random.default_rng(10))
    assert heard_of(samples, within_s=(1.7, 2.3)).heard == ()


def test_too_short_to_listen_to():
    for seconds in (0.0, 0.01, 0.2):
        assert heard_of(np.zeros(round(seconds * RATE_HZ))).heard == ()


def test_silence_is_no_craft():
    assert heard_of(np.zeros(4 * RATE_HZ)).heard == ()


def test_two_craft_are_told_apart():
    rng = np.random.default_rng(7)
    first = Fly(110.0, 20.0, 1.6, [1300.0, 2600.0], [18.0, 15.0], heard_s=0.7)
    second = Fly(75.0, 30.0, 4.0, [1700.0, 3400.0], [18.0, 15.0], heard_s=0.9)
    samples = sound_of([first, second], 5.6, rng)
    both = heard_of(samples).heard
    assert len(both) == 2
    for row, true_mps in zip(both, (110.0, 75.0), strict=True):
        assert abs(row.speed_mps - true_mps) < 3.5 * row.speed_u_mps
    alone = heard_of(samples, within_s=(1.4, 2.0)).heard
    assert len(alone) == 1
    assert abs(alone[0].speed_mps - 110.0) < 3.5 * alone[0].speed_u_mps


@pytest.mark.parametrize("number", [42, 46])
def test_one_that_is_heard_with_another_before_or_after_gives_no_wrong_figure(number):
    """Cases of the bench in which a fit took the tones of both for one, 4 and 7 u off."""
    kind = "second craft"
    case = drawn(KINDS[kind], np.random.default_rng([1, *kind.encode(), number]))
    found = listened(case)
    assert all(abs(row.speed_mps - case.fly.speed_mps) < 4 * row.speed_u_mps for row in found.heard)
    assert found.heard or found.reason == SEVERAL


def test_something_slower_than_the_craft_is_not_the_craft():
    fly = Fly(60.0, 15.0, 2.0, [1300.0, 2600.0], [20.0, 17.0])
    found = heard_of(sound_of([fly], 4.0, np.random.default_rng(8)), speed_mps=(100.0, 150.0))
    assert not found.heard
    assert "km/h" in found.reason


def test_following_measures_how_far_a_tone_is_off():
    fly = Fly(100.0, 20.0, 1.0, [1500.0], [25.0])
    samples = sound_of([fly], 2.0, np.random.default_rng(9))
    true = Flyby(speed_mps=100.0, distance_m=20.0, moment_s=1.0)
    row = follow(samples, RATE_HZ, 0.0, true, np.array([1500.0 - 12.0]), 60.0)
    middle = np.abs(row.time_s - 1.0) < 0.6
    away = 12.0 * pitch(true, row.time_s[middle])
    z = (row.off_hz[middle, 0] - away) / row.u_hz[middle, 0]
    assert row.used[middle, 0].mean() > 0.95
    assert 0.6 < np.sqrt(np.nanmean(z**2)) < 1.5


def test_a_path_that_bends_is_not_taken_for_one_that_bends_the_other_way():
    """Both sound nearly alike, at speeds that differ by distance times bend over speed."""
    stated = replace(STATED, wind_u_mps=0.1, sound_u_mps=0.1)
    for bend_mps2 in (-7.0, 7.0):
        fly = Fly(90.0, 30.0, 2.2, [1500.0, 3000.0], [20.0, 17.0], bend_mps2=bend_mps2)
        samples = sound_of([fly], 4.4, np.random.default_rng(11))
        (row,) = hear(samples, RATE_HZ, 0.0, around=stated, within_s=(1.9, 2.6)).heard
        apart_mps = 30.0 * bend_mps2 / (2.0 * 90.0)
        assert row.speed_mps - 90.0 == pytest.approx(apart_mps, abs=0.5 * abs(apart_mps))
        assert row.speed_u_mps > 0.9 * 30.0 * 3.0 / (2.0 * 90.0)


def test_a_pitch_that_wavers_is_not_believed_where_it_is_loud():
    """Its scatter then is no noise of the windows, and the best heard are off as much as others."""
    rng = np.random.default_rng(3)
    off = 0.002 * rng.normal(size=(60, 1))
    log_u = np.where(np.arange(60)[:, None] % 2, 2e-4, 2e-3)
    own = _wavering(off / log_u, log_u, np.ones((60, 1), bool))
    assert own[1::2].mean() > 8.0
    assert own[::2].mean() < 2.0
    assert np.sqrt(np.mean((off / (log_u * own)) ** 2)) == pytest.approx(1.0, abs=0.1)


def test_what_a_sound_tells_is_its_fit_without_what_was_known_of_the_air():
    fly = Fly(100.0, 25.0, 2.0, [1500.0, 3000.0], [20.0, 17.0])
    (row,) = heard_of(sound_of([fly], 4.0, np.random.default_rng(12))).heard
    known = row.told.information.copy()
    u = (STATED.accel_u_mps2, STATED.bend_u_mps2, STATED.wind_u_mps, STATED.sound_u_mps)
    known[3:, 3:] += np.diag(1.0 / np.square(u))
    spread = np.linalg.inv(known)
    at = [0, 1, 2, 4, 5, 6, 7]
    scale = np.array([row.speed_mps, row.flyby.distance_m, *5 * (1.0,)])
    assert np.allclose(spread * np.outer(scale, scale), row.covariance[np.ix_(at, at)], rtol=0.02)
