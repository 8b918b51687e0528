"""The model of a slow lamp's edges, and its least squares.

A frame that holds the moment of an edge is partly bright: how bright says when, to a small part
of the exposure. Frames on either side only bracket the edge. So the information is in the
partial frames, and with a large lamp in the rows whose exposure began or ended at the edge.
The brightness of band j in frame i is

    b_j + a_j g(F(t_i + readout * row_j)),

where F is a trapezoid repeated at the lamp's rate: two ramps as long as the shorter of exposure
and flash. g is the camera's response, unknown but smooth: a power and a bend.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from vidspeed.clip.rate.crossings import Start
from vidspeed.clip.rate.flashes import Flashes
from vidspeed.values import Bools, Floats, Ints, Value

NEAR = 2.5  # frame intervals around an edge that are fitted
RAMP_PRIOR, RAMP_PRIOR_U = 0.4, 1.0  # of a frame interval, and spread of its logarithm
POWER, POWER_U = 0.7, 0.35  # of the response, and spread of its logarithm
BENDS_U = (0.15, 0.06, 0.04, 0.03)  # spreads: one wave about the power, a bump, and finer ones
WIDENINGS = 5
LAGS = (0, 8, 20)  # edges, rises and falls, over which what is left may hang together
SCALE, PHASE, LENGTH, RAMP, READOUT, POW, BEND = range(7)
DRIFT = BEND + len(BENDS_U)
# Unknowns in that order: ppm; milliseconds of a rise and of the lit spell; logarithm of the ramp's
# milliseconds; read-out in milliseconds; the response's power and bends, over their spreads; ppm/s.


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Points(Value):
    """Brightness near edges, m points: level 0 to 1 between `dark` and `bright` (b,) of the band.

    `time_s` counts from the middle of the clip, `edge` numbers rises and falls.
    """

    level: Floats
    time_s: Floats
    row: Floats
    band: Ints
    edge: Ints
    weight: Floats
    dark: Floats
    bright: Floats
    period_s: float
    interval_s: float
    height: float  # of a band, as a share of the read-out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solved(Value):
    """Where a fit stands: `theta` (k,), its `covariance` (k, k), half the sum of squares.

    `plain` (k, k) is the covariance if every point had an error of its own.
    """

    theta: Floats
    covariance: Floats
    plain: Floats
    cost: float

    def u(self, place: int) -> float:
        """Return the standard uncertainty of one unknown: the larger of both."""
        return float(np.sqrt(max(self.covariance[place, place], self.plain[place, place])))


def points_near(seen: Flashes, hz: float, start: Start) -> Points:
    """Return the points near the edges of the first look."""
    period_s = 1.0 / hz
    time_s = seen.time_s - seen.time_s.mean()
    theta = start.theta
    since = _since(theta, time_s[:, None], seen.row[None, :], period_s)
    length_s = 1e-3 * theta[LENGTH]
    cycle = np.rint((time_s[:, None] - since) / period_s).astype(np.int64)
    after_fall = np.abs(since - length_s)
    after_fall = np.minimum(after_fall, np.abs(since - length_s + period_s))
    falls = after_fall < np.abs(since)
    near = np.minimum(after_fall, np.abs(since)) < NEAR * seen.interval_s
    good = near & start.good[None, :]
    frame, band = np.nonzero(good)
    wrapped = since - length_s < -period_s / 2.0
    edge = 2 * cycle + np.where(falls, np.where(wrapped, -1, 1), 0)
    return Points(
        level=start.level[good],
        time_s=time_s[frame],
        row=seen.row[band],
        band=band,
        edge=edge[good],
        weight=seen.pixels[band] / np.mean(seen.pixels),
        dark=start.dark,
        bright=start.bright,
        period_s=period_s,
        interval_s=seen.interval_s,
        height=seen.height,
    )


def _since(theta: Floats, time_s: Floats, row: Floats, period_s: float) -> Floats:
    """Return the true time since the middle of the last rise, half a dark spell before it on."""
    drift = theta[DRIFT] if len(theta) > DRIFT else 0.0
    true_s = time_s * (1.0 + 1e-6 * (theta[SCALE] + 0.5 * drift * time_s))
    at = true_s + 1e-3 * theta[READOUT] * row - 1e-3 * theta[PHASE]
    before = (period_s - 1e-3 * theta[LENGTH]) / 2.0
    return np.asarray(np.mod(at + before, period_s) - before)


def share_of(points: Points, theta: Floats) -> Floats:
    """Return the share (m,) of the full light that each point collects: the trapezoid."""
    since = _since(theta, points.time_s, points.row, points.period_s)
    ramp_s = 1e-3 * float(np.exp(np.clip(theta[RAMP], -7.0, 9.0)))
    blur_s = max(abs(1e-3 * theta[READOUT] * points.height), 1e-6)
    rise = _ramp(since, ramp_s, blur_s)
    return rise - _ramp(since - 1e-3 * theta[LENGTH], ramp_s, blur_s)


def _ramp(since_s: Floats, ramp_s: float, blur_s: float) -> Floats:
    """Return a ramp from 0 to 1 around 0, averaged over the time that a band's rows take."""
    area = [
        np.clip(at / ramp_s + 0.5, 0.0, 1.0) ** 2 * ramp_s / 2.0
        + np.maximum(at - ramp_s / 2.0, 0.0)
        for at in (since_s + blur_s / 2.0, since_s - blur_s / 2.0)
    ]
    return np.asarray((area[0] - area[1]) / blur_s)


def _response(points: Points, theta: Floats, share: Floats) -> Floats:
    """Return the level (m,), 0 to 1, that the camera makes of a share of the light."""
    power = POWER * np.exp(POWER_U * theta[POW])
    dark = points.dark ** (1.0 / power)
    bright = points.bright ** (1.0 / power)
    light = dark[points.band] + np.maximum(share, 0.0) * (bright - dark)[points.band]
    span = (points.bright - points.dark)[points.band]
    curved = (light**power - points.dark[points.band]) / span
    x = 1.0 - 2.0 * share
    shapes = (x, np.ones_like(x), 1.5 * x**2 - 0.5, 2.5 * x**3 - 1.5 * x)
    bends = [u * k * shape for u, k, shape in zip(BENDS_U, theta[BEND:DRIFT], shapes, strict=True)]
    return np.asarray(curved + share * (1.0 - share) * sum(bends))


def residuals(points: Points, theta: Floats) -> Floats:
    """Return what is left (m,), weighted, after the best height and ground of every band."""
    shape = _response(points, theta, share_of(points, theta))
    size = len(points.dark)

    def total(values: Floats) -> Floats:
        sums = np.bincount(points.band, weights=points.weight * values, minlength=size)
        return np.asarray(sums)

    weight, one, two = total(np.ones_like(shape)), total(shape), total(shape**2)
    level, both = total(points.level), total(points.level * shape)
    determinant = weight * two - one**2
    determinant = np.where(determinant > 1e-9 * weight**2, determinant, np.inf)
    height = (weight * both - one * level) / determinant
    ground = np.where(weight > 0.0, (level - height * one) / np.maximum(weight, 1e-12), 0.0)
    left = points.level - ground[points.band] - height[points.band] * shape
    return np.asarray(np.sqrt(points.weight) * left)


def _prior(points: Points, theta: Floats) -> Floats:
    """Return the residuals of what is known of ramp, response and read-out beforehand."""
    interval_ms = 1e3 * points.interval_s
    return np.array(
        [
            (theta[RAMP] - np.log(RAMP_PRIOR * interval_ms)) / RAMP_PRIOR_U,
            theta[POW],
            *theta[BEND:DRIFT],
            (theta[READOUT] - 0.5 * interval_ms) / interval_ms,
        ]
    )


def solve(
    points: Points,
    begin: Floats,
    free: Sequence[int],
    sigma: float,
    *,
    wide: bool = False,
    steps: int = 40,
) -> Solved:
    """Fit the `free` unknowns; with `wide` their covariance too. `sigma` is of a partial frame."""
    from scipy.optimize import least_squares  # here: slow to import

    places = list(free)

    def whole(part: Floats) -> Floats:
        theta = begin.copy()
        theta[places] = part
        return theta

    def left(part: Floats) -> Floats:
        theta = whole(part)
        return np.concatenate([residuals(points, theta) / sigma, _prior(points, theta)])

    found = least_squares(left, begin[places], x_scale="jac", max_nfev=steps)
    covariance, plain = np.zeros((2, len(begin), len(begin)))
    if wide:
        jacobian = _wide_jacobian(left, found.x, found.jac)
        covariance[np.ix_(places, places)] = _sandwich(points.edge, jacobian, found.fun)
        plain[np.ix_(places, places)] = np.linalg.pinv(jacobian.T @ jacobian, hermitian=True)
    return Solved(theta=whole(found.x), covariance=covariance, plain=plain, cost=float(found.cost))


def _wide_jacobian(left: Callable[[Floats], Floats], at: Floats, jacobian: Floats) -> Floats:
    """Return the Jacobian by differences as wide as the uncertainty: corners have no derivative.

    Along the axes of the uncertainty, which these differences give in turn.
    """
    for _ in range(WIDENINGS):
        values, axes = np.linalg.eigh(jacobian.T @ jacobian)
        reach = axes / np.sqrt(np.maximum(values, 1e-12))
        steps = [(left(at + step) - left(at - step)) / 2.0 for step in reach.T]
        jacobian = np.column_stack(steps) @ np.linalg.inv(reach)
    return jacobian


def _sandwich(edge: Ints, jacobian: Floats, left: Floats) -> Floats:
    """Return the covariance that counts what the points of an edge have in common.

    Edges that follow each other at nearly the same phase share what the model does not know of
    the response. So this is the sandwich of White (1980) with the weights of Newey, West
    (Econometrica 55 (1987) 703-708) along the edges, and of several reaches the one that gives
    each unknown most; the rows after those of the points are priors.
    """
    own, size = len(edge), jacobian.shape[1]
    inverse = np.linalg.pinv(jacobian.T @ jacobian, hermitian=True)
    place = edge - edge.min()
    sums = np.zeros((int(place.max()) + 1, size))
    np.add.at(sums, place, jacobian[:own] * left[:own, None])
    known = jacobian[own:]
    count = len(np.unique(edge))
    found = []
    for reach in LAGS:
        meat = sums.T @ sums
        for lag in range(1, min(reach, count // 4) + 1):
            both = sums[lag:].T @ sums[:-lag]
            meat += (1.0 - lag / (reach + 1.0)) * (both + both.T)
        meat = count / max(count - size, 1) * meat + known.T @ known
        found.append(inverse @ meat @ inverse)
    widest = np.argmax([np.diag(each) for each in found], axis=0)
    covariance = found[0].copy()
    np.fill_diagonal(covariance, [found[k][i, i] for i, k in enumerate(widest)])
    return np.asarray(covariance)


def partly_lit(points: Points, theta: Floats) -> Bools:
    """Say which points (m,) hold the moment of an edge."""
    share = share_of(points, theta)
    return np.asarray((share > 0.03) & (share < 0.97))


def scatter(points: Points, theta: Floats) -> float:
    """Return the standard deviation of the weighted residuals of the partial frames."""
    left = residuals(points, theta)
    held = partly_lit(points, theta)
    some = left[held] if np.sum(held) > 20 else left
    return max(float(np.sqrt(np.mean(some**2))), 1e-6)
