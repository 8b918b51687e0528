"""Exposure from streaks: how long, whether as stated, and what a change of it leaves open."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import evening, flown
from vidspeed.agreement.exposure import (
    check_exposure,
    deviation,
    exposure_of,
    exposures,
    streak_speed,
    widened,
)
from vidspeed.agreement.streak import Streaks
from vidspeed.motion.account import account
from vidspeed.motion.flight import Lit, solve
from vidspeed.values import Clip

FRAME_S = 1.0 / 60.0


def streaked(track, exposed_s, rng, u_px=0.1):
    """Return a track whose lights are streaks of `exposed_s` (n,), noise `u_px` on each length.

    They are a little too long, as the streaks of encoded clips are.
    """
    velocity = np.gradient(track.xy_px, track.time_s, axis=0)
    length = np.linalg.norm(velocity, axis=1) * exposed_s + u_px * rng.standard_normal(len(track))
    length += 0.25
    return replace(
        track,
        streak_px=length,
        streak_u_px=np.full(len(track), u_px),
        streak_angle_rad=np.arctan2(velocity[:, 1], velocity[:, 0]),
        interval_s=FRAME_S,
    )


def filmed(scene, exposed_s, stamp_at=0.5, **how):
    """Fly once with an exposure (function of 0 to 1 through the pass).

    A light is seen `stamp_at` exposures after what the stamp names: 1/2 for stamps that name the
    start, -1/2 for the end.
    """
    lit, truth = flown(scene, **how)
    seen = []
    for row in lit:
        track = row.track
        share = (track.time_s - track.time_s[0]) / np.ptp(track.time_s)
        exposed = exposed_s(share)
        marked = streaked(track, exposed, scene.rng)
        marked = replace(marked, time_s=track.time_s - stamp_at * exposed)
        seen.append(Lit(clip=row.clip, stand=row.stand, track=marked))
    flight = solve(scene.session, seen, "1")
    clips = [Clip(file=row.clip, camera=row.stand.camera.name) for row in seen]
    return flight, clips, account(scene.session, flight, clips, "1"), truth


def steady(exposure_s):
    return lambda share: np.full_like(share, exposure_s)


def test_the_exposure_comes_out_of_the_streaks():
    flight, _, _, _ = filmed(evening(3), steady(0.004))
    found = exposures(flight)
    assert len(found) == len(flight.lit) > 0
    for seen in found:
        assert abs(seen.exposure_s - 0.004) < 3.0 * seen.exposure_u_s
        assert seen.exposure_u_s < 0.0004
        assert not seen.changes and not seen.overlong


def test_a_lamp_that_moves_with_the_readout_draws_a_longer_streak():
    common = {"clip": "a", "camera": "n", "interval_s": FRAME_S}
    time = np.arange(12) * FRAME_S
    length = np.full(12, 10.0)
    plain = Streaks(
        time_s=time, length_px=length, length_u_px=0.05 + 0.0 * length,
        speed_px_s=np.full(12, 1000.0), held=np.ones(12), **common,
    )  # fmt: skip
    exposure_s = exposure_of(plain).exposure_s
    assert exposure_s == pytest.approx(0.010, rel=0.03)
    with_rows = replace(plain, held=np.full(12, 0.9))
    assert exposure_of(with_rows).exposure_s == pytest.approx(0.9 * exposure_s, rel=1e-6)


def test_points_tell_no_exposure_and_a_few_streaks_among_points_neither():
    flight, clips, _, _ = filmed(evening(3, 1), steady(0.004))
    track = flight.lit[0].track
    some = track.streak_px.copy()
    some[: len(some) // 2] = np.nan
    part = replace(flight, lit=(replace(flight.lit[0], track=replace(track, streak_px=some)),))
    assert exposures(part) == [None]
    check = check_exposure([None], clips, part)
    assert check.status == "ok" and "tell no exposure" in check.detail


def test_streaks_about_as_long_as_their_blur_is_wide_tell_an_exposure_badly():
    """Two pixels of way under a blur of one: five per cent of that are a sixth of the length."""
    flight, clips, result, _ = filmed(evening(3, 1), steady(0.004))
    track = flight.lit[0].track
    for length_px, u_of in ((2.0, (0.12, 0.25)), (20.0, (0.0, 0.03))):
        share = length_px / np.nanmedian(track.streak_px)
        shorter = replace(track, streak_px=share * track.streak_px)
        (seen,) = exposures(replace(flight, lit=(replace(flight.lit[0], track=shorter),)))
        stated = replace(clips[0], exposure_s=1.3 * seen.exposure_s, exposure_u_s=1e-6)
        assert u_of[0] < seen.exposure_u_s / seen.exposure_s < u_of[1]
        told = abs(streak_speed(result, [seen], [stated]).e_n) > 1.0
        assert told == (length_px > 10.0)


def test_points_where_the_stated_exposure_makes_streaks_are_said():
    flight, clips, _, _ = filmed(evening(3, 1), steady(0.004))
    track = replace(flight.lit[0].track, streak_px=np.full(len(flight.lit[0].track), np.nan))
    points = replace(flight, lit=(replace(flight.lit[0], track=track),))
    stated = [replace(clips[0], exposure_s=0.016, exposure_u_s=0.001)]
    check = check_exposure(exposures(points), stated, points)
    assert check.status == "warn" and "the lights are points" in check.detail
    short = [replace(clips[0], exposure_s=0.0005, exposure_u_s=0.0001)]
    assert check_exposure(exposures(points), short, points).status == "ok"


def test_a_stated_exposure_is_compared_and_gives_a_second_speed():
    flight, clips, result, truth = filmed(evening(4, 1), steady(0.004))
    found = exposures(flight)
    right = [replace(clips[0], exposure_s=0.004, exposure_u_s=0.0001)]
    wrong = [replace(clips[0], exposure_s=0.003, exposure_u_s=0.00005)]
    assert check_exposure(found, right, flight).status == "ok"
    assert "as stated (4.00 ms)" in check_exposure(found, right, flight).detail
    assert check_exposure(found, wrong, flight).status == "warn"
    assert "not as stated (3.00 ms)" in check_exposure(found, wrong, flight).detail
    assert deviation(found[0], wrong[0]) > 3.0
    assert "state lamp_u_m" in check_exposure(found, wrong, flight).detail
    longer = [replace(clips[0], exposure_s=0.005, exposure_u_s=0.00005)]
    assert "not as stated (5.00 ms)" in check_exposure(found, longer, flight).detail
    assert "lamp_u_m" not in check_exposure(found, longer, flight).detail
    beside = streak_speed(result, found, right)
    assert beside.name == "streak"
    assert abs(beside.speed_mps - truth) < 3.0 * beside.speed_u_mps
    assert abs(beside.e_n) < 1.0 < abs(streak_speed(result, found, wrong).e_n)
    assert streak_speed(result, found, clips) is None


def test_a_change_of_the_exposure_is_said():
    flight, clips, _, _ = filmed(evening(5, 1), lambda share: 0.008 - 0.005 * share)
    (seen,) = exposures(flight)
    assert seen.changes
    assert seen.drift_s == pytest.approx(-0.005, rel=0.2)
    check = check_exposure([seen], clips, flight)
    assert check.status == "warn" and "changes during the pass" in check.detail


def test_a_steady_exposure_leaves_the_account_as_it_was():
    flight, _, result, _ = filmed(evening(6, 1), steady(0.006))
    assert widened(flight, result, exposures(flight)) is result


@pytest.mark.parametrize("cameras", [1, 2])
def test_what_a_changing_exposure_does_is_carried(cameras):
    """Whatever moment the stamps name, alike in all cameras, the budget allows for it."""
    z, z_before = [], []
    for seed in range(18):
        scene = evening(40 + seed, cameras, offset_u_m=0.02, height_u_m=0.02, focal_u_px=1.0)
        flight, _, result, truth = filmed(
            scene, lambda share: 0.002 + 0.013 * share, stamp_at=(-0.5, 0.0, 0.5)[seed % 3]
        )
        final = widened(flight, result, exposures(flight))
        z.append((final.speed_mps - truth) / final.speed_u_mps)
        z_before.append((result.speed_mps - truth) / result.speed_u_mps)
        rows = {row.source: row for row in final.budget}
        assert rows["exposure"].assumed
        assert rows["exposure"].owner == ("camera n" if cameras == 1 else "session")
        np.testing.assert_allclose(
            sum(row.contribution_mps**2 for row in final.budget), final.speed_u_mps**2, rtol=1e-9
        )
        low, high = final.interval95_mps
        assert (high - low) / 2.0 == pytest.approx(final.speed_U95_mps, rel=1e-6)
    rms = float(np.sqrt(np.mean(np.square(z))))
    assert 0.6 < rms < 1.45  # 99 % of the RMS of 18 normal deviates
    assert float(np.sqrt(np.mean(np.square(z_before)))) > 1.6
