"""Heights of a solved pass: as true as they say, at both gates and on the way in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import LENGTH_M, evening, flown
from vidspeed.assembly.heights import heights_of, with_heights
from vidspeed.assembly.passes import Pass
from vidspeed.motion.account import account
from vidspeed.motion.flight import solve
from vidspeed.values import Clip


def made(seed, **how):
    """Fly once, without weave, and return the result, its flight and the true path at places."""
    scene = evening(seed, weave_u_m=0.0, **how)
    keep = scene.rng.bit_generator.state
    lit, _ = flown(scene)
    scene.rng.bit_generator.state = keep
    flight = solve(scene.session, lit, "1")
    clips = [Clip(file=row.clip, camera=row.stand.camera.name) for row in lit]
    return account(scene.session, flight, clips, "1"), flight, true_path(scene)


def true_path(scene):
    """Return the true z by x: the flight of `flown`, drawn again from the same state."""
    rng, line = scene.rng, scene.line
    speed = rng.uniform(42.0, 145.0) * rng.choice([-1.0, 1.0])
    span = LENGTH_M / abs(speed)
    rng.standard_normal()  # the survey's scale
    level = [LENGTH_M / 2.0, line.offset_m + rng.standard_normal() * line.offset_u_m,
             line.height_m + rng.standard_normal() * line.height_u_m]  # fmt: skip
    change = [speed * span, rng.standard_normal() * line.drift_u_m,
              rng.standard_normal() * line.climb_u_m]  # fmt: skip
    accel = rng.standard_normal(3) * line.accel_u_mps2
    jerk = rng.standard_normal(3) * line.accel_u_mps2 / span
    time = np.linspace(-0.75 * span, 0.75 * span, 4001)
    bend, twist = time**2 / 2.0 - span**2 / 24.0, time**3 / 6.0 - time * span**2 / 24.0
    x, z = (level[i] + change[i] * time / span + accel[i] * bend + jerk[i] * twist for i in (0, 2))
    order = np.argsort(x)
    return lambda places: np.interp(places, x[order], z[order])


def test_heights_are_as_true_as_they_say():
    deviates = []
    for seed in range(200, 215):
        result, flight, truth = made(seed)
        row = heights_of(flight, result)
        first, second = (0.0, LENGTH_M) if flight.direction > 0.0 else (LENGTH_M, 0.0)
        gate = truth(first)
        deviates.append((row.height_in_m - gate) / row.height_in_u_m)
        deviates.append((row.height_out_m - truth(second)) / row.height_out_u_m)
        far = row.before_m[-1]
        above = truth(first - flight.direction * far) - gate
        deviates.append((row.above_m[-1] - above) / row.above_u_m[-1])
        assert row.climb_m == pytest.approx(row.height_out_m - row.height_in_m)
        assert row.before_m[0] == row.above_m[0] == row.above_u_m[0] == 0.0
        assert far == pytest.approx(
            -result.stretch_m[0] if flight.direction > 0.0 else result.stretch_m[1] - LENGTH_M
        )
    # Three figures of each of 15 flights: the 99 % range of the RMS of 15 standard normal deviates.
    assert 0.55 < np.sqrt(np.mean(np.square(deviates))) < 1.48


def test_one_camera_knows_the_height_as_well_as_the_line_does():
    result, flight, _ = made(3, cameras=1)
    row = heights_of(flight, result)
    assert 0.02 < row.height_in_u_m < 0.6


def test_only_passes_from_gate_to_gate_get_heights():
    result, flight, _ = made(4)
    row = Pass(result=result, flight=flight)
    assert with_heights(row).result.heights is not None
    partial = Pass(result=replace(result, status="partial"), flight=flight)
    assert with_heights(partial) is partial
    empty = Pass(result=replace(result, status="none"))
    assert with_heights(empty) is empty


def test_the_weave_stands_in_the_uncertainty():
    scene = evening(6)  # weave 0.02 m
    lit, _ = flown(scene)
    flight = solve(scene.session, lit, "1")
    clips = [Clip(file=row.clip, camera=row.stand.camera.name) for row in lit]
    row = heights_of(flight, account(scene.session, flight, clips, "1"))
    assert row.height_in_u_m > 0.02
    assert np.all(row.above_u_m[1:] > 0.028)
