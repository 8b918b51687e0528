"""An exposure that jumps on the way: found by light and places, and carried in the solution."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import evening, flown
from vidspeed.agreement.exposure import check_exposure
from vidspeed.agreement.leftopen import half_change_s, with_steps
from vidspeed.agreement.steps import Sign, light_steps, sign_of_step
from vidspeed.motion.account import account
from vidspeed.motion.flight import solve, take
from vidspeed.motion.step import Step
from vidspeed.motion.unknowns import State
from vidspeed.values import Clip

FRAME_S = 1.0 / 60.0
WELL = {"offset_u_m": 0.05, "height_u_m": 0.05, "focal_u_px": 2.0, "pick_u_px": 0.2,
        "marker_u_m": 0.01, "drift_u_m": 0.05, "climb_u_m": 0.05}  # fmt: skip


def lit_by(rng, track, times, at):
    """Return a track whose lamp's level is `times` as high from light `at` on, 5 % noise."""
    share = np.linspace(0.0, 1.0, len(track))
    level = 60.0 * (1.0 + 0.3 * np.sin(2.0 * share)) * np.exp(0.05 * rng.normal(size=len(track)))
    level[at:] *= times
    return replace(track, peak=level, interval_s=FRAME_S)


def jumped(seed, cameras, before_s, after_s, *, light=True, moves=True, share=0.45, speed=139.0):
    """Fly once past cameras whose exposure jumps; stamps are the start of the exposure."""
    scene = evening(seed, cameras, **WELL)
    lit, truth = flown(scene, speed_mps=speed, u_px=0.2)
    seen = []
    for row in lit:
        at = round(share * len(row.track))
        late = np.where(np.arange(len(row.track)) >= at, after_s, before_s) / 2.0
        times = (after_s / before_s) ** (1.0 / 2.2) if light else 1.0
        track = lit_by(scene.rng, row.track, times, at)
        seen.append(replace(row, track=replace(track, time_s=track.time_s - late * moves)))
    return scene.session, solve(scene.session, seen, "1"), truth


def z_of(session, flight, truth):
    result = account(session, flight, [], "1")
    return (result.speed_mps - truth) / result.speed_u_mps


@pytest.mark.parametrize("cameras", [1, 2])
def test_without_a_step_the_flight_is_the_same_one(cameras):
    for seed in range(6):
        session, flight, _ = jumped(seed, cameras, 0.004, 0.004)
        assert with_steps(session, flight) is flight


@pytest.mark.parametrize("light", [True, False])
@pytest.mark.parametrize("exposures_s", [(0.008, 0.004), (0.004, 0.008)])
def test_what_a_jump_does_is_in_the_uncertainty(exposures_s, light):
    """Halved or doubled, seen by the lamp's light or with a lamp that is white throughout."""
    before, after = [], []
    for seed in range(5):
        speed = 139.0 * (-1.0) ** seed
        session, flight, truth = jumped(300 + seed, 2, *exposures_s, light=light, speed=speed)
        before.append(z_of(session, flight, truth))
        after.append(z_of(session, with_steps(session, flight), truth))
    assert float(np.sqrt(np.mean(np.square(before)))) > 2.5
    assert float(np.sqrt(np.mean(np.square(after)))) < 1.83  # 99.5 % of the RMS of five deviates


def test_a_jump_of_the_gain_moves_nothing_and_widens_by_little():
    ratios = []
    for seed in range(6):
        session, flight, truth = jumped(60 + seed, 2, 0.008, 0.002, moves=False)
        found = with_steps(session, flight)
        assert found is not flight
        assert abs(z_of(session, found, truth)) < 3.0
        one, other = (account(session, each, [], "1").speed_u_mps for each in (flight, found))
        ratios.append(other / one)
    assert 0.98 < np.median(ratios) < 1.15


def test_the_step_is_an_input_of_the_pass_and_is_said():
    session, flight, _ = jumped(3, 1, 0.008, 0.004)
    found = with_steps(session, flight)
    (lit,) = found.lit
    at = round(0.45 * len(lit.track))
    assert lit.step.frame == lit.track.frame[at]
    result = account(session, found, [], "1")
    rows = {row.source: row for row in result.budget}
    assert rows["exposure"].owner == "pass 1" and rows["exposure"].assumed
    check = check_exposure([None], [Clip(file=lit.clip, camera="n")], found)
    assert check.status == "warn"
    assert f"jumps at {lit.track.time_s[at]:.2f} s" in check.detail
    plain = check_exposure([None], [Clip(file=lit.clip, camera="n")], flight)
    assert plain.status == "ok" and "jumps" not in plain.detail


def test_a_step_moves_the_lights_as_its_slopes_say():
    scene = evening(2, 1, **WELL)
    lit, _ = flown(scene, speed_mps=90.0)
    track = lit[0].track
    step = Step(frame=int(track.frame[20]), u_s=0.002)
    flight = solve(scene.session, [replace(lit[0], step=step)], "1")
    network, state = flight.network, flight.state
    late = network.traverses[0].clips[0].late
    theta = state.theta.copy()
    theta[late] += 1e-3
    moved, _ = network.evaluate(State(theta=theta, turns=state.turns))
    still, jacobian = network.evaluate(state)
    slope = -(moved - still) / 1e-3
    assert np.abs(jacobian[:, late.start]).max() > 1.0
    np.testing.assert_allclose(jacobian[:-1, late.start], slope[:-1], atol=2e-2)


def test_two_steps_that_hide_each_other_are_both_found():
    """Lights around a step were left out as those of something else, in either clip."""
    session, flight, _ = jumped(311, 2, 0.0052, 0.0021, share=0.3)
    assert all(lit.step is not None for lit in with_steps(session, flight).lit)


def test_light_that_changes_smoothly_flickers_or_blinks_does_not_step():
    rng = np.random.default_rng(1)
    time_s = np.arange(40) * FRAME_S
    passing = 100.0 / (1.0 + ((time_s - 0.3) / 0.2) ** 2)
    flickers = 60.0 * (1.0 + 0.4 * np.sin(2.0 * np.pi * 11.0 * time_s))
    blinks = np.where(np.arange(40) // 5 % 2, 80.0, 20.0)
    ramp = 80.0 * np.exp(-0.7 * np.clip((time_s - 0.2) / 0.25, 0.0, 1.0))
    for level in (passing, flickers, blinks, ramp):
        assert light_steps(time_s, level * np.exp(0.05 * rng.normal(size=40))) is None
    one = np.full(40, 60.0)
    one[17] = 20.0
    assert light_steps(time_s, one * np.exp(0.05 * rng.normal(size=40))) is None
    assert light_steps(time_s, np.full(40, np.nan)) is None


def test_a_lamp_that_flashes_does_not_seem_to_step():
    scene = evening(3, 1, **WELL)
    lit, _ = flown(scene, speed_mps=70.0, u_px=0.2)
    within = np.linspace(0.0, 0.6, 100) * FRAME_S
    for hz, duty in ((1.9, 0.45), (2.1, 0.42), (4.9, 0.43)):
        for late_s in np.linspace(0.0, 0.9 / hz, 6):
            track = lit[0].track
            open_s = track.time_s[:, None] - track.time_s[0] + within
            part = np.mean((open_s + late_s) * hz % 1.0 < duty, axis=1)  # of the exposure
            peak = 60.0 * part * np.exp(0.05 * scene.rng.normal(size=len(track)))
            track = take(replace(track, peak=peak, interval_s=FRAME_S), part > 0.25)
            flight = solve(scene.session, [replace(lit[0], track=track)], "1")
            assert sign_of_step(flight, 0) is None


def test_a_step_of_the_light_is_found_where_it_is():
    rng = np.random.default_rng(2)
    time_s = np.arange(40) * FRAME_S
    for at, times in ((3, 0.7), (18, 1.4), (37, 0.7)):
        level = np.where(np.arange(40) >= at, times, 1.0) * 60.0
        found, size = light_steps(time_s, level * np.exp(0.03 * rng.normal(size=40)))
        assert found == at
        assert size == pytest.approx(np.log(times), abs=0.12)


def test_half_a_change_is_bounded_by_the_frame_and_by_what_is_stated():
    dark = Sign(frame=3, times=1.0)
    assert half_change_s(dark, None, FRAME_S) == pytest.approx(0.375 * FRAME_S)
    assert half_change_s(dark, 0.001, FRAME_S) == pytest.approx(0.0015)
    small = Sign(frame=3, times=1.2)  # a stop is always plausible
    assert half_change_s(small, 0.004, FRAME_S) == pytest.approx(0.002)


def test_a_pass_of_few_lights_tells_no_step():
    _, flight, _ = jumped(3, 1, 0.004, 0.004)
    some = np.flatnonzero(flight.used[0])[6:]
    used = flight.used[0].copy()
    used[some] = False
    assert sign_of_step(replace(flight, used=(used,)), 0) is None


def test_lights_left_out_around_a_step_do_not_put_it_elsewhere():
    """Too few followed the late step: what was left of them bent, and seemed to step before it."""
    session, flight, truth = jumped(404, 1, 0.004, 0.016, share=0.84, speed=135.0)
    (lit,) = with_steps(session, flight).lit
    seen = sign_of_step(flight, 0)
    assert seen.frame < lit.track.frame[36]
    assert lit.step.frame == lit.track.frame[round(0.84 * len(lit.track))]
    assert abs(z_of(session, with_steps(session, flight), truth)) < 2.5


def test_streaks_that_seem_steady_do_not_hide_a_jump():
    """Those after it are points: what is left to tell the exposure is all of the longer one."""
    session, flight, truth = jumped(300, 2, 0.008, 0.002, share=0.6)
    rng, lit = np.random.default_rng(1), []
    for row in flight.lit:
        way = np.linalg.norm(np.gradient(row.track.xy_px, row.track.time_s, axis=0), axis=1)
        long = np.where(np.arange(len(way)) < round(0.6 * len(way)), 0.008 * way, np.nan)
        long = long + 0.3 + 0.1 * rng.normal(size=len(way))
        u_px = np.where(np.isfinite(long), 0.1, np.nan)
        lit.append(replace(row, track=replace(row.track, streak_px=long, streak_u_px=u_px)))
    found = with_steps(session, solve(session, lit, "1"))
    assert all(row.step is not None for row in found.lit)
    assert abs(z_of(session, found, truth)) < 3.0
