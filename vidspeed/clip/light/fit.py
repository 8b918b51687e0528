"""Fit a streak to the pixels of a spot: weighted least squares with priors, censored pixels.

The pixels above the saturation level are not believed: they only ask that the model be at least
that bright there. K. Levenberg, "A method for the solution of certain non-linear problems in
least squares", Quarterly of Applied Mathematics 2 (1944) 164-168.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from vidspeed.clip.background import ground, level_scale
from vidspeed.clip.light.curve import Curve
from vidspeed.clip.light.profile import HALF_X, HALF_Y, HALO, PEAK, WIDTH, X, Y
from vidspeed.clip.light.steps import (
    PARAMETERS,
    Known,
    Stack,
    State,
    better_of,
    cost_of,
    kept_possible,
    state_of,
    step_of,
)
from vidspeed.clip.spots.lights import Spot
from vidspeed.spread.progress import alive
from vidspeed.values import Bools, Floats, Ints, Value

HALO_SHARE, HALO_SHARE_SD = 0.03, 0.1  # of a lens: what is expected, and how loosely
ROUNDS = 40
TOGETHER = 20  # lights, at most: of more, what they are worked through with no longer fits a cache
SETTLED = 3e-3  # chi-square that another step would still gain: a twentieth of a deviation
REACH = 5.0  # widths around the segment that are looked at
PARTS, PARTED = 7, 2.5  # a streak is looked at in so many parts from this half length, in widths


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pixels(Value):
    """The pixels of a spot that are fitted, n of them, in full-size picture pixels.

    `value` is the luma level, `ground` that of the background, both in eight-bit levels, and
    `noise2` the variance of one pixel as the background shows it; where `full`, the value is a
    lower bound. `at` (n,) is the place in the smallest patch that holds them all, of shape `shape`.
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
        return np.asarray(((self.slopes @ self.inverse) * self.slopes).sum(axis=1))


def pixels_of(spot: Spot, reach_px: float, full_level: float) -> Pixels:
    """Return the pixels of a spot that lie within `reach_px` of its segment.

    `full_level` (eight-bit levels) is where the picture saturates.
    """
    around = ground(spot.past)
    y, x = (np.arange(side, dtype=np.float64) for side in spot.luma.shape)
    x += spot.corner_px[0]
    y += spot.corner_px[1]
    dx, dy = x - spot.xy_px[0], y[:, None] - spot.xy_px[1]
    half = float(np.linalg.norm(spot.half_px))
    cosine, sine = (spot.half_px / half) if half > 0 else np.array([1.0, 0.0])
    u, v = dx * cosine + dy * sine, dy * cosine - dx * sine
    beyond = np.maximum(np.abs(u) - half, 0.0)
    kept = spot.own & (np.hypot(beyond, v) <= reach_px)
    rows, columns = np.nonzero(kept)
    within_y, within_x = rows - rows.min(initial=len(y)), columns - columns.min(initial=len(x))
    height, width = int(within_y.max(initial=-1)) + 1, int(within_x.max(initial=-1)) + 1
    value = spot.luma[kept] * level_scale(spot.luma)
    return Pixels(
        x=x[columns],
        y=y[rows],
        value=value,
        ground=around.level[kept],
        noise2=around.noise2[kept] * (1.0 + 1.0 / around.samples),
        full=value >= full_level,
        at=within_y * width + within_x,
        shape=(height, width),
    )


def start_of(spot: Spot, pixels: Pixels, curve: Curve) -> Floats:
    """Return the parameters (11,) that a spot's rough figures suggest."""
    start = np.zeros(PARAMETERS)
    start[[X, Y]], start[[HALF_X, HALF_Y]] = spot.xy_px, spot.half_px
    start[WIDTH] = min(max(spot.sigma_px, 0.8), 4.0)
    half = float(np.linalg.norm(spot.half_px))
    ground = float(np.median(pixels.ground))
    low, high = curve.light(np.array([ground, ground + spot.peak]))
    light = float(high - low)
    start[PEAK] = light * max(1.0, 0.8 * half / start[WIDTH])
    start[HALO] = HALO_SHARE
    return start


def fit_streak(pixels: Pixels, curve: Curve, start: Floats, prior: Prior, noise2: Floats) -> Fit:
    """Fit the parameters (11,) to the pixels; `noise2` (n,) is the variance of each value."""
    return fit_streaks([pixels], curve, [start], [prior], [noise2])[0]


def fit_streaks(
    pixels: Sequence[Pixels],
    curve: Curve,
    starts: Sequence[Floats],
    priors: Sequence[Prior],
    noise2: Sequence[Floats],
) -> list[Fit]:
    """Fit the parameters (11,) of several lights, each to its own pixels alone.

    Lights of about as many pixels are worked through together, each at its own pace: that changes
    no figure and saves most of the time.
    """
    order = sorted(range(len(pixels)), key=lambda k: len(pixels[k].x))
    fits: dict[int, Fit] = {}
    groups = -(-len(order) // TOGETHER)
    for group in range(groups):
        alive()
        some = order[group * len(order) // groups : (group + 1) * len(order) // groups]
        stack = _stacked([pixels[k] for k in some], curve, [noise2[k] for k in some])
        known = Known(
            np.array([priors[k].value for k in some]), np.array([priors[k].sd for k in some]) ** -2
        )
        start = np.array([starts[k] for k in some])
        for row, fit in _fitted(stack, known, curve, start, [len(pixels[k].x) for k in some]):
            fits[some[row]] = fit
    return [fits[k] for k in range(len(pixels))]


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


def _stacked(pixels: Sequence[Pixels], curve: Curve, noise2: Sequence[Floats]) -> Stack:
    """Put the pixels of some lights side by side."""
    shape = len(pixels), max(len(part.x) for part in pixels)
    x, y, above, ground = (np.zeros(shape) for _ in range(4))
    full, weight = np.zeros(shape, dtype=bool), np.zeros(shape)
    for k, (part, variance) in enumerate(zip(pixels, noise2, strict=True)):
        count = len(part.x)
        x[k, :count], y[k, :count] = part.x, part.y
        x[k, count:], y[k, count:] = part.x[:1].sum(), part.y[:1].sum()
        above[k, :count], ground[k, :count] = part.value - part.ground, part.ground
        full[k, :count], weight[k, :count] = part.full, 1.0 / np.sqrt(variance)
    under = curve.light(ground)
    return Stack(x, y, above, full, under, curve.level(under), weight)


def _fitted(
    stack: Stack, known: Known, curve: Curve, start: Floats, counts: Sequence[int]
) -> Iterator[tuple[int, Fit]]:
    """Yield the row and the fit of each light as it settles; `start` is (k, 11)."""
    rows, now, damping = np.arange(len(start)), kept_possible(start), np.full(len(start), 1e-2)
    state = state_of(stack, curve, now)
    cost = cost_of(state, now, known)
    for _ in range(ROUNDS):
        step, gain = step_of(state, now, known, damping)
        then = kept_possible(now + step)
        new = state_of(stack, curve, then)
        new_cost = cost_of(new, then, known)
        better = new_cost <= cost
        settled = (gain < SETTLED) | (better & (cost - new_cost < SETTLED))
        damping = np.where(better, np.maximum(damping / 8.0, 1e-9), 8.0 * damping)
        now, cost = np.where(better[:, None], then, now), np.where(better, new_cost, cost)
        state = better_of(better, new, state)
        for k in np.flatnonzero(settled).tolist():
            yield int(rows[k]), _fit(state, k, now, known, counts[rows[k]], settled=True)
        if settled.any():
            going = ~settled
            rows, now, cost, damping = rows[going], now[going], cost[going], damping[going]
            stack, known = stack.of(going), known.of(going)
            state = state.of(going)
        if not len(rows):
            return
    for k, row in enumerate(rows.tolist()):
        yield row, _fit(state, k, now, known, counts[row], settled=False)


def _fit(
    state: State, k: int, parameters: Floats, known: Known, count: int, *, settled: bool
) -> Fit:
    """Return the fit of one of the lights, which has so many pixels."""
    slopes = state.slopes[:, k, :count]
    try:
        inverse = np.linalg.inv(slopes @ slopes.T + np.diag(known.tightness[k]))
    except np.linalg.LinAlgError:  # pixels that tell nothing of some parameter: not measured
        inverse, settled = np.zeros((PARAMETERS, PARAMETERS)), False
    return Fit(
        parameters=parameters[k],
        inverse=np.asarray(inverse),
        slopes=slopes.T,
        residual=state.residual[k, :count],
        modelled=state.level[k, :count],
        settled=settled,
    )
