"""The picture of a lamp that moves during the exposure: a line segment blurred by the lens.

With u along and v across the segment, from its middle, its half length q and the width s, the
level is P V(v) (E(u) + g T(u)), where V = exp(-v^2/2s^2), E is the mean over the segment of
exp(-(u - t)^2/2s^2) and T the same mean weighted with t/2q: g is the change of brightness from
end to end, relative. For q -> 0 this is P exp(-r^2/2s^2), a point. A share h of as much light
again lies in a halo: the same segment under a blur `HALO_WIDTH` times as wide.

The integral of the blur over the segment follows from the blur at its two ends to 2e-7:
M. Abramowitz, I. Stegun, "Handbook of Mathematical Functions" (1964), 7.1.26.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from vidspeed.values import Floats

# Places in a vector of parameters.
X, Y, HALF_X, HALF_Y, WIDTH, PEAK, SLOPE, HALO = range(8)
SHAPE = 8
HALO_WIDTH = 4.0
LEAST_HALF = 0.05  # half length in widths below which a segment is a point
BEYOND = (1.061405429, -1.453152027, 1.421413741, -0.284496736, 0.254829592)  # of 7.1.26
FASTER = 0.3275911


class _Along(NamedTuple):
    """The segment's profile along itself, and its derivatives by place, half length, width."""

    level: Floats
    by_u: Floats
    by_half: Floats
    by_width: Floats


def streak(parameters: Floats, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Return the light (n,) of a streak at pixels x, y (n,) and its derivatives (n, 8).

    `parameters` (8,): middle x, y; half vector x, y; width (pixels); peak (light); slope g;
    halo h. Several streaks at once have one more axis in front, in all of these.
    """
    slopes, halo_slopes = np.empty((SHAPE, *x.shape)), np.empty((HALO, *x.shape))
    least = LEAST_HALF * parameters[..., WIDTH, None]
    core = _segment(parameters, x, y, least, slopes[:HALO])
    wide = parameters.copy()
    wide[..., WIDTH] *= HALO_WIDTH
    halo = _segment(wide, x, y, least, halo_slopes)
    thin = 1.0 / HALO_WIDTH**2
    share = parameters[..., HALO, None] * thin
    halo_slopes[WIDTH] *= HALO_WIDTH
    halo_slopes *= share
    slopes[:HALO] += halo_slopes
    slopes[HALO] = thin * halo
    return core + share * halo, np.moveaxis(slopes, 0, -1)


def _segment(parameters: Floats, x: Floats, y: Floats, least: Floats, slopes: Floats) -> Floats:
    """Return the light (n,) of a blurred segment; its derivatives go into `slopes` (7, n).

    One that is shorter is taken for one whose half length is `least`.
    """
    middle_x, middle_y, half_x, half_y, width, peak, slope = (
        parameters[..., place, None] for place in range(HALO)
    )
    length = np.hypot(half_x, half_y)
    half = np.maximum(length, least)
    there = np.where(length > 0.0, length, 1.0)
    cosine, sine = np.where(length > 0.0, half_x, 1.0) / there, half_y / there
    dx, dy = x - middle_x, y - middle_y
    u, v = dx * cosine + dy * sine, dy * cosine - dx * sine
    across = np.exp(-0.5 * (v / width) ** 2)
    along, tilted = _along(u, half, width, slope)
    bright = peak * across
    level = bright * along.level
    by_u = bright * along.by_u
    by_v = level * v / -(width**2)
    by_turn = (by_u * v - by_v * u) / half  # by the angle from +x towards +y
    by_half = bright * along.by_half
    slopes[X] = by_v * sine - by_u * cosine
    slopes[Y] = -by_u * sine - by_v * cosine
    slopes[HALF_X] = by_half * cosine - by_turn * sine
    slopes[HALF_Y] = by_half * sine + by_turn * cosine
    slopes[WIDTH] = by_v * v / -width + bright * along.by_width
    slopes[PEAK] = across * along.level
    slopes[SLOPE] = bright * tilted
    return np.asarray(level)


def _along(u: Floats, half: Floats, width: Floats, slope: Floats) -> tuple[_Along, Floats]:
    """Return E + g T with its derivatives, and T.

    With the integral W of the blur over the segment, and the difference and the sum of the blur at
    its two ends, E is W over the length, and T is (u W - s^2 difference) over its square.
    """
    ahead = np.exp(-0.5 * ((u - half) / width) ** 2)
    behind = np.exp(-0.5 * ((u + half) / width) ** 2)
    root = np.sqrt(2.0) * width
    whole = _error_function((u + half) / root, behind) - _error_function((u - half) / root, ahead)
    whole *= width * np.sqrt(np.pi / 2.0)
    apart, both = ahead - behind, ahead + behind
    even, tilt = 0.5 / half, 0.25 * slope / half**2
    moment = u * whole - width**2 * apart
    inner = whole - half * both
    spread = (inner + u * apart) / width
    by_width = (2.0 * half / width) * u * both + u * spread
    by_width -= ((u**2 + half**2) / width + 2.0 * width) * apart
    along = _Along(
        even * whole + tilt * moment,
        tilt * inner - even * apart,
        even * both - (even / half) * whole + (tilt * half) * apart - (2.0 * tilt / half) * moment,
        even * spread + tilt * by_width,
    )
    return along, moment * (0.25 / half**2)


def _error_function(x: Floats, bell: Floats) -> Floats:
    """Return erf(x), where `bell` is exp(-x^2), to 1.5e-7.

    SciPy's takes twice as long, and brings 24 MB and a tenth of a second to what only scans.
    """
    near = 1.0 / (1.0 + FASTER * np.abs(x))
    beyond = BEYOND[0] * near
    for each in BEYOND[1:]:
        beyond += each
        beyond *= near
    beyond *= bell
    return np.copysign(1.0 - beyond, x)
