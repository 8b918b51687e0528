"""The picture of a lamp that moves during the exposure: a line segment blurred by the lens.

With u along and v across the segment, from its middle, its half length q and the width s, the
level is P V(v) (E(u) + g T(u)), where V = exp(-v^2/2s^2), E is the mean over the segment of
exp(-(u - t)^2/2s^2) and T the same mean weighted with t/2q: g is the change of brightness from
end to end, relative. For q -> 0 this is P exp(-r^2/2s^2), a point. A share h of as much light
again lies in a halo: the same segment under a blur `HALO_WIDTH` times as wide.

Lengths are taken in sqrt(2) widths of the halo. Under a blur w times as narrow (w is 1 for the
halo, `HALO_WIDTH` for the core) the blur at the segment's two ends is
A = exp(-w^2 ((u - q)^2 + v^2)) and B = exp(-w^2 ((u + q)^2 + v^2)), and W, V times its integral
over the segment, is sqrt(pi)/2w times D = V (erf(w (u + q)) - erf(w (u - q))). Then V E = W/2q and
V T = (uW - (A - B)/2w^2)/4q^2. These and their derivatives by u and q are linear in A, B, D and uD;
that by v is -2 w^2 v times the level, and since only ratios of lengths count, that by the width
follows from the other three.

The integral of the blur over the segment follows from the blur at its two ends to 2e-7:
M. Abramowitz, I. Stegun, "Handbook of Mathematical Functions" (1964), 7.1.26.
"""

from __future__ import annotations

import numpy as np

from vidspeed.values import Floats

# Places in a vector of parameters.
X, Y, HALF_X, HALF_Y, WIDTH, PEAK, SLOPE, HALO = range(8)
SHAPE = 8
HALO_WIDTH, SQUARINGS = 4.0, 4  # so often squared, a number is to the power of that width squared
NARROW = np.array([HALO_WIDTH, 1.0])  # w of the core and of the halo
INTEGRAL = np.sqrt(np.pi) / (2.0 * NARROW)  # W over D
LEAST_HALF = 0.05  # half length in widths below which a segment is a point
BEYOND = (1.061405429, -1.453152027, 1.421413741, -0.284496736, 0.254829592)  # of 7.1.26
FASTER = 0.3275911


def streak(
    parameters: Floats, x: Floats, y: Floats, out: Floats | None = None
) -> tuple[Floats, Floats]:
    """Return the light (n,) of a streak at pixels x, y (n,) and its derivatives (n, 8).

    `parameters` (8,): middle x, y; half vector x, y; width (pixels); peak (light); slope g;
    halo h. Several streaks at once have one more axis in front, in all of these. The derivatives
    are tables (n,) one after another, in `out` (8, n) where that is given.
    """
    slopes = np.empty((SHAPE, *x.shape)) if out is None else out
    middle_x, middle_y, half_x, half_y, width, peak = (
        parameters[..., place, None] for place in range(SLOPE)
    )
    unit = np.sqrt(2.0) * HALO_WIDTH * width
    length = np.hypot(half_x, half_y)
    half = np.maximum(length, LEAST_HALF * width) / unit
    reach = np.where(length > 0.0, length, 1.0) * unit
    cosine, sine = np.where(length > 0.0, half_x, 1.0) / reach, half_y / reach
    dx, dy = x - middle_x, y - middle_y
    u, v = dx * cosine + dy * sine, dy * cosine - dx * sine
    tables = _tables(u, v, half)
    derivatives, shares = _weights(parameters, half)
    _combine(shares, tables, slopes[PEAK:])
    ways = np.empty((4, *x.shape))
    _combine(derivatives, tables, ways[:3])
    by_u, by_v, by_half, by_turn = ways  # the last two times q
    by_v *= v
    np.subtract(by_u * v, by_v * u, out=by_turn)
    by_width = by_u * u + by_v * v
    by_width += by_half
    np.multiply(by_width, -1.0 / width, out=slopes[WIDTH])
    turned = np.stack([cosine, -sine, sine, cosine], axis=-1).reshape(*x.shape[:-1], 2, 2)
    _combine(-turned, ways[:2], slopes[: Y + 1])
    _combine(turned / half[..., None], ways[2:], slopes[HALF_X : HALF_Y + 1])
    return peak * slopes[PEAK], np.moveaxis(slopes, 0, -1)


def _tables(u: Floats, v: Floats, half: Floats) -> Floats:
    """Return A, B, D and uD of the core, and then those of the halo (8, n)."""
    tables = np.empty((2, 4, *u.shape))
    bells, difference = tables[:, :3], tables[:, 2]  # A, B and V, which makes way for D
    core, halo = bells
    ends = np.empty((2, 2, *u.shape))
    ahead, behind = ends[1]
    np.subtract(u, half, out=ahead)
    np.add(u, half, out=behind)
    np.multiply(ends[1], HALO_WIDTH, out=ends[0])
    np.square(ends[1], out=halo[:2])
    halo[2] = 0.0
    halo += v**2
    np.exp(np.negative(halo, out=halo), out=halo)
    np.square(halo, out=core)
    for _ in range(SQUARINGS - 1):
        np.square(core, out=core)
    whole = _error_function(ends, bells[:, :2], bells[:, 2:])
    np.subtract(whole[:, 1], whole[:, 0], out=difference)
    np.multiply(difference, u, out=tables[:, 3])
    return tables.reshape(8, *u.shape)


def _weights(parameters: Floats, half: Floats) -> tuple[Floats, Floats]:
    """Return the matrices that make derivatives of the tables A, B, D and uD of core and halo.

    Those by u, by v over v, and by q times q (3, 8); and those by peak, slope and halo (3, 8).
    """
    peak, slope, share = (parameters[..., place, None] for place in (PEAK, SLOPE, HALO))
    rows = np.zeros((6, *half.shape[:-1], 2, 4))
    by_u, by_v, by_half, level, tilted, halo = rows
    even, tilt, far, near = 0.5 / half, 0.25 / half**2, 1.0 + 0.5 * slope, 1.0 - 0.5 * slope
    mean, moment = even * INTEGRAL, tilt * INTEGRAL
    tilted[..., 1] = tilt * (0.5 / NARROW**2)
    tilted[..., 0] = -tilted[..., 1]
    tilted[..., 3] = moment
    np.multiply(tilted, slope[..., None], out=level)
    level[..., 2] = mean
    by_u[..., 0] = -even * far
    by_u[..., 1] = even * near
    by_u[..., 2] = slope * moment
    np.multiply(level, -2.0 * NARROW[:, None] ** 2, out=by_v)
    by_half[..., 0], by_half[..., 1], by_half[..., 2] = 0.5 * far, 0.5 * near, mean
    by_half -= 2.0 * level
    thin = 1.0 / HALO_WIDTH**2
    np.multiply(level[..., 1, :], thin, out=halo[..., 1, :])
    rows[:5, ..., 1, :] *= thin * share
    rows[:3] *= peak[..., None]
    rows[4:] *= peak[..., None]
    both = rows.reshape(6, *half.shape[:-1], 8).swapaxes(0, -2)
    return both[..., :3, :], both[..., 3:, :]


def _combine(matrix: Floats, tables: Floats, out: Floats) -> None:
    """Put the sums of tables (m, n), weighed by a matrix (k, m), into others (k, n)."""
    np.matmul(matrix, tables.swapaxes(0, -2), out=out.swapaxes(0, -2))


def _error_function(x: Floats, bell: Floats, top: Floats) -> Floats:
    """Return `top` times erf(x), where `bell` is `top` times exp(-x^2), to 1.5e-7.

    SciPy's takes twice as long, and brings 24 MB and a tenth of a second to what only scans.
    """
    near = np.abs(x)
    near *= FASTER
    near += 1.0
    np.divide(1.0, near, out=near)
    beyond = BEYOND[0] * near
    for each in BEYOND[1:]:
        beyond += each
        beyond *= near
    beyond *= bell
    np.subtract(top, beyond, out=beyond)
    return np.copysign(beyond, x, out=beyond)
