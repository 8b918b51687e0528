"""The path of a pass: a cubic in time about the middle of the course, linear in its unknowns.

With tau the time since the middle of the traverse and T its duration, each coordinate is

    c0 + c1 tau/T + a (tau^2/2 - T^2/24) + j (tau^3/6 - tau T^2/24)

so that c0 is its mean between the gates, c1 its change from gate to gate, and neither is touched
by the acceleration a or the jerk j. (The subtracted terms are the mean of tau^2/2 and the slope
of tau^3/6 over the traverse.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.errors import MotionError
from vidspeed.values import Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frame:
    """The traverse that the path is written about: `middle_s`, `duration_s` (positive)."""

    middle_s: float
    duration_s: float


def basis(time_s: Floats, frame: Frame) -> Floats:
    """Return the four basis functions (n, 4) at times (n,)."""
    tau = time_s - frame.middle_s
    span = frame.duration_s
    return np.column_stack(
        [
            np.ones_like(tau),
            tau / span,
            tau**2 / 2.0 - span**2 / 24.0,
            tau**3 / 6.0 - tau * span**2 / 24.0,
        ]
    )


def basis_rate(time_s: Floats, frame: Frame) -> Floats:
    """Return the time derivative (n, 4) of `basis`."""
    tau = time_s - frame.middle_s
    span = frame.duration_s
    return np.column_stack(
        [np.zeros_like(tau), np.full_like(tau, 1.0 / span), tau, tau**2 / 2.0 - span**2 / 24.0]
    )


def basis_rate2(time_s: Floats, frame: Frame) -> Floats:
    """Return the second time derivative (n, 4) of `basis`."""
    tau = time_s - frame.middle_s
    return np.column_stack([np.zeros_like(tau), np.zeros_like(tau), np.ones_like(tau), tau])


def time_at(x_m: Floats, along: Floats, frame: Frame) -> Floats:
    """Return the times (n,) at which the path is at `x_m` (n,); `along` (4,) are x's coefficients.

    Newton's iteration from the uniform motion; MotionError where the path turns back first.
    """
    time = frame.middle_s + (x_m - along[0]) / along[1] * frame.duration_s
    for _ in range(50):
        error = basis(time, frame) @ along - x_m
        rate = basis_rate(time, frame) @ along
        step = error / rate
        time = time - np.clip(step, -frame.duration_s / 4.0, frame.duration_s / 4.0)
        if np.max(np.abs(step)) < 1e-14 * (1.0 + abs(frame.middle_s)) + 1e-15:
            break
    rate = basis_rate(time, frame) @ along
    near = np.abs(basis(time, frame) @ along - x_m) < 1e-6
    if not np.all(near & (np.sign(rate) == np.sign(along[1]))):
        raise MotionError("the path turns back before the gate")
    return np.asarray(time)


def stretch_speed(
    from_m: float, to_m: float, along: Floats, slopes: Floats, frame: Frame
) -> tuple[float, Floats, Floats]:
    """Return the mean speed along x between two places, whichever way it flew.

    Parameters
    ----------
    along
        (4,) coefficients of x.
    slopes
        (4, n) derivative of `along` by the unknowns of the path.

    Returns
    -------
    speed : course metres a second, positive
    gradient : (n,)
    times : (2,) at `from_m` and `to_m`
    """
    places = np.array([from_m, to_m])
    times = time_at(places, along, frame)
    rate = basis_rate(times, frame) @ along
    by_time = -(basis(times, frame) @ slopes) / rate[:, None]
    spent = times[1] - times[0]
    speed = abs((to_m - from_m) / spent)
    return speed, -speed / spent * (by_time[1] - by_time[0]), times


def local_speeds(x_m: Floats, along: Floats, slopes: Floats, frame: Frame) -> tuple[Floats, Floats]:
    """Return the speed along x (n,), positive, at places `x_m` (n,), and its gradient (n, m)."""
    times = time_at(x_m, along, frame)
    rate = basis_rate(times, frame) @ along
    by_time = -(basis(times, frame) @ slopes) / rate[:, None]
    change = basis_rate2(times, frame) @ along
    gradient = basis_rate(times, frame) @ slopes + change[:, None] * by_time
    sign = np.sign(along[1])
    return sign * rate, sign * gradient


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
