"""Streaks that the picture's edge cuts: the end that is inside, and from it the middle.

What lies outside was not seen, so the pixels say where one end is and nothing of the other. That
end is the place at the shutter's opening where the craft leaves the picture, at its closing where
it enters. The whole streaks beside it tell how far half an exposure goes; the fit gets that as
what is known beforehand, with its uncertainty, and no place: the middle follows from the end.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from vidspeed.clip.light.curve import Curve
from vidspeed.clip.light.fit import REACH, Fit, Pixels, Prior, fit_streaks, pixels_of
from vidspeed.clip.light.grain import Noise, covariance, residuals_of, scaled
from vidspeed.clip.light.profile import HALF_X, HALF_Y, WIDTH, X, Y
from vidspeed.clip.light.steps import PARAMETERS
from vidspeed.clip.spots.lights import Spot
from vidspeed.values import Floats

NEAR, LEAST = 9, 6  # whole streaks beside a cut one that tell of it
RESOLVED = 3.0  # widths: a shorter streak has no ends to speak of
APART = 2  # frames, at most, to the next whole one
END_PX = 0.1  # standard deviation of half a streak that no residual shows
FAR_OUT, ROUGH_PX = 4.0, 1.0  # standard deviations, and pixels, off the way of the others
INSIDE_PX = 2.0  # that the end lies inside the picture
STEADY = 0.05  # of half a streak: what whole ones beside it may scatter


class Ended(NamedTuple):
    """A streak of which one end was seen: its spot, pixels, fit, and covariance (4, 4)."""

    spot: Spot
    pixels: Pixels
    fit: Fit
    spread: Floats


class _Foretold(NamedTuple):
    """Middle and half vector (2,) that the whole streaks foretell, with standard deviations."""

    xy_px: Floats
    half_px: Floats
    u_px: float
    half_u_px: float
    beside: int


class _Begun(NamedTuple):
    """A streak to be fitted: its spot where it is foretold, its pixels, what is known of it."""

    spot: Spot
    told: _Foretold
    pixels: Pixels
    prior: Prior


def ended(
    cut: Sequence[Spot],
    whole: Sequence[Spot],
    fits: Sequence[Fit],
    priors: Sequence[Prior],
    curve: Curve,
    noise: Noise,
    *,
    full_level: float,
    size_px: tuple[int, int],
) -> list[Ended]:
    """Fit the streaks that the picture's edge cuts, beside the whole ones of the same lamp."""
    if len(whole) < LEAST or not cut:
        return []
    parameters = np.array([fit.parameters for fit in fits])
    half = np.hypot(parameters[:, HALF_X], parameters[:, HALF_Y])
    if 2.0 * float(np.median(half)) < RESOLVED * float(np.median(parameters[:, WIDTH])):
        return []
    begun = []
    for spot in cut:
        told = _foretold(spot, whole, parameters)
        one = told and _begun(spot, told, priors[told.beside], full_level)
        if one is not None:
            begun.append(one)
    return [one for one, told in _fitted(begun, curve, noise) if _agrees(one, told, size_px)]


def _foretold(spot: Spot, whole: Sequence[Spot], parameters: Floats) -> _Foretold | None:
    """Foretell a streak from the next whole ones; None where they are far or uneven."""
    frame, time_s = (
        np.array([getattr(one, name) for one in whole]) for name in ("frame", "time_s")
    )
    near = np.argsort(np.abs(time_s - spot.time_s))[:NEAR]
    if abs(int(frame[near[0]]) - spot.frame) > APART or spot.frame in frame:
        return None
    since = time_s[near] - spot.time_s
    since = since / max(float(np.abs(since).max()), 1e-9)
    half = parameters[near][:, [HALF_X, HALF_Y]]
    half = half * np.where(half @ half[0] < 0.0, -1.0, 1.0)[:, None]
    middle, u = _at_zero(since, parameters[near][:, [X, Y]], 2)
    ahead, half_u = _at_zero(since, half, 1)
    if half_u > STEADY * float(np.linalg.norm(ahead)) + END_PX:
        return None
    return _Foretold(middle, ahead, u, float(np.hypot(half_u, END_PX)), int(near[0]))


def _at_zero(t: Floats, values: Floats, degree: int) -> tuple[Floats, float]:
    """Return what a polynomial through values (n, 2) is at 0, and its standard deviation."""
    basis = np.vander(t, degree + 1, increasing=True)
    found = np.linalg.lstsq(basis, values, rcond=None)[0]
    left = values - basis @ found
    scatter = np.sqrt(np.sum(left**2) / (2.0 * (len(t) - degree - 1)))
    return found[0], float(scatter * np.sqrt(np.linalg.pinv(basis.T @ basis)[0, 0]))


def _begun(spot: Spot, told: _Foretold, beside: Prior, full_level: float) -> _Begun | None:
    """Begin with a cut streak: the length is known beforehand, the place is not."""
    there = replace(spot, xy_px=told.xy_px, half_px=told.half_px)
    width = float(beside.value[WIDTH])
    pixels = pixels_of(there, REACH * min(max(width, 1.2), 2.4) + 1.0, full_level)
    if len(pixels.at) <= PARAMETERS:
        return None
    value, sd = beside.value.copy(), beside.sd.copy()
    value[[X, Y]], value[[HALF_X, HALF_Y]] = told.xy_px, told.half_px
    sd[[HALF_X, HALF_Y]] = told.half_u_px
    return _Begun(there, told, pixels, Prior(value=value, sd=sd))


def _fitted(
    begun: Sequence[_Begun], curve: Curve, noise: Noise
) -> Iterator[tuple[Ended, _Foretold]]:
    """Fit cut streaks, and yield those that settle with what was foretold of them."""
    pixels, priors = [one.pixels for one in begun], [one.prior for one in begun]
    starts, variances = [prior.value for prior in priors], [part.noise2 for part in pixels]
    loose = fit_streaks(pixels, curve, starts, priors, variances)
    variances = [scaled(*both, noise.weighed) for both in zip(pixels, loose, strict=True)]
    fits = fit_streaks(pixels, curve, [fit.parameters for fit in loose], priors, variances)
    for one, fit, variance in zip(begun, fits, variances, strict=True):
        if fit.settled:
            spread = covariance(residuals_of(one.pixels, fit, variance), one.prior, noise)
            yield Ended(one.spot, one.pixels, fit, spread), one.told


def _agrees(one: Ended, told: _Foretold, size_px: tuple[int, int]) -> bool:
    """Say whether a cut streak lies on the way of the others, one end and its middle inside."""
    middle, half = one.fit.parameters[[X, Y]], one.fit.parameters[[HALF_X, HALF_Y]]
    u = float(np.sqrt(max(float(np.linalg.eigvalsh(one.spread[:2, :2])[-1]), 0.0) + told.u_px**2))
    if float(np.linalg.norm(middle - told.xy_px)) > FAR_OUT * u + ROUGH_PX:
        return False
    last = np.array(size_px) - 1.0
    ends = [middle + half, middle - half]
    inside = [np.all(end > INSIDE_PX) and np.all(end < last - INSIDE_PX) for end in ends]
    return any(inside) and bool(np.all(middle >= 0.0) and np.all(middle <= last))
