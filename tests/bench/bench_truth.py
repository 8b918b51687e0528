"""The truth of a simulated pass: path, gate times and speed, with no code of the estimator.

Course frame in metres (course metres: the gates are at x = 0 and x = `length_m` exactly), time in
seconds of a perfect clock. The true speed is (1 + s) * length over the time between the gates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Weave:
    """A stationary Gaussian process along x, one for y and one for z.

    It is a sum of cosines and sines with independent normal amplitudes on a grid of frequencies
    so fine that its kernel is exp(-(dx/l)^2 / 2) summed over repeats that lie out of reach.
    """

    omega_per_m: Floats  # (m,)
    cosine_m: Floats  # (2, m)
    sine_m: Floats  # (2, m)

    def at(self, x_m: Floats) -> Floats:
        """Return the deviation (n, 2) in y and z at places x (n,)."""
        angle = np.outer(x_m, self.omega_per_m)
        return np.cos(angle) @ self.cosine_m.T + np.sin(angle) @ self.sine_m.T


def draw_weave(rng: np.random.Generator, rms_m: float, length_m: float) -> Weave:
    """Draw a weave of the given RMS in each of y and z, correlation length a quarter course."""
    scale_m = length_m / 4.0
    period_m = 12.0 * length_m
    order = np.arange(0, int(np.ceil(6.0 * period_m / (2.0 * np.pi * scale_m))) + 1)
    omega = 2.0 * np.pi * order / period_m
    power = np.exp(-0.5 * (omega * scale_m) ** 2)
    power[1:] *= 2.0
    power /= power.sum()
    amplitude = rms_m * np.sqrt(power)
    return Weave(
        omega_per_m=omega,
        cosine_m=amplitude * rng.standard_normal((2, len(order))),
        sine_m=amplitude * rng.standard_normal((2, len(order))),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class TruePath:
    """A path p(tau) = p0 + v tau + a tau^2/2 + j tau^3/6 (columns x, y, z) and a weave.

    tau = 0 where the craft is half-way; `gates_s` are the times at x = 0 and x = length;
    `clear_s` bounds the stretch on which x runs one way.
    """

    length_m: float
    scale_error: float
    terms: Floats  # (4, 3): p0, v, a, j
    weave: Weave
    gates_s: tuple[float, float]

    def smooth(self, tau_s: Floats) -> Floats:
        """Return the path without its weave, (n, 3)."""
        powers = np.stack([np.ones_like(tau_s), tau_s, tau_s**2 / 2.0, tau_s**3 / 6.0], axis=1)
        return powers @ self.terms

    def at(self, tau_s: Floats) -> Floats:
        """Return the path (n, 3) at times (n,)."""
        place = self.smooth(tau_s)
        place[:, 1:] += self.weave.at(place[:, 0])
        return place

    @property
    def speed_mps(self) -> float:
        """Return the true speed: (1 + s) * length over the time between the gates."""
        return (1.0 + self.scale_error) * self.length_m / abs(self.gates_s[1] - self.gates_s[0])

    @property
    def direction(self) -> str:
        """Return "forward" or "reverse"."""
        return "forward" if self.gates_s[1] > self.gates_s[0] else "reverse"

    def time_at(self, x_m: float) -> float:
        """Return the time at which the craft is at x."""
        return solve_time(self.terms[:, 0], x_m)


def solve_time(terms: Floats, x_m: float) -> float:
    """Return tau where p0 + v tau + a tau^2/2 + j tau^3/6 = x, to rounding (Newton's rule)."""
    p0, v, a, j = terms
    tau = (x_m - p0) / v
    for _ in range(60):
        gap = p0 + tau * (v + tau * (a / 2.0 + tau * j / 6.0)) - x_m
        step = gap / (v + tau * (a + tau * j / 2.0))
        tau -= step
        if abs(step) < 1e-14 * max(1.0, abs(tau)):
            break
    gap = p0 + tau * (v + tau * (a / 2.0 + tau * j / 6.0)) - x_m
    if abs(gap) > 1e-12 * abs(v) + 1e-12:
        raise ArithmeticError(f"no time for x = {x_m} m: {gap} m left")
    return float(tau)


def draw_path(
    rng: np.random.Generator,
    *,
    length_m: float,
    scale_error: float,
    velocity_mps: float,
    accel_u_mps2: Floats,
    offset_m: float,
    height_m: float,
    drift_u_m: float,
    climb_u_m: float,
    weave_u_m: float,
) -> TruePath:
    """Draw a path: mean y and z as given, the rest from its standard uncertainties.

    `velocity_mps` is the x component half-way, negative for a reverse pass. The jerk has the
    standard uncertainty accel_u * v / length of the contract.
    """
    jerk_u = accel_u_mps2 * abs(velocity_mps) / length_m
    accel = accel_u_mps2 * rng.standard_normal(3)
    jerk = jerk_u * rng.standard_normal(3)
    change = np.array([drift_u_m, climb_u_m]) * rng.standard_normal(2)
    terms = np.zeros((4, 3))
    terms[:, 0] = length_m / 2.0, velocity_mps, accel[0], jerk[0]
    start, finish = solve_time(terms[:, 0], 0.0), solve_time(terms[:, 0], length_m)
    terms[2, 1:], terms[3, 1:] = accel[1:], jerk[1:]
    bent = terms[2, 1:] * (finish**2 - start**2) / 2 + terms[3, 1:] * (finish**3 - start**3) / 6
    terms[1, 1:] = (change - bent) / (finish - start)
    path = TruePath(
        length_m=length_m,
        scale_error=scale_error,
        terms=terms,
        weave=draw_weave(rng, weave_u_m, length_m),
        gates_s=(start, finish),
    )
    terms[0, 1:] = np.array([offset_m, height_m]) - mean_along_course(path)
    return path


def mean_along_course(path: TruePath) -> Floats:
    """Return the mean of y and z over x between the gates, without the weave."""
    node, weight = np.polynomial.legendre.leggauss(12)
    start, finish = path.gates_s
    tau = 0.5 * (start + finish) + 0.5 * (finish - start) * node
    _, v, a, j = path.terms[:, 0]
    speed = v + tau * (a + tau * j / 2.0)
    share = weight * speed * 0.5 * (finish - start) / path.length_m
    return np.asarray(share @ path.smooth(tau)[:, 1:])
