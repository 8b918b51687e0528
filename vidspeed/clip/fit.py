"""Fit a streak to the pixels of a spot: weighted least squares with priors, censored pixels.

The pixels above the saturation level are not believed: they only ask that the model be at least
that bright there. K. Levenberg, "A method for the solution of certain non-linear problems in
least squares", Quarterly of Applied Mathematics 2 (1944) 164-168.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vidspeed.clip.background import ground, level_scale
from vidspeed.clip.curve import Curve
from vidspeed.clip.lights import Spot
from vidspeed.clip.profile import HALF_X, HALF_Y, HALO, PEAK, SHAPE, SLOPE, WIDTH, X, Y, streak
from vidspeed.values import Bools, Floats, Ints, Value
from vidspeed.worker import alive

PARAMETERS = SHAPE + 3  # and a background: offset, tilt along x, tilt along y
HALO_SHARE, HALO_SHARE_SD = 0.03, 0.1  # of a lens: what is expected, and how loosely
TILT_PX = 10.0  # the tilts are levels over this distance
ROUNDS = 40
SETTLED = 3e-3  # chi-square that another step would still gain: a twentieth of a deviation
REACH = 5.0  # widths around the segment that are looked at
LIMITS = ((WIDTH, 0.45, 8.0), (SLOPE, -1.8, 1.8), (HALO, 0.0, 1.0))  # place, low, high
LEAST_HALF = 0.1  # half length in widths: below it a streak is a point
PARTS, PARTED = 7, 2.5  # a streak is looked at in so many parts from this half length, in widths


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pixels(Value):
    """The pixels of a spot that are fitted, n of them, in full-size picture pixels.

    `value` is the luma level, `ground` that of the background, both in eight-bit levels, and
    `noise2` the variance of one pixel as the background shows it; where `full`, the value is a
    lower bound. `at` (n,) is the place in the
    patch of shape `shape`.
    """

    x: Floats
    y: Floats
    value: Floats
    ground: Floats
    noise2: Floats
    full: Bools
    at: Ints
    shape: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prior(Value):
    """What is known of the parameters (11,) beforehand: value and standard deviation."""

    value: Floats
    sd: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit(Value):
    """The fit of one spot.

    `slopes` (n, 11) and `residual` (n,) are over the noise; `inverse` (11, 11) is the inverse of
    the normal matrix, the prior included. `modelled` (n,) is the light's level above ground.
    """

    parameters: Floats
    inverse: Floats
    slopes: Floats
    residual: Floats
    modelled: Floats
    settled: bool

    @property
    def leverage(self) -> Floats:
        """Return how far each pixel (n,) determines its own fitted value, 0 to 1."""
        return np.asarray(np.einsum("ni,ij,nj->n", self.slopes, self.inverse, self.slopes))


def pixels_of(spot: Spot, reach_px: float, full_level: float) -> Pixels:
    """Return the pixels of a spot that lie within `reach_px` of its segment.

    `full_level` (eight-bit levels) is where the picture saturates.
    """
    around = ground(spot.past)
    raw = spot.luma.astype(np.float64) * level_scale(spot.luma)
    rows, columns = np.mgrid[0 : raw.shape[0], 0 : raw.shape[1]].astype(np.float64)
    dx = columns + spot.corner_px[0] - spot.xy_px[0]
    dy = rows + spot.corner_px[1] - spot.xy_px[1]
    half = float(np.linalg.norm(spot.half_px))
    cosine, sine = (spot.half_px / half) if half > 0 else np.array([1.0, 0.0])
    u, v = dx * cosine + dy * sine, dy * cosine - dx * sine
    beyond = np.maximum(np.abs(u) - half, 0.0)
    kept = spot.own & (np.hypot(beyond, v) <= reach_px)
    return Pixels(
        x=(dx + spot.xy_px[0])[kept],
        y=(dy + spot.xy_px[1])[kept],
        value=raw[kept],
        ground=around.level[kept],
        noise2=around.noise2[kept] * (1.0 + 1.0 / around.samples),
        full=raw[kept] >= full_level,
        at=np.flatnonzero(kept),
        shape=(raw.shape[0], raw.shape[1]),
    )


def start_of(spot: Spot, pixels: Pixels, curve: Curve) -> Floats:
    """Return the parameters (11,) that a spot's rough figures suggest."""
    start = np.zeros(PARAMETERS)
    start[[X, Y]], start[[HALF_X, HALF_Y]] = spot.xy_px, spot.half_px
    start[WIDTH] = np.clip(spot.sigma_px, 0.8, 4.0)
    half = float(np.linalg.norm(spot.half_px))
    ground = float(np.median(pixels.ground))
    low, high = curve.light(np.array([ground, ground + spot.peak]))
    light = float(high - low)
    start[PEAK] = light * max(1.0, 0.8 * half / start[WIDTH])
    start[HALO] = HALO_SHARE
    return start


def fit_streak(pixels: Pixels, curve: Curve, start: Floats, prior: Prior, noise2: Floats) -> Fit:
    """Fit the parameters (11,) to the pixels; `noise2` (n,) is the variance of each value."""
    alive()
    weight = 1.0 / np.sqrt(noise2)
    tightness = 1.0 / prior.sd**2
    now, damping = _kept_possible(start), 1e-2
    under = curve.light(pixels.ground)
    beneath = _Beneath(under, curve.level(under))
    level, residual, slopes = _state(pixels, curve, beneath, now, weight)
    cost = _cost(residual, now, prior)
    settled = False
    for _ in range(ROUNDS):
        normal = slopes.T @ slopes + np.diag(tightness)
        pull = slopes.T @ residual + tightness * (prior.value - now)
        free = ~_held(now, pull)
        step = np.zeros(PARAMETERS)
        damped = normal + damping * np.diag(np.diag(normal))
        step[free] = np.linalg.solve(damped[np.ix_(free, free)], pull[free])
        settled = bool(pull @ step < SETTLED)
        then = _kept_possible(now + step)
        new_state = _state(pixels, curve, beneath, then, weight)
        new_cost = _cost(new_state[1], then, prior)
        if new_cost <= cost:
            settled = settled or cost - new_cost < SETTLED
            now, cost, damping = then, new_cost, max(damping / 8.0, 1e-9)
            level, residual, slopes = new_state
        else:
            damping *= 8.0
        if settled:
            break
    inverse = np.asarray(np.linalg.inv(slopes.T @ slopes + np.diag(tightness)))
    return Fit(
        parameters=now, inverse=inverse, slopes=slopes, residual=residual,
        modelled=level, settled=settled,
    )  # fmt: skip


def ends_of(parameters: Floats) -> NDArray[np.float64]:
    """Return the two ends (2, 2) of a streak."""
    half = parameters[[HALF_X, HALF_Y]]
    return np.stack([parameters[[X, Y]] - half, parameters[[X, Y]] + half])


def fill_of(pixels: Pixels, parameters: Floats) -> float | None:
    """Return how bright the darkest part within a streak is, over its bright parts; about 1.

    Less where the lamp was off in between or several exposures were merged. None where the
    streak is too short to have parts.
    """
    half = float(np.hypot(parameters[HALF_X], parameters[HALF_Y]))
    if half < PARTED * parameters[WIDTH]:
        return None
    cosine, sine = parameters[[HALF_X, HALF_Y]] / half
    dx, dy = pixels.x - parameters[X], pixels.y - parameters[Y]
    u, v = dx * cosine + dy * sine, dy * cosine - dx * sine
    core = (np.abs(v) <= max(parameters[WIDTH], 0.8)) & (np.abs(u) < 0.9 * half)
    part = np.floor((u[core] / (0.9 * half) + 1.0) / 2.0 * PARTS).astype(int)
    count = np.bincount(part, minlength=PARTS)
    if count.min() == 0:
        return None
    above = np.bincount(part, (pixels.value - pixels.ground)[core], minlength=PARTS) / count
    bright = float(np.mean(np.sort(above)[-2:]))
    return float(above[1:-1].min()) / bright if bright > 0.0 else None


def slope_prior(length_px: float, picture_px: float) -> float:
    """Return the standard deviation of the relative change of brightness along a streak.

    Light falls with the square of the range; a streak of L pixels, seen with a focal length of
    at least half the picture's longer side and up to 30 degrees from the middle, changes its
    brightness by some 1.5 L over that side.
    """
    return 0.005 + 1.5 * length_px / picture_px


class _Beneath(NamedTuple):
    """The background of pixels (n,) as light, and the level of that light."""

    light: Floats
    level: Floats


def _state(
    pixels: Pixels, curve: Curve, beneath: _Beneath, parameters: Floats, weight: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return the light's level, the residuals over the noise and the slopes over the noise."""
    light, shape_slopes = streak(parameters[:SHAPE], pixels.x, pixels.y)
    light += beneath.light
    level = curve.level(light) - beneath.level
    slopes = np.empty((PARAMETERS, len(level)))  # a row each: passes over them are short
    np.multiply(shape_slopes.T, curve.slope(light), out=slopes[:SHAPE])
    tilt = slopes[SHAPE:]
    tilt[0] = 1.0
    tilt[1] = (pixels.x - parameters[X]) / TILT_PX
    tilt[2] = (pixels.y - parameters[Y]) / TILT_PX
    residual = pixels.value - pixels.ground - level - parameters[SHAPE:] @ tilt
    slopes[X] -= parameters[SHAPE + 1] / TILT_PX
    slopes[Y] -= parameters[SHAPE + 2] / TILT_PX
    met = pixels.full & (residual <= 0.0)  # the model is at least as bright as it must be
    keep = np.where(met, 0.0, weight)
    slopes *= keep
    return level, residual * keep, slopes.T


def _cost(residual: Floats, parameters: Floats, prior: Prior) -> float:
    off = (parameters - prior.value) / prior.sd
    return float(residual @ residual + off @ off)


def _kept_possible(parameters: Floats) -> Floats:
    """Keep width, slope and halo in their limits and the half length off zero."""
    kept = parameters.copy()
    for place, low, high in LIMITS:
        kept[place] = np.clip(kept[place], low, high)
    half, least = float(np.hypot(kept[HALF_X], kept[HALF_Y])), LEAST_HALF * kept[WIDTH]
    if half < least:
        way = kept[[HALF_X, HALF_Y]] / half if half > 0.0 else np.array([1.0, 0.0])
        kept[[HALF_X, HALF_Y]] = least * way
    return kept


def _held(parameters: Floats, pull: Floats) -> Bools:
    """Say which parameters (11,) lie on a limit and are pulled beyond it."""
    held = np.zeros(PARAMETERS, dtype=bool)
    for place, low, high in LIMITS:
        at_low, at_high = parameters[place] <= low, parameters[place] >= high
        held[place] = (at_low and pull[place] < 0.0) or (at_high and pull[place] > 0.0)
    half = parameters[[HALF_X, HALF_Y]]
    shortest = np.hypot(*half) <= 1.0001 * LEAST_HALF * parameters[WIDTH]
    held[[HALF_X, HALF_Y]] = bool(shortest and half @ pull[[HALF_X, HALF_Y]] <= 0.0)
    return held
