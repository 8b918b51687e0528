"""What a clip's sound says of a pass, as rows of the adjustment.

A microphone stands where its camera stands. The sound tells the speed along the path where the
craft is closest to it, how far that is, when, and how it accelerates, in true metres; and all that
hangs on how fast sound is and how the air moves, which all passes of a session have in common.
What the sound alone says of these seven numbers is a quadratic form about its own fit, so it enters
as up to seven rows.

A sound is heard for longer than the craft is over the course, so the acceleration in it need not be
that of the path. They differ as means over both times do of a process with the standard deviation
that the session states and a correlation exp(-(t/T)²/2), T the time between the gates: its rate of
change is then the jerk that the path may have.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from vidspeed.motion.path import basis, basis_rate, basis_rate2
from vidspeed.motion.station import Station
from vidspeed.motion.traverse import Traverse
from vidspeed.motion.unknowns import State, entered
from vidspeed.values import Floats, Input, Value

FOOT_STEPS = 8
TOLD_LEAST = 1e-8  # of the strongest direction: what is known less is not known at all


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AirIn(Value):
    """The air of a pass in the adjustment: what is known of it, and where its deviates stand.

    `wind_mps` blows from start to finish; of its two deviates, of `wind_u_mps` (2,), the second is
    the pass's own.
    """

    sound: slice
    sound_mps: float
    sound_u_mps: float
    wind: slice
    wind_mps: float
    wind_u_mps: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sounding(Value):
    """What was heard in clip number `clip` of a pass: rows `root` (r, 7) @ (x - `at`) + `lean`.

    The seven numbers x are the logarithms of speed (m/s) and closest distance (m), the moment (s)
    by the clip's stamps, the acceleration along and away (m/s²: the path's and a deviate
    each at `accel`), the wind in the direction of flight and the speed of sound (m/s). `late`: by
    how much the sound is behind the picture, None where nobody says so (`root` then holds no
    moment).
    `dof` are those of the tones' scatter, None where it was no larger than stated.
    """

    clip: int
    name: str
    owner: str
    at: Floats
    root: Floats
    lean: Floats
    air: AirIn
    accel: slice
    accel_u_mps2: Floats
    late: slice | None
    late_s: float
    late_u_s: float
    dof: float | None = None

    @property
    def count(self) -> int:
        """Return how many rows it has."""
        return len(self.lean)

    def inputs(self) -> list[Input]:
        """Return what each row is."""
        return [
            entered(self.owner, f"sound {self.name} {row + 1}", "sound", 1.0, "1")
            for row in range(self.count)
        ]


def rows_of(information: Floats, slope: Floats) -> tuple[Floats, Floats]:
    """Return root (r, 7) and lean (r,) of a quadratic form d^T information d + 2 slope^T d.

    They are such that it is |root @ d + lean|^2 but for a constant; directions of which nothing
    is known are left out.
    """
    size = np.sqrt(np.maximum(np.diag(information), 0.0))
    size = np.where(size > 0.0, size, 1.0)
    values, vectors = np.linalg.eigh(information / np.outer(size, size))
    kept = values > TOLD_LEAST * values[-1]
    strength = np.sqrt(values[kept])
    root = strength[:, None] * vectors[:, kept].T * size
    lean = (vectors[:, kept].T @ (slope / size)) / strength
    return np.asarray(root), np.asarray(lean)


class Scale(NamedTuple):
    """The survey's scale in a state (...), and how it moves (k,) with the unknowns at `at`."""

    now: Floats
    at: slice
    by: Floats


@dataclass(slots=True)
class _Filling:
    """What a sound tells while it is filled in: numbers (..., 7), and slopes (..., 7, n)."""

    sounding: Sounding
    traverse: Traverse
    station: Station
    state: State
    foot: _Foot
    heard: Floats
    slopes: Floats


def sound_rows(
    sounding: Sounding,
    traverse: Traverse,
    station: Station,
    scale: Scale,
    state: State,
    rows: Floats,
) -> Floats:
    """Fill a sound's rows of the Jacobian; return its residuals (..., r)."""
    heard = np.zeros((*state.theta.shape[:-1], 7))
    slopes = np.zeros((*heard.shape, state.theta.shape[-1]))
    foot = _foot(traverse.coefficients(state), state.theta[..., station.position])
    filling = _Filling(sounding, traverse, station, state, foot, heard, slopes)
    _fill_foot(filling, scale)
    _fill_bends(filling)
    if sounding.late is not None:
        _fill_moment(filling, sounding.late)
    _fill_air(sounding.air, traverse.nominal.direction, state, heard, slopes)
    rows[...] = sounding.root @ slopes
    return np.asarray(-(heard - sounding.at) @ sounding.root.T - sounding.lean)


def _fill_foot(filling: _Filling, scale: Scale) -> None:
    """Fill in speed and distance where the path is closest to the microphone."""
    foot, heard, slopes = filling.foot, filling.heard, filling.slopes
    path, position = filling.traverse.path, filling.station.position
    heard[..., 0] = np.log(np.sqrt(foot.speed2) / filling.traverse.nominal.duration_s)
    ahead = foot.rate / foot.speed2[..., None]
    slopes[..., 0, path] = _by_path(foot.rates, ahead)
    slopes[..., 0, path] += foot.speeding[..., None] * foot.xi_by_path
    slopes[..., 0, position] = foot.speeding[..., None] * foot.xi_by_place
    heard[..., 1] = np.log(foot.distance)
    toward = foot.away / (foot.distance**2)[..., None]
    slopes[..., 1, path] = _by_path(foot.functions, toward)
    slopes[..., 1, position] = -toward
    heard[..., :2] += np.log(scale.now)[..., None]
    slopes[..., :2, scale.at] = (scale.by / scale.now[..., None])[..., None, :]


def _fill_moment(filling: _Filling, late: slice) -> None:
    """Fill in when the path is closest, on the clock of the clip's sound."""
    sounding, station, theta = filling.sounding, filling.station, filling.state.theta
    foot, heard, slopes = filling.foot, filling.heard, filling.slopes
    clip, nominal = filling.traverse.clips[sounding.clip], filling.traverse.nominal
    clock, duration = station.clock_scale(filling.state), nominal.duration_s
    time = nominal.middle_s + duration * foot.xi
    if clip.offset is not None:
        time = time - theta[..., clip.offset.start]
        slopes[..., 2, clip.offset.start] = -1.0 / clock
    heard[..., 2] = time / clock + clip.reference_s
    heard[..., 2] += sounding.late_s + sounding.late_u_s * theta[..., late.start]
    slopes[..., 2, filling.traverse.path] = (duration / clock)[..., None] * foot.xi_by_path
    slopes[..., 2, station.position] = (duration / clock)[..., None] * foot.xi_by_place
    ppm = 1e-6 * station.camera.clock_u_ppm
    slopes[..., 2, station.clock.start] = -ppm * time / clock**2
    slopes[..., 2, late.start] = sounding.late_u_s


def _fill_bends(filling: _Filling) -> None:
    """Fill in how the path speeds up and bends away, as far as the sound shares that."""
    sounding, traverse, state = filling.sounding, filling.traverse, filling.state
    foot, heard, slopes = filling.foot, filling.heard, filling.slopes
    unit = 1.0 / traverse.nominal.duration_s**2
    third = traverse.coefficients(state)[..., 3, :]
    bends = basis_rate2(foot.xi)
    ahead = foot.rate / np.sqrt(foot.speed2)[..., None]
    away = foot.away / foot.distance[..., None]
    for row, way, turned, size in (
        (3, ahead, foot.rates, np.sqrt(foot.speed2)),
        (4, away, foot.functions, foot.distance),
    ):
        along = np.sum(foot.bend * way, axis=-1)
        across = (foot.bend - along[..., None] * way) / size[..., None]
        moved = foot.bend if row == 3 else foot.rate
        by_xi = np.sum(third * way, axis=-1) + np.sum(across * moved, axis=-1)
        heard[..., row] = unit * along + state.theta[..., sounding.accel] @ (
            sounding.accel_u_mps2 * (np.arange(2) == row - 3)
        )
        by_path = _by_path(bends, way) + _by_path(turned, across)
        by_path = by_path + by_xi[..., None] * foot.xi_by_path
        by_place = by_xi[..., None] * foot.xi_by_place - (across if row == 4 else 0.0)
        slopes[..., row, traverse.path] = unit * by_path
        slopes[..., row, filling.station.position] = unit * by_place
        slopes[..., row, sounding.accel.start + row - 3] = sounding.accel_u_mps2[row - 3]


def _fill_air(air: AirIn, direction: float, state: State, heard: Floats, slopes: Floats) -> None:
    """Fill in the wind in the direction of flight, and the speed of sound."""
    blows = air.wind_mps + state.theta[..., air.wind] @ air.wind_u_mps
    heard[..., 5] = direction * blows
    slopes[..., 5, air.wind] = direction * air.wind_u_mps
    heard[..., 6] = air.sound_mps
    heard[..., 6] += air.sound_u_mps * state.theta[..., air.sound.start]
    slopes[..., 6, air.sound.start] = air.sound_u_mps


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Foot(Value):
    """Where paths are closest to a place: xi (...), and what their coefficients do there.

    `functions`, `rates` (..., 4); `away` (..., 3) from the place to the path, `rate` and `bend`
    (..., 3) its derivatives by xi, `speed2` the first one squared, `speeding` how the logarithm of
    the speed goes with xi. Derivatives of xi by the path (..., 12) and by the place (..., 3).
    """

    xi: Floats
    functions: Floats
    rates: Floats
    away: Floats
    distance: Floats
    rate: Floats
    bend: Floats
    speed2: Floats
    speeding: Floats
    xi_by_path: Floats
    xi_by_place: Floats


def _foot(coefficients: Floats, place: Floats) -> _Foot:
    """Return where paths (..., 4, 3) are closest to places (..., 3)."""
    xi = _closest(coefficients, place)
    functions, rates = basis(xi), basis_rate(xi)
    away = _point(functions, coefficients) - place
    rate, bend = _point(rates, coefficients), _point(basis_rate2(xi), coefficients)
    speed2 = np.sum(rate * rate, axis=-1)
    turn = (speed2 + np.sum(away * bend, axis=-1))[..., None]
    return _Foot(
        xi=xi,
        functions=functions,
        rates=rates,
        away=away,
        distance=np.linalg.norm(away, axis=-1),
        rate=rate,
        bend=bend,
        speed2=speed2,
        speeding=np.asarray(np.sum(rate * bend, axis=-1) / speed2),
        xi_by_path=-(_by_path(functions, rate) + _by_path(rates, away)) / turn,
        xi_by_place=np.asarray(rate / turn),
    )


def _closest(coefficients: Floats, place: Floats) -> Floats:
    """Return xi (...) at which paths are closest to places, by Newton's iteration."""
    xi = np.zeros(place.shape[:-1])
    for _ in range(FOOT_STEPS):
        away = _point(basis(xi), coefficients) - place
        rate, bend = (_point(row(xi), coefficients) for row in (basis_rate, basis_rate2))
        steep = np.sum(rate * rate, axis=-1)
        turn = np.maximum(steep + np.sum(away * bend, axis=-1), 0.5 * steep)
        step = np.sum(away * rate, axis=-1) / turn
        xi = xi - step
        if np.max(np.abs(step), initial=0.0) < 1e-12:
            break
    return np.asarray(xi)


def _point(functions: Floats, coefficients: Floats) -> Floats:
    """Return sums (..., 3) of functions (..., 4) times coefficients (..., 4, 3)."""
    return np.asarray(np.sum(functions[..., :, None] * coefficients, axis=-2))


def _by_path(functions: Floats, along: Floats) -> Floats:
    """Return the derivative (..., 12) by the path of its functions (..., 4) along (..., 3)."""
    whole = functions[..., :, None] * along[..., None, :]
    return np.asarray(whole.reshape(*whole.shape[:-2], -1))
