"""The picture of a lamp that moves during the exposure: a line segment blurred by the lens.

With u along and v across the segment, from its middle, its half length q and the width s, the
level is P V(v) (E(u) + g T(u)), where V = exp(-v^2/2s^2), E is the mean over the segment of
exp(-(u - t)^2/2s^2) and T the same mean weighted with t/2q: g is the change of brightness from
end to end, relative. For q -> 0 this is P exp(-r^2/2s^2), a point. A share h of as much light
again lies in a halo: the same segment under a blur `HALO_WIDTH` times as wide.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import erf

from vidspeed.values import Floats

# Places in a vector of parameters.
X, Y, HALF_X, HALF_Y, WIDTH, PEAK, SLOPE, HALO = range(8)
SHAPE = 8
HALO_WIDTH = 4.0
LEAST_HALF = 0.05  # half length in widths below which a segment is a point


class _Along(NamedTuple):
    """The segment's profile along itself, and its derivatives by place, half length, width."""

    level: Floats
    by_u: Floats
    by_half: Floats
    by_width: Floats


def streak(parameters: Floats, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Return the light (n,) of a streak at pixels x, y (n,) and its derivatives (n, 8).

    `parameters`: middle x, y; half vector x, y; width (pixels); peak (light); slope g; halo h.
    """
    slopes, halo_slopes = np.empty((SHAPE, len(x))), np.empty((HALO, len(x)))
    core = _segment(parameters[:HALO], x, y, slopes[:HALO])
    wide = parameters[:HALO].copy()
    wide[WIDTH] *= HALO_WIDTH
    halo = _segment(wide, x, y, halo_slopes)
    thin = 1.0 / HALO_WIDTH**2
    share = parameters[HALO] * thin
    halo_slopes[WIDTH] *= HALO_WIDTH
    halo_slopes *= share
    slopes[:HALO] += halo_slopes
    slopes[HALO] = thin * halo
    return core + share * halo, slopes.T


def _segment(parameters: Floats, x: Floats, y: Floats, slopes: Floats) -> Floats:
    """Return the light (n,) of a blurred segment; its derivatives go into `slopes` (7, n)."""
    half_x, half_y, width = parameters[HALF_X], parameters[HALF_Y], parameters[WIDTH]
    half = max(float(np.hypot(half_x, half_y)), LEAST_HALF * width)
    cosine, sine = (half_x / half, half_y / half) if np.hypot(half_x, half_y) > 0 else (1.0, 0.0)
    dx, dy = x - parameters[X], y - parameters[Y]
    u, v = dx * cosine + dy * sine, dy * cosine - dx * sine
    across = np.exp(-0.5 * (v / width) ** 2)
    ends = _ends(u, half, width)
    even, tilted = _even(u, half, width, ends), _tilted(u, half, width, ends)
    peak, slope = parameters[PEAK], parameters[SLOPE]
    along = _Along(*(e + slope * t for e, t in zip(even, tilted, strict=True)))
    bright = peak * across
    level = bright * along.level
    by_u = bright * along.by_u
    by_v = level * v / -(width**2)
    by_turn = by_u * v - by_v * u  # by the angle from +x towards +y
    by_half = bright * along.by_half
    slopes[X] = by_v * sine - by_u * cosine
    slopes[Y] = -by_u * sine - by_v * cosine
    slopes[HALF_X] = by_half * cosine - by_turn * (sine / half)
    slopes[HALF_Y] = by_half * sine + by_turn * (cosine / half)
    slopes[WIDTH] = by_v * v / -width + bright * along.by_width
    slopes[PEAK] = across * along.level
    slopes[SLOPE] = bright * tilted.level
    return np.asarray(level)


_Ends = tuple[Floats, Floats, Floats]


def _ends(u: Floats, half: float, width: float) -> _Ends:
    """Return the integral of the blur over the segment, and the blur at its two ends."""
    ahead = np.exp(-0.5 * ((u - half) / width) ** 2)
    behind = np.exp(-0.5 * ((u + half) / width) ** 2)
    root = np.sqrt(2.0) * width
    whole = width * np.sqrt(np.pi / 2.0) * (erf((u + half) / root) - erf((u - half) / root))
    return whole, ahead, behind


def _even(u: Floats, half: float, width: float, ends: _Ends) -> _Along:
    """Return E and its derivatives."""
    whole, ahead, behind = ends
    length = 2.0 * half
    spread = (whole - (half - u) * ahead - (half + u) * behind) / width
    return _Along(
        whole / length,
        (behind - ahead) / length,
        (behind + ahead) / length - whole / (half * length),
        spread / length,
    )


def _tilted(u: Floats, half: float, width: float, ends: _Ends) -> _Along:
    """Return T and its derivatives."""
    whole, ahead, behind = ends
    area = 4.0 * half**2
    moment = u * whole - width**2 * (ahead - behind)
    spread = (whole - (half - u) * ahead - (half + u) * behind) / width
    by_width = (
        u * spread
        - 2.0 * width * (ahead - behind)
        - (ahead * (u - half) ** 2 - behind * (u + half) ** 2) / width
    )
    return _Along(
        moment / area,
        (whole - half * (ahead + behind)) / area,
        half * (ahead - behind) / area - 2.0 * moment / (half * area),
        by_width / area,
    )
