"""The path of a pass: a cubic in time, and what the flight line says about it.

With xi the time since a nominal middle of the traverse over a nominal duration T, each
coordinate is c0 + c1 xi + c2 xi^2/2 + c3 xi^3/6, coefficients in metres. So written the path is
linear in its unknowns, which keeps the strongly observed part of the problem as straight as the
camera allows. What is known beforehand (mean, drift and climb between the gates, acceleration,
jerk) is a handful of mild functions of the coefficients, `known_of`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.errors import MotionError
from vidspeed.values import Floats, Value

ORDERS = 4  # coefficients of a coordinate
RATE = 3  # where the unknown c1 of x stands in the (4, 3) coefficients, unravelled
# The quantities of `known_of`, in order.
KNOWN = (
    "offset",
    "height",
    "drift",
    "climb",
    "acceleration x",
    "acceleration y",
    "acceleration z",
    "jerk x",
    "jerk y",
    "jerk z",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Nominal(Value):
    """The traverse that a path is written about, on the pass's clock: middle and duration."""

    middle_s: float
    duration_s: float
    direction: float  # +1 from start to finish, -1 the other way

    def xi(self, time_s: Floats) -> Floats:
        """Return the time (n,) since the middle, in durations."""
        return np.asarray((time_s - self.middle_s) / self.duration_s)


def basis(xi: Floats) -> Floats:
    """Return the path's functions (..., 4) at xi (...)."""
    rows = np.empty((*xi.shape, ORDERS))
    square = xi * xi
    rows[..., 0], rows[..., 1] = 1.0, xi
    rows[..., 2], rows[..., 3] = square / 2.0, square * xi / 6.0
    return rows


def basis_rate(xi: Floats) -> Floats:
    """Return the derivative (..., 4) of `basis` by xi."""
    rows = np.empty((*xi.shape, ORDERS))
    rows[..., 0], rows[..., 1], rows[..., 2], rows[..., 3] = 0.0, 1.0, xi, xi * xi / 2.0
    return rows


def basis_rate2(xi: Floats) -> Floats:
    """Return the second derivative (..., 4) of `basis` by xi."""
    rows = np.empty((*xi.shape, ORDERS))
    rows[..., 0], rows[..., 1], rows[..., 2], rows[..., 3] = 0.0, 0.0, 1.0, xi
    return rows


def value_of(xi: Floats, part: Floats) -> Floats:
    """Return a coordinate (..., n) at xi (..., n) from its coefficients (..., 4)."""
    c0, c1, c2, c3 = (part[..., order, None] for order in range(ORDERS))
    return np.asarray(c0 + xi * (c1 + xi * (c2 / 2.0 + xi * (c3 / 6.0))))


def rate_of(xi: Floats, part: Floats) -> Floats:
    """Return the derivative (..., n) of `value_of` by xi."""
    c1, c2, c3 = (part[..., order, None] for order in range(1, ORDERS))
    return np.asarray(c1 + xi * (c2 + xi * (c3 / 2.0)))


def places_at(x_m: Floats, along: Floats) -> Floats:
    """Return xi (n,) at which a pass is at `x_m` (n,); `along` (4,) are x's coefficients.

    MotionError where the path turns back first.
    """
    xi = crossings(x_m, along)
    if not np.all(np.isfinite(xi)):
        raise MotionError("the path turns back before the gate")
    return xi


def crossings(x_m: Floats, along: Floats) -> Floats:
    """Return xi (..., n) at which passes are at `x_m` (n,); NaN where a path turns back first.

    `along` (..., 4) are the coefficients of x. Newton's iteration from the uniform motion.
    """
    xi = (x_m - along[..., 0, None]) / along[..., 1, None]
    for _ in range(50):
        rate = rate_of(xi, along)
        error = value_of(xi, along) - x_m
        step = error / (rate if rate.all() else np.where(rate == 0.0, np.nan, rate))
        if not np.isfinite(step).all():
            step = np.nan_to_num(step)
        xi = xi - np.minimum(np.maximum(step, -0.25), 0.25)
        if np.max(np.abs(step)) < 1e-14:
            break
    near = np.abs(value_of(xi, along) - x_m) < 1e-6
    onward = np.sign(rate_of(xi, along)) == np.sign(along[..., 1, None])
    return np.where(near & onward, xi, np.nan)


def _places_slopes(xi: Floats, along: Floats) -> Floats:
    """Return the derivative (..., n, 4) of `crossings` by x's coefficients."""
    return np.asarray(-basis(xi) / rate_of(xi, along)[..., None])


def stretch_speed(
    from_m: float, to_m: float, along: Floats, nominal: Nominal
) -> tuple[Floats, Floats]:
    """Return the mean speed along x between two places, whichever way it flew.

    Returns
    -------
    speed : (...), course metres a second, positive; NaN where the path turns back before a gate
    gradient : (..., 4) by x's coefficients
    """
    xi = crossings(np.array([from_m, to_m]), along)
    slopes = _places_slopes(xi, along)
    spent = xi[..., 1] - xi[..., 0]
    speed = np.abs((to_m - from_m) / (spent * nominal.duration_s))
    by_path = (-speed / spent)[..., None] * (slopes[..., 1, :] - slopes[..., 0, :])
    return speed, np.asarray(by_path)


def local_speeds(x_m: Floats, along: Floats, nominal: Nominal) -> tuple[Floats, Floats]:
    """Return the speed along x (n,), positive, at places `x_m` (n,), and its gradient (n, 4)."""
    xi = places_at(x_m, along)
    change = basis_rate2(xi) @ along
    gradient = basis_rate(xi) + change[:, None] * _places_slopes(xi, along)
    per_time = np.sign(along[1]) / nominal.duration_s
    return np.asarray(per_time * (basis_rate(xi) @ along)), np.asarray(per_time * gradient)


def growth(coefficients: Floats, length_m: float) -> Floats:
    """Return how much faster than nominal paths (..., 4, 3) are: (...).

    Acceleration, jerk and weave are judged after division by it. A single camera that tries
    another range finds all of them larger or smaller with the path; so divided, their priors,
    which are in metres, say nothing about how far away the light is.
    """
    return np.asarray(np.abs(coefficients[..., 1, 0]) / length_m)


def known_of(coefficients: Floats, nominal: Nominal, length_m: float) -> tuple[Floats, Floats]:
    """Return the quantities that are known beforehand, in the order of `KNOWN`.

    Mean y and z over the time between the gates (m), y and z at the second gate that is passed
    less those at the first (m), acceleration in mid-course (m/s^2) and jerk (m/s^3), both over
    `growth`. Not a number where the path (..., 4, 3) reaches no gate.

    Returns
    -------
    values : (..., 10)
    slopes : (..., 10, 4, 3) by the coefficients
    """
    before = coefficients.shape[:-2]
    values, slopes = np.zeros((*before, 10)), np.zeros((*before, 10, ORDERS, 3))
    middle, width, by_middle, by_width = _between_gates(coefficients[..., 0], length_m)
    _levels(coefficients, middle, width, by_middle, by_width, values, slopes)
    _bends(coefficients, nominal, length_m, middle, by_middle, values, slopes)
    return values, slopes


def _between_gates(along: Floats, length_m: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Return xi's middle and width (...) between the gates, and their derivatives (..., 4)."""
    gates = crossings(np.array([0.0, length_m]), along)
    moves = _places_slopes(gates, along)
    apart = gates[..., 1] - gates[..., 0]
    by_width = np.sign(apart)[..., None] * (moves[..., 1, :] - moves[..., 0, :])
    return gates.mean(axis=-1), np.abs(apart), moves.mean(axis=-2), by_width


def _levels(
    coefficients: Floats,
    middle: Floats,
    width: Floats,
    by_middle: Floats,
    by_width: Floats,
    values: Floats,
    slopes: Floats,
) -> None:
    """Fill in mean and change of y and z between the gates: those of a cubic about its middle."""
    value, rate, bend = basis(middle), basis_rate(middle), basis_rate2(middle)
    wide = width[..., None]
    for row, axis in ((0, 1), (1, 2)):
        part = coefficients[..., axis]
        at, slope, curve = (np.sum(rows * part, axis=-1) for rows in (value, rate, bend))
        third = part[..., 3]
        values[..., row] = at + curve * width**2 / 24.0
        values[..., row + 2] = slope * width + third * width**3 / 24.0
        slopes[..., row, :, axis] = value + bend * wide**2 / 24.0
        slopes[..., row + 2, :, axis] = rate * wide
        slopes[..., row + 2, 3, axis] += width**3 / 24.0
        slopes[..., row, :, 0] = (slope + third * width**2 / 24.0)[..., None] * by_middle
        slopes[..., row, :, 0] += (curve * width / 12.0)[..., None] * by_width
        slopes[..., row + 2, :, 0] = (curve * width)[..., None] * by_middle
        slopes[..., row + 2, :, 0] += (slope + third * width**2 / 8.0)[..., None] * by_width


def _bends(
    coefficients: Floats,
    nominal: Nominal,
    length_m: float,
    middle: Floats,
    by_middle: Floats,
    values: Floats,
    slopes: Floats,
) -> None:
    """Fill in acceleration in mid-course and jerk, both over `growth`."""
    factor = growth(coefficients, length_m)
    shrinks = np.sign(coefficients[..., 1, 0]) / (length_m * factor)
    bend = basis_rate2(middle)
    twist = np.broadcast_to(np.array([0.0, 0.0, 0.0, 1.0]), bend.shape)
    for first, function, power in ((4, bend, 2), (7, twist, 3)):
        unit = 1.0 / (factor * nominal.duration_s**power)
        for axis in range(3):
            part, row = coefficients[..., axis], first + axis
            values[..., row] = np.sum(function * part, axis=-1) * unit
            slopes[..., row, :, axis] = function * unit[..., None]
            if function is bend:
                slopes[..., row, :, 0] += (part[..., 3] * unit)[..., None] * by_middle
            slopes[..., row, 1, 0] -= values[..., row] * shrinks


def rewritten(coefficients: Floats, old: Nominal, new: Nominal) -> Floats:
    """Return the coefficients (4, 3) of the same path about another nominal traverse."""
    at = old.xi(np.array([new.middle_s]))
    width = new.duration_s / old.duration_s
    rows = (basis(at), basis_rate(at), basis_rate2(at), np.array([[0.0, 0.0, 0.0, 1.0]]))
    return np.concatenate([row @ coefficients * width**k for k, row in enumerate(rows)])


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
