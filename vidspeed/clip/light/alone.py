"""Fit lights each by itself, loosely, and find by the strongest the clip's transfer curve."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vidspeed.clip.light.curve import POWERS, Curve, curve_of, negative_curve
from vidspeed.clip.light.fit import (
    HALO_SHARE_SD,
    Fit,
    Pixels,
    Prior,
    fit_streaks,
    slope_prior,
    start_of,
)
from vidspeed.clip.light.profile import HALF_X, HALF_Y, HALO, SLOPE, WIDTH, X, Y
from vidspeed.clip.light.steps import PARAMETERS
from vidspeed.clip.spots.lights import Spot
from vidspeed.values import Floats

LEAST_LIGHTS = 4  # of a track
TEACHERS = 5  # lights, at most, by which the transfer curve is found
FAR = 1e4  # a standard deviation that says nothing


def first_fits(
    spots: Sequence[Spot], pixels: Sequence[Pixels], longer_px: float, full_range: bool
) -> tuple[Curve | None, list[Fit]]:
    """Fit every light by itself; return the clip's transfer curve, None without one, and fits."""
    curve, taught = curve_for(spots, pixels, longer_px, full_range)
    if curve is None:
        return None, []
    others = [k for k in range(len(spots)) if k not in taught]
    each = taught | fitted_alone(spots, pixels, others, curve, longer_px)
    return curve, [each[k] for k in range(len(spots))]


def curve_for(
    spots: Sequence[Spot], pixels: Sequence[Pixels], longer_px: float, full_range: bool
) -> tuple[Curve | None, dict[int, Fit]]:
    """Return the transfer curve under which the strongest lights fit best, and those fits.

    There is none where these are all and too few of them settle for a track: such lights are fitted
    one by one first, since one that does not settle takes longest.
    """
    if spots[0].darker:
        return negative_curve(full_range), {}
    strongest = np.argsort([-spot.snr for spot in spots])[:TEACHERS].tolist()
    few = LEAST_LIGHTS <= len(spots) <= TEACHERS
    tried: list[tuple[Curve, dict[int, Fit]]] = []
    for power in POWERS:
        curve, fits = curve_of(power, full_range), dict[int, Fit]()
        for some in [[k] for k in strongest] if few and not tried else [strongest]:
            fits |= fitted_alone(spots, pixels, some, curve, longer_px)
            if few and sum(not fit.settled for fit in fits.values()) > len(spots) - LEAST_LIGHTS:
                return None, {}
        tried.append((curve, fits))
    costs = [sum(float(fit.residual @ fit.residual) for fit in fits.values()) for _, fits in tried]
    return tried[int(np.argmin(costs))]


def fitted_alone(
    spots: Sequence[Spot],
    pixels: Sequence[Pixels],
    which: Sequence[int],
    curve: Curve,
    longer_px: float,
) -> dict[int, Fit]:
    """Fit some of the lights, each by itself."""
    starts = [start_of(spots[k], pixels[k], curve) for k in which]
    priors = [_loose(spots[k], start, longer_px) for k, start in zip(which, starts, strict=True)]
    parts = [pixels[k] for k in which]
    fits = fit_streaks(parts, curve, starts, priors, [part.noise2 for part in parts])
    return dict(zip(which, fits, strict=True))


def _loose(spot: Spot, value: Floats, longer_px: float) -> Prior:
    """Return a prior that only keeps a first fit from running away."""
    half = float(np.linalg.norm(spot.half_px))
    sd = np.full(PARAMETERS, FAR)
    sd[[HALF_X, HALF_Y]] = 2.0 + 0.5 * half
    sd[WIDTH] = 0.5 * value[WIDTH]
    sd[SLOPE] = slope_prior(2.0 * half, longer_px)
    sd[HALO] = HALO_SHARE_SD
    sd[[X, Y]] = 4.0 + half
    return Prior(value=value, sd=sd)
