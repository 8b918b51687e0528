"""The true flight of a synthetic pass, and the true time between the gates.

Written from the contract and not from the estimator: a cubic in time for each coordinate about
the moment at mid-course, and a weave that is a function of x.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.random import Generator

from vidspeed.errors import SceneError
from vidspeed.values import Floats, Value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weave(Value):
    """A smooth random path about zero: bumps of width `scale_m` at `centres_m` (n,).

    `weights_m` (n, 2) are the heights of the bumps in y and z.
    """

    scale_m: float
    centres_m: Floats
    weights_m: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Flight(Value):
    """A true path: `cubic` (4, 3) are place, velocity, acceleration, jerk at mid-course.

    Course metres and true seconds from the moment at mid-course, which is `epoch_s` of the
    world. `gates_s` (2,) are the moments at x = 0 and x = length, from the same origin.
    `shift_m` (3,): where the light that a camera sees sits beside this path.
    """

    length_m: float
    cubic: Floats
    gates_s: Floats
    weave: Weave
    epoch_s: float = 0.0
    shift_m: Floats = field(default_factory=lambda: np.zeros(3))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wander(Value):
    """A light that is not the craft's: at `xyz_m` (n, 3) at `at_s` (n,), evenly in between.

    World seconds less `epoch_s`. Before the first and after the last it is nowhere.
    """

    at_s: Floats
    xyz_m: Floats
    epoch_s: float = 0.0


def make_flight(
    *,
    length_m: float,
    direction: Literal["forward", "reverse"],
    speed_mps: float,
    mean_m: tuple[float, float],
    change_m: tuple[float, float],
    accel_mps2: Floats,
    jerk_mps3: Floats,
    weave: Weave,
    epoch_s: float = 0.0,
) -> Flight:
    """Build a flight whose smooth path has the stated means and changes between the gates.

    Parameters
    ----------
    speed_mps
        Along x at mid-course, positive, course metres a second.
    mean_m, change_m
        Of y and of z: the mean over the time between the gates, and the value at x = length
        less the value at x = 0.
    accel_mps2, jerk_mps3
        (3,) at mid-course, along x, y, z.

    Raises
    ------
    SceneError
        Where the craft would stop or turn back before a gate.
    """
    sign = 1.0 if direction == "forward" else -1.0
    along = np.array([length_m / 2.0, sign * speed_mps, accel_mps2[0], jerk_mps3[0]])
    gates = np.array([_moment_at(along, place) for place in (0.0, length_m)])
    cubic = np.zeros((4, 3))
    cubic[:, 0] = along
    cubic[2], cubic[3] = accel_mps2, jerk_mps3
    powers = _powers(gates)
    mean_of = _mean_powers(*gates)
    for axis in (1, 2):
        bend = cubic[2:, axis]
        step = float((powers[1] - powers[0])[2:] @ bend)
        cubic[1, axis] = (change_m[axis - 1] - step) / (gates[1] - gates[0])
        cubic[0, axis] = mean_m[axis - 1] - float(mean_of[1:] @ cubic[1:, axis])
    return Flight(length_m=length_m, cubic=cubic, gates_s=gates, weave=weave, epoch_s=epoch_s)


def position(flight: Flight | Wander, world_s: Floats) -> Floats:
    """Return where the light is (n, 3), course metres, at world times (n,); NaN: nowhere."""
    if isinstance(flight, Wander):
        since = world_s - flight.epoch_s
        way = [
            np.interp(since, flight.at_s, axis, left=np.nan, right=np.nan)
            for axis in flight.xyz_m.T
        ]
        return np.column_stack(way)
    place = _powers(world_s - flight.epoch_s) @ flight.cubic
    place[:, 1:] += weave_at(flight.weave, place[:, 0])
    return np.asarray(place + flight.shift_m)


def true_speed_mps(flight: Flight, scale_error: float) -> float:
    """Return the true speed: (1 + s) * length over the time between the gates."""
    spent = abs(float(flight.gates_s[1] - flight.gates_s[0]))
    return (1.0 + scale_error) * flight.length_m / spent


def draw_weave(length_m: float, rms_m: float, rng: Generator) -> Weave:
    """Draw a weave: stationary, Gaussian, correlated along x as exp(-(dx/l)^2/2), l = length/4.

    White noise on a fine grid under bumps exp(-(dx/l)^2): the autocorrelation of such a bump is
    the one asked for, and a grid of l/4 leaves an error below 1e-60.
    """
    scale = length_m / 4.0
    spacing = scale / 4.0
    centres = np.arange(-3.0 * length_m, 4.0 * length_m, spacing)
    height = rms_m * np.sqrt(spacing / (scale * np.sqrt(np.pi / 2.0)))
    weights = height * rng.standard_normal((len(centres), 2))
    return Weave(scale_m=scale, centres_m=centres, weights_m=weights)


def weave_at(weave: Weave, x_m: Floats) -> Floats:
    """Return the weave (n, 2) in y and z at places `x_m` (n,)."""
    bumps = np.exp(-(((x_m[:, None] - weave.centres_m) / weave.scale_m) ** 2))
    return np.asarray(bumps @ weave.weights_m)


def no_weave(length_m: float) -> Weave:
    """Return a weave that is zero everywhere."""
    return Weave(scale_m=length_m / 4.0, centres_m=np.zeros(1), weights_m=np.zeros((1, 2)))


def _powers(time_s: Floats) -> Floats:
    """Return 1, t, t^2/2, t^3/6 as (n, 4)."""
    return np.column_stack([np.ones_like(time_s), time_s, time_s**2 / 2.0, time_s**3 / 6.0])


def _mean_powers(from_s: float, to_s: float) -> Floats:
    """Return the means of 1, t, t^2/2, t^3/6 over a stretch of time, as (4,)."""
    span = to_s - from_s
    whole = [(to_s**k - from_s**k) / span for k in (1, 2, 3, 4)]
    return np.array([1.0, whole[1] / 2.0, whole[2] / 6.0, whole[3] / 24.0])


def _moment_at(along: Floats, x_m: float) -> float:
    """Return when x is `x_m`, by Newton's iteration to the last digit."""
    time = (x_m - along[0]) / along[1]
    for _ in range(60):
        rate = along[1] + along[2] * time + along[3] * time**2 / 2.0
        if rate * along[1] <= 0.0:
            raise SceneError(
                f"the craft would turn back before x = {x_m:g} m: speed {abs(along[1]):g} m/s, "
                f"acceleration {along[2]:g} m/s2, jerk {along[3]:g} m/s3; give less of them"
            )
        step = float(_powers(np.array([time]))[0] @ along - x_m) / rate
        time -= step
        if abs(step) < 1e-15:
            break
    return float(time)
