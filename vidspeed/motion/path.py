"""The path of a pass, written about the moments at which it crosses the gates.

With tau the time since the middle of the traverse, T its duration and xi = tau/T, each
coordinate is a sum of five functions of time:

    1,   xi,   w (tau^2/2 - T^2/24),   w (tau^3/6 - tau T^2/24),   w (tau^2/2 - T^2/8)

The first coefficient is the mean between the gates, the second the change from gate to gate, the
third the acceleration and the fourth the jerk; neither of these touches mean or change. Along x
the last function takes the third's place: it vanishes at both gates, so that x is 0 and `length`
exactly where xi is -1/2 and +1/2 and the speed between the gates is length/T.

Two unknowns move the traverse: `shift_s` its middle, and w its speed over a nominal one,
T = nominal/w. That acceleration, jerk and weave grow with w keeps their priors, which are in
metres, from telling how far away the light is when a single camera tries another range: they
then shrink and grow with the path, as in the picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.errors import MotionError
from vidspeed.values import Floats, Value

MEAN, CHANGE, BEND, TWIST, GATE_BEND = range(5)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Nominal(Value):
    """The nominal traverse: `middle_s`, `duration_s` (positive) on the pass's clock."""

    middle_s: float
    duration_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shape(Value):
    """The five functions (n, 5) at n times, and their derivatives by tau and by w."""

    value: Floats
    by_time: Floats
    by_w: Floats
    by_time2: Floats
    by_time_w: Floats


def shape(time_s: Floats, nominal: Nominal, shift_s: float, w: float) -> Shape:
    """Return the functions and their derivatives at times (n,) of the pass's clock."""
    tau = np.asarray(time_s, dtype=np.float64) - nominal.middle_s - shift_s
    one, none = np.ones_like(tau), np.zeros_like(tau)
    span2 = (nominal.duration_s / w) ** 2
    half, sixth = tau**2 / 2.0, tau**3 / 6.0
    mean_bend, gate_bend = half - span2 / 24.0, half - span2 / 8.0
    twist = sixth - tau * span2 / 24.0
    rate = 1.0 / nominal.duration_s
    return Shape(
        value=np.column_stack([one, tau * w * rate, w * mean_bend, w * twist, w * gate_bend]),
        by_time=np.column_stack([none, one * w * rate, w * tau, w * mean_bend, w * tau]),
        by_w=np.column_stack(
            [
                none,
                tau * rate,
                half + span2 / 24.0,
                sixth + tau * span2 / 24.0,
                half + span2 / 8.0,
            ]
        ),
        by_time2=np.column_stack([none, none, w * one, w * tau, w * one]),
        by_time_w=np.column_stack([none, one * rate, tau, half + span2 / 24.0, tau]),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Along(Value):
    """x of a pass: coefficients (5,), their derivative (5, n) by its unknowns, and the traverse.

    The first two unknowns are `shift_s` and `w`, which no coefficient depends on.
    """

    coefficients: Floats
    slopes: Floats
    nominal: Nominal
    shift_s: float
    w: float

    def at(self, time_s: Floats) -> Shape:
        """Return the path's functions at times (n,)."""
        return shape(time_s, self.nominal, self.shift_s, self.w)

    def gate_times_s(self, length_m: float) -> Floats:
        """Return the times (2,) at x = 0 and x = `length_m`."""
        half = np.array([-0.5, 0.5]) * self.nominal.duration_s / self.w
        direction = np.sign(self.coefficients[CHANGE]) * np.sign(length_m)
        return np.asarray(self.nominal.middle_s + self.shift_s + direction * half)


def time_at(x_m: Floats, along: Along) -> Floats:
    """Return the times (n,) at which a pass is at `x_m` (n,).

    Newton's iteration from the uniform motion; MotionError where the path turns back first.
    """
    coefficients = along.coefficients
    span = along.nominal.duration_s / along.w
    middle = along.nominal.middle_s + along.shift_s
    time = middle + (x_m - coefficients[MEAN]) / coefficients[CHANGE] * span
    for _ in range(50):
        now = along.at(time)
        rate = now.by_time @ coefficients
        step = (now.value @ coefficients - x_m) / np.where(rate == 0.0, np.nan, rate)
        time = time - np.clip(np.nan_to_num(step), -span / 4.0, span / 4.0)
        if np.max(np.abs(step)) < 1e-14 * (1.0 + abs(middle)):
            break
    now = along.at(time)
    near = np.abs(now.value @ coefficients - x_m) < 1e-6
    onward = np.sign(now.by_time @ coefficients) == np.sign(coefficients[CHANGE])
    if not np.all(near & onward):
        raise MotionError("the path turns back before the gate")
    return np.asarray(time)


def stretch_speed(from_m: float, to_m: float, along: Along) -> tuple[float, Floats]:
    """Return the mean speed along x between two places, whichever way it flew.

    Returns
    -------
    speed : course metres a second, positive
    gradient : (n,) by the pass's unknowns
    """
    times = time_at(np.array([from_m, to_m]), along)
    by_time = _times_slopes(along, times)
    spent = float(times[1] - times[0])
    speed = abs((to_m - from_m) / spent)
    return speed, np.asarray(-speed / spent * (by_time[1] - by_time[0]))


def local_speeds(x_m: Floats, along: Along) -> tuple[Floats, Floats]:
    """Return the speed along x (n,), positive, at places `x_m` (n,), and its gradient (n, m)."""
    times = time_at(x_m, along)
    now, coefficients = along.at(times), along.coefficients
    gradient = now.by_time @ along.slopes
    change = now.by_time2 @ coefficients
    gradient[:, 0] -= change
    gradient[:, 1] += now.by_time_w @ coefficients
    gradient += change[:, None] * _times_slopes(along, times)
    sign = np.sign(coefficients[CHANGE])
    return np.asarray(sign * (now.by_time @ coefficients)), np.asarray(sign * gradient)


def _times_slopes(along: Along, times_s: Floats) -> Floats:
    """Return the derivative (n, m) of the times at which fixed places are passed."""
    now, coefficients = along.at(times_s), along.coefficients
    rate = now.by_time @ coefficients
    place = now.value @ along.slopes
    place[:, 0] -= rate
    place[:, 1] += now.by_w @ coefficients
    return np.asarray(-place / rate[:, None])


def weave_basis(x_m: Floats, length_m: float) -> Floats:
    """Return functions (n, m) whose sum with m standard normal weights is a weave of RMS one.

    The weave is a Gaussian process along x with correlation exp(-(dx/l)^2/2), l a quarter of the
    course, carried by its values on a grid of spacing l/2 (Nystroem's approximation; C. Williams
    and M. Seeger, NIPS 13, 2001). `x_m` (n,) are fixed places: the weave does not follow the
    unknowns, so that its known wavelength cannot tell how far away the light is.
    """
    scale = length_m / 4.0
    low, high = float(np.min(x_m)), float(np.max(x_m))
    count = int(np.ceil((high - low) / (scale / 2.0))) + 3
    middle = (low + high) / 2.0
    grid = middle + (np.arange(count, dtype=np.float64) - (count - 1) / 2.0) * scale / 2.0
    values, vectors = np.linalg.eigh(_correlation(grid, grid, scale))
    kept = values > 1e-6 * values[-1]
    return np.asarray(_correlation(x_m, grid, scale) @ vectors[:, kept] / np.sqrt(values[kept]))


def _correlation(first_m: Floats, second_m: Floats, scale_m: float) -> Floats:
    return np.asarray(np.exp(-0.5 * ((first_m[:, None] - second_m[None, :]) / scale_m) ** 2))
