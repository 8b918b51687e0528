"""The tripod's shaking, taken out of the lights by the fixed background."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vidspeed.assembly.steadied import steadied
from vidspeed.values import Sway, Track

TIME = np.arange(90) / 60.0
HEIGHT = 540


def wave(time_s, size=3.0, hertz=4.0):
    turn = 2.0 * np.pi * hertz * time_s
    return size * np.column_stack([np.sin(turn), 0.5 * np.cos(1.3 * turn)])


def sway(noise=0.1, pieces=9, seen=None, readout_s=0.0):
    rng = np.random.default_rng(2)
    places = rng.uniform([20, 20], [940, 520], (pieces, 2))
    moments = TIME[:, None] + readout_s * places[None, :, 1] / HEIGHT
    away = np.stack([wave(moments[:, k]) for k in range(pieces)], axis=1)
    away += rng.normal(0.0, noise, away.shape)
    if seen is not None:
        away[~seen] = np.nan
    return Sway(time_s=TIME, places_px=places, away_px=away, replaced=np.zeros(len(TIME)))


def track(readout_s=0.0):
    frames = np.arange(20, 60)
    row = np.full(len(frames), 0.4)
    calm = np.column_stack([20.0 + 20.0 * np.arange(len(frames)), np.full(len(frames), 200.0)])
    nothing = np.full(len(frames), np.nan)
    shaken = calm + wave(TIME[frames] + readout_s * row)
    return calm, Track(
        frame=frames, time_s=TIME[frames], xy_px=shaken, row=row,
        cov_px2=np.tile(0.01 * np.eye(2), (len(frames), 1, 1)), time_u_s=np.zeros(len(frames)),
        streak_px=nothing, streak_u_px=nothing, streak_angle_rad=nothing,
        peak=np.full(len(frames), 50.0), snr=np.full(len(frames), 20.0),
    )  # fmt: skip


@pytest.mark.parametrize("readout_s", [0.0, 0.016, 0.033])
def test_what_is_left_is_as_large_as_is_said(readout_s):
    calm, shaken = track(readout_s)
    seen = sway(readout_s=readout_s)
    (found,) = steadied([shaken], seen, seen.places_px[:, 1] / HEIGHT, readout_s)
    left = found.xy_px - calm - (found.xy_px - calm).mean(axis=0)
    assert np.abs(shaken.xy_px - calm).max() > 2.0
    assert np.sqrt(np.mean(left**2)) < 0.12
    added = found.cov_px2 - shaken.cov_px2
    u = np.sqrt(added[:, [0, 1], [0, 1]].mean())
    assert 0.5 * u < np.sqrt(np.mean(left**2)) < 3.0 * u


def test_lights_of_frames_without_background_get_all_of_the_shaking_as_uncertainty():
    seen = np.ones(len(TIME), dtype=bool)
    seen[30:40] = False
    _, shaken = track()
    (found,) = steadied([shaken], sway(seen=seen), np.full(9, 0.5), 0.0)
    u = np.sqrt(found.cov_px2[:, 0, 0])
    assert u[12:19].min() > 2.0
    assert u[:9].max() < 0.3


def test_a_picture_that_stood_still_and_was_looked_at_less_often_is_as_sure_as_any():
    """A fast camera in calm air, and a gust later: nothing of the gust is in the calm lights."""
    calm_s, gust_s = np.arange(0.0, 5.0, 8 / 240), np.arange(5.0, 8.0, 1 / 240)
    rng = np.random.default_rng(4)
    away = np.concatenate([np.zeros((len(calm_s), 2)), wave(gust_s)])
    away = away[:, None] + rng.normal(0.0, 0.05, (len(away), 9, 2))
    times = np.concatenate([calm_s, gust_s])
    seen = Sway(
        time_s=times, places_px=rng.uniform([20, 20], [940, 520], (9, 2)), away_px=away,
        replaced=np.zeros(len(times)),
    )  # fmt: skip
    _, flown = track()
    for begins_s in (2.0, 0.0, 5.5):
        there = replace(flown, time_s=begins_s + np.arange(len(flown)) / 240)
        (found,) = steadied([there], seen, np.full(9, 0.5), 0.0)
        u = np.sqrt((found.cov_px2 - there.cov_px2)[:, [0, 1], [0, 1]])
        assert u.max() < 0.1, begins_s


def test_the_mean_place_is_that_over_time_however_often_the_picture_was_looked_at():
    calm_s, leaning_s = np.arange(0.0, 9.0, 8 / 240), np.arange(9.0, 10.0, 1 / 240)
    times = np.concatenate([calm_s, leaning_s])
    away = np.where(times[:, None, None] >= 9.0, 2.0, 0.0) * np.ones((1, 9, 2))
    places = np.random.default_rng(4).uniform([20, 20], [940, 520], (9, 2))
    seen = Sway(time_s=times, places_px=places, away_px=away, replaced=np.zeros(len(times)))
    _, flown = track()
    there = replace(flown, time_s=4.0 + np.arange(len(flown)) / 240)
    (found,) = steadied([there], seen, np.full(9, 0.5), 0.0)
    assert np.allclose(found.xy_px - there.xy_px, 0.2, atol=0.02)  # a tenth of the time by 2 px


def test_a_light_of_its_own_is_not_background():
    moving = sway()
    moving.away_px.setflags(write=True)
    moving.away_px[:, 0] += 0.5 * np.arange(len(TIME))[:, None]
    calm, shaken = track()
    (found,) = steadied([shaken], moving, np.full(9, 0.5), 0.0)
    left = found.xy_px - calm - (found.xy_px - calm).mean(axis=0)
    assert np.sqrt(np.mean(left**2)) < 0.12


def test_too_little_background_changes_nothing():
    _, shaken = track()
    assert steadied([shaken], sway(pieces=1), np.full(1, 0.5), 0.0)[0] is shaken


def test_rows_far_from_the_background_are_as_uncertain_as_the_read_out():
    _, shaken = track(0.02)
    seen = sway(readout_s=0.02)
    rows = seen.places_px[:, 1] / HEIGHT
    (known,) = steadied([shaken], seen, rows, 0.02)
    (doubted,) = steadied([shaken], seen, rows, 0.02, 0.01)
    more = np.sqrt((doubted.cov_px2 - known.cov_px2)[:, [0, 1], [0, 1]].sum(axis=1))
    rate = np.linalg.norm(np.gradient(wave(TIME), TIME, axis=0), axis=1)[20:60]
    assert more == pytest.approx(0.01 * abs(0.4 - rows.mean()) * rate, rel=0.3, abs=0.02)
    assert np.array_equal(known.xy_px, doubted.xy_px)
