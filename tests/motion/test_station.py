"""A camera's clock in the solution: a stated rate moves the speed by just that much."""

from dataclasses import replace

import pytest

from tests.motion.flown import evening, flown
from vidspeed.motion.account import account
from vidspeed.motion.calibration import calibrate_camera
from vidspeed.motion.flight import Lit, solve
from vidspeed.values import Clip


def speed(scene, lit, **changed):
    """Return the pass's result with every camera's entry changed."""
    cameras = tuple(replace(entry, **changed) for entry in scene.session.cameras)
    session = replace(scene.session, cameras=cameras)
    again = []
    for entry, row in zip(cameras, lit, strict=True):
        stand, _ = calibrate_camera(session, entry, 1.0 / 60.0)
        again.append(Lit(clip=row.clip, stand=stand, track=row.track))
    clips = [Clip(file=row.clip, camera=row.stand.camera.name) for row in again]
    return account(session, solve(session, again, "1"), clips, "1")


@pytest.mark.parametrize("cameras", [1, 2])
def test_a_stated_rate_moves_the_speed_by_its_own_size(cameras):
    scene = evening(31, cameras)
    ppm = 800.0
    lit, _ = flown(scene, speed_mps=110.0, clocks=[(0.012, ppm)] * cameras)
    ignorant = speed(scene, lit, clock_u_ppm=1.0)
    told = speed(scene, lit, clock_u_ppm=1.0, clock_ppm=ppm)
    assert ignorant.speed_mps / told.speed_mps - 1.0 == pytest.approx(1e-6 * ppm, rel=0.03)
    assert told.speed_u_mps == pytest.approx(ignorant.speed_u_mps, rel=0.01)


def test_crossings_stay_on_the_clips_own_stamps():
    scene = evening(32, 1)
    lit, _ = flown(scene, speed_mps=110.0, starts=[50.0], clocks=[(0.012, 800.0)])
    ignorant, told = (speed(scene, lit, clock_u_ppm=1.0, clock_ppm=ppm) for ppm in (0.0, 800.0))
    for before, after in zip(ignorant.crossings, told.crossings, strict=True):
        assert after.time_in_s == pytest.approx(before.time_in_s, abs=2e-5)
        assert after.time_out_s == pytest.approx(before.time_out_s, abs=2e-5)


def test_no_stated_rate_gives_the_same_figures_as_before():
    scene = evening(33, 1)
    lit, _ = flown(scene, speed_mps=-90.0)
    assert speed(scene, lit).speed_mps == speed(scene, lit, clock_ppm=0.0).speed_mps
