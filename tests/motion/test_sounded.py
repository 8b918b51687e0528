"""A pass solved with its sound: derivatives, what it brings, and what it may not tell."""

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import evening, flown
from vidspeed.motion.account import account, speed_between
from vidspeed.motion.again import sought, speeds_after
from vidspeed.motion.budget import covariance
from vidspeed.motion.flight import solve
from vidspeed.motion.sounded import apart, with_sounds
from vidspeed.values import Around, Clip, Told

AIR = Around(sound_mps=340.0, sound_u_mps=1.2, wind_mps=0.0, wind_u_mps=2.0)
ENDS = (0.0, 80.0)


def told_of(flight, *, u=(0.01, 0.04, 0.002), off=(0.0, 0.0, 0.0), bends=(0.0, 0.0)):
    """Return what a sound would tell of a flight that flew as it was solved."""
    along = flight.nominal.direction
    place = flight.network.stations[0].pose(flight.state).position_m
    time = np.linspace(-1.0, 1.0, 20001) * flight.nominal.duration_s + flight.nominal.middle_s
    path = flight.network.traverses[0].smooth(flight.state, time)
    far = np.linalg.norm(path - place, axis=1)
    at = int(np.argmin(far))
    speed = np.linalg.norm(path[at + 1] - path[at - 1]) / (time[at + 1] - time[at - 1])
    moment = time[at] + flight.network.traverses[0].clips[0].reference_s
    seen = np.array(
        [np.log(speed), np.log(far[at]), moment, 0.0, 0.0, along * AIR.wind_mps, AIR.sound_mps]
    )
    seen[:3] += np.array(off) * u
    # dv/v hangs on the wind by -1/c and on the speed of sound by 1/c, as a pitch's rise over fall
    root = np.zeros((5, 7))
    root[:3, :3] = np.diag(1.0 / np.array(u))
    root[3, 3], root[4, 4] = bends
    root[0, 5:] = np.array([1.0, -1.0]) / AIR.sound_mps / u[0]
    return Told(at=seen, information=root.T @ root, slope=np.zeros(7), half_s=1.2)


@pytest.fixture(scope="module")
def scene():
    return evening(3, cameras=1, offset_u_m=1.5)


@pytest.fixture(scope="module")
def seen(scene):
    return solve(scene.session, flown(scene, speed_mps=110.0)[0], "1")


@pytest.fixture(scope="module")
def joint(seen):
    return with_sounds(seen, {0: told_of(seen)}, AIR)[0]


def late(flight, u_s):
    """Return a flight whose camera's sound is known to be late by so much."""
    lit = tuple(
        replace(row, stand=replace(row.stand, camera=replace(row.stand.camera, sound_late_u_s=u_s)))
        for row in flight.lit
    )
    return replace(flight, lit=lit)


def u_of(flight):
    return float(np.linalg.norm(flight.sensitivities(speed_between(flight, ENDS)[1])))


def test_derivatives_of_the_rows(seen):
    told = told_of(seen, off=(1.0, -2.0, 0.5), bends=(0.5, 2.0))
    flight, _ = with_sounds(late(seen, 0.003), {0: told}, AIR)
    network, state = flight.network, flight.state
    (rows,) = network.sound_rows()
    jacobian = network.evaluate(state)[1][rows]
    assert rows.stop - rows.start == 5
    for place in range(network.ledger.size):
        step = np.zeros(network.ledger.size)
        step[place] = 1e-4
        up, down = (network.evaluate(network.moved(state, s * step))[0][rows] for s in (1.0, -1.0))
        slope = (down - up) / 2e-4
        assert np.allclose(
            jacobian[:, place], slope, rtol=2e-4, atol=1e-4 * np.abs(slope).max() + 1e-6
        )


def test_a_sound_shrinks_the_largest_term_of_one_camera(seen, joint):
    assert abs(speed_between(joint, ENDS)[0] / speed_between(seen, ENDS)[0] - 1.0) < 2e-3
    assert u_of(joint) < 0.6 * u_of(seen)
    # Weighted means of the camera's figure and of the two that the sound gives.
    assert u_of(joint) > 0.004 * 110.0


def test_inputs_are_those_of_the_rows(scene, joint):
    result = account(scene.session, joint, [Clip(file="n.mp4", camera="n")], "1")
    assert len(result.inputs) == len(joint.adjustment.residuals)
    assert np.isclose(result.speed_u_mps**2, sum(row.contribution_mps**2 for row in result.budget))
    owners = {row.source: row.owner for row in result.budget if row.source in ("sound", "air")}
    assert owners["sound"] == "pass 1" and "air" in owners


def test_without_a_known_lateness_the_moment_tells_nothing(seen):
    told = told_of(seen)
    far_off = replace(told, at=told.at + np.array([0.0, 0.0, 5.0, 0.0, 0.0, 0.0, 0.0]))
    plain, odds = with_sounds(seen, {0: told}, AIR)
    shifted, later = with_sounds(seen, {0: far_off}, AIR)
    assert np.allclose(plain.state.theta, shifted.state.theta)
    assert np.isclose(odds, later)


def test_a_known_lateness_tells_the_range_by_the_moment(seen):
    """A moment and a distance that hang together as when only the arrival of a sound is known."""
    told = told_of(seen)
    arrival = np.array([0.0, np.exp(told.at[1]) / AIR.sound_mps, 1.0, 0.0, 0.0, 0.0, 0.0]) / 1e-4
    told = replace(told, information=told.information * 1e-3 + np.outer(arrival, arrival))
    without, known = (with_sounds(row, {0: told}, AIR)[0] for row in (seen, late(seen, 0.002)))
    assert u_of(known) < 0.8 * u_of(without)  # drift and heading then say where the foot is


def test_moved_inputs_move_the_speed_as_foretold(joint):
    wanted = sought(joint, ENDS)
    (rows,) = joint.network.sound_rows()
    shifts = np.zeros((2, len(joint.adjustment.residuals)))
    shifts[0, rows.start], shifts[1, rows.start] = 0.5, -0.5
    speeds, hard = speeds_after(joint, shifts, wanted)
    assert not np.any(hard)
    assert np.isclose(speeds[0] - speeds[1], wanted.slopes_mps[rows.start], rtol=0.02, atol=1e-4)


def test_a_scatter_judged_from_few_windows_widens_by_t(scene, seen):
    told = replace(told_of(seen), dof=5.0)
    flight, _ = with_sounds(seen, {0: told}, AIR)
    result = account(scene.session, flight, [Clip(file="n.mp4", camera="n")], "1")
    assert result.dof is not None and result.dof < 60.0
    assert {row.kind for row in result.budget if row.source == "sound"} == {"A"}


def test_a_sound_of_something_else_is_told(seen):
    assert with_sounds(seen, {0: told_of(seen, off=(0.5, 0.5, 0.0))}, AIR)[1] > 0.05
    assert with_sounds(seen, {0: told_of(seen, off=(9.0, 0.0, 0.0))}, AIR)[1] < 1e-3


def test_air_is_shared_and_a_wind_along_is_not_told_twice():
    """Opposite passes feel the wind the other way, the same speed of sound alike."""
    results = []
    for label, speed in (("1", 110.0), ("2", 110.0), ("3", -110.0)):
        scene = evening(3, cameras=1, offset_u_m=3.0)
        flight = solve(scene.session, flown(scene, speed_mps=speed)[0], label)
        flight, _ = with_sounds(flight, {0: told_of(flight, u=(0.002, 5.0, 1.0))}, AIR)
        results.append(account(scene.session, flight, [Clip(file="n.mp4", camera="n")], label))
    _, matrix = covariance(results)
    size = np.sqrt(np.diag(matrix))
    same, opposite = (matrix / np.outer(size, size))[0, 1:]
    assert same > opposite + 0.1


def test_how_far_the_acceleration_of_a_sound_is_from_the_paths():
    """Hardly at all where it is as long as the course, as two figures where it is much longer."""
    assert apart(0.5) < 0.02
    sizes = [apart(half) for half in (0.5, 1.0, 2.0, 4.0, 40.0)]
    assert sizes == sorted(sizes)
    assert 0.9 < sizes[-1] < 1.1


def test_a_sound_that_tells_the_acceleration_is_believed_as_far_as_it_is_the_paths(seen):
    told = told_of(seen, bends=(20.0, 0.0))
    bends = seen.network.traverses[0].coefficients(seen.state)[2]
    path_mps2 = seen.nominal.direction * bends[0] / seen.nominal.duration_s**2
    away = replace(told, at=told.at + np.array([0.0, 0.0, 0.0, path_mps2 + 14.0, 0.0, 0.0, 0.0]))
    for accel_u_mps2, goes_with_it in ((10.0, True), (1.0, False)):
        air = replace(AIR, accel_u_mps2=accel_u_mps2)
        assert (with_sounds(seen, {0: away}, air)[1] > 1e-3) is goes_with_it
