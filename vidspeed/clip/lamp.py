"""Fit the lights of one lamp together: its spots share width, exposure and the clip's noise.

Each light is fitted by itself first. What the lights have in common (the width of the blur, how
much of a frame's travel the shutter is open, the noise of a pixel by its level and how the noise
of neighbouring pixels hangs together) is then learnt from all of them, and each is fitted again
with it. No position is shared: each light's middle comes from its own pixels alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.clip.fit import (
    PARAMETERS,
    REACH,
    Fit,
    Pixels,
    Prior,
    fit_streak,
    pixels_of,
    slope_prior,
    start_of,
)
from vidspeed.clip.lights import Spot
from vidspeed.clip.profile import HALF_X, HALF_Y, PEAK, SHAPE, SLOPE, WIDTH, X, Y
from vidspeed.values import Floats, Value

LAG = 4  # pixels over which the noise of neighbours is looked at
FAR = 1e4  # a standard deviation that says nothing
STRONG = 8.0  # peak over noise from which a light teaches the others
LEAST_SNR = 2.0
WORST_PX = 3.0  # a light whose place is less certain than this is left out
LEVELS = np.array([0.0, 1.0, 3.0, 8.0, 20.0, 60.0, 150.0])  # bins of level over noise


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Light(Value):
    """One light: middle `xy_px` (2,), its covariance, and the streak (None for a point)."""

    spot: Spot
    xy_px: Floats
    cov_px2: Floats
    streak_px: float | None
    streak_u_px: float | None
    angle_rad: float | None
    peak: float
    snr: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Noise(Value):
    """The noise of a clip's lights: variance over the background's by level, and correlation.

    `ratio` belongs to the bins of `LEVELS`; `kernel` (2 LAG + 1, 2 LAG + 1) is the correlation
    of the normalised residuals of pixels by their distance.
    """

    ratio: Floats
    kernel: Floats


def lights_of(
    spots: Sequence[Spot], size_px: tuple[int, int], full_level: float = 254.5
) -> list[Light]:
    """Return the lights of a chain of spots, those that the picture's edge cuts left out."""
    longer = float(max(size_px))
    whole = [spot for spot in spots if not spot.cut]
    if not whole:
        return []
    pixels = [_pixels(spot, full_level) for spot in whole]
    first = [
        fit_streak(part, start_of(spot), _loose(spot, longer), part.noise2)
        for spot, part in zip(whole, pixels, strict=True)
    ]
    noise = Noise(ratio=_noise_by_level(pixels, first), kernel=_white())
    priors = _common(whole, first, longer)
    for _ in range(2):
        fits = [
            fit_streak(part, fit.parameters, prior, _variance(part, fit, noise))
            for part, fit, prior in zip(pixels, first, priors, strict=True)
        ]
        noise = Noise(ratio=_noise_by_level(pixels, fits), kernel=_white())
        first = fits
    kernel = _correlation(pixels, fits)
    lights = [
        _light(spot, part, fit, prior, kernel)
        for spot, part, fit, prior in zip(whole, pixels, fits, priors, strict=True)
    ]
    return [light for light in lights if light is not None and _believable(light, size_px)]


def _pixels(spot: Spot, full_level: float) -> Pixels:
    """Return the pixels to fit: the segment and five widths around it."""
    return pixels_of(spot, REACH * min(max(spot.sigma_px, 1.2), 2.4) + 1.0, full_level)


def _loose(spot: Spot, longer_px: float) -> Prior:
    """Return a prior that only keeps a first fit from running away."""
    value = start_of(spot)
    half = float(np.linalg.norm(spot.half_px))
    sd = np.full(PARAMETERS, FAR)
    sd[[HALF_X, HALF_Y]] = 2.0 + 0.5 * half
    sd[WIDTH] = 0.5 * value[WIDTH]
    sd[SLOPE] = slope_prior(2.0 * half, longer_px)
    sd[[X, Y]] = 4.0 + half
    return Prior(value=value, sd=sd)


def _common(spots: Sequence[Spot], fits: Sequence[Fit], longer_px: float) -> list[Prior]:
    """Return a prior for each light from what all have in common: width and exposure."""
    snr = np.array([spot.snr for spot in spots])
    teachers = snr >= min(STRONG, float(np.median(snr)))
    parameters = np.array([fit.parameters for fit in fits])
    width = float(np.median(parameters[teachers, WIDTH]))
    width_sd = 0.1 * width + 1.5 * float(np.median(np.abs(parameters[teachers, WIDTH] - width)))
    speed = _velocity(np.array([spot.time_s for spot in spots]), parameters[:, [X, Y]], snr)
    exposure_s = _exposure(parameters[:, [HALF_X, HALF_Y]], speed, teachers)
    priors = []
    for fit, velocity in zip(fits, speed, strict=True):
        half = 0.5 * exposure_s * velocity
        length = 2.0 * float(np.linalg.norm(half))
        value, sd = fit.parameters.copy(), np.full(PARAMETERS, FAR)
        value[WIDTH], sd[WIDTH] = width, width_sd
        value[[HALF_X, HALF_Y]], sd[[HALF_X, HALF_Y]] = half, 0.5 + 0.25 * length
        value[SLOPE], sd[SLOPE] = 0.0, slope_prior(length, longer_px)
        priors.append(Prior(value=value, sd=sd))
    return priors


def _velocity(time_s: Floats, xy_px: Floats, snr: Floats) -> Floats:
    """Return the velocity (n, 2) in the picture at each light, from the seven nearest in time."""
    velocity = np.zeros_like(xy_px)
    for k, now in enumerate(time_s):
        near = np.argsort(np.abs(time_s - now))[:7]
        tau = time_s[near] - now
        scale = max(float(np.abs(tau).max()), 1e-9)
        degree = 2 if len(near) >= 5 else 1
        basis = np.vander(tau / scale, degree + 1, increasing=True)
        weight = np.sqrt(np.minimum(snr[near], 20.0))[:, None]
        fitted = np.linalg.lstsq(basis * weight, xy_px[near] * weight, rcond=None)[0]
        velocity[k] = fitted[1] / scale if len(near) > 1 else 0.0
    return velocity


def _exposure(half_px: Floats, speed: Floats, teachers: NDArray[np.bool_]) -> float:
    """Return the time that the shutter is open, from length over speed of the strong lights."""
    length = 2.0 * np.linalg.norm(half_px[teachers], axis=1)
    return float(np.median(length / np.maximum(np.linalg.norm(speed[teachers], axis=1), 1e-6)))


def _variance(pixels: Pixels, fit: Fit, noise: Noise) -> Floats:
    """Return the variance (n,) of each pixel by its background and the light's level there."""
    over = np.abs(fit.modelled) / np.sqrt(pixels.noise2)
    middles = np.concatenate([[0.5], np.sqrt(LEVELS[1:-1] * LEVELS[2:]), [LEVELS[-1] * 2.0]])
    ratio = np.exp(np.interp(np.log(over + 0.1), np.log(middles), np.log(noise.ratio)))
    return pixels.noise2 * ratio


def _noise_by_level(pixels: Sequence[Pixels], fits: Sequence[Fit]) -> Floats:
    """Return the variance of the residuals over that of the background, by bins of level."""
    total, count = np.zeros(len(LEVELS)), np.zeros(len(LEVELS))
    for part, fit in zip(pixels, fits, strict=True):
        used = np.any(fit.slopes != 0.0, axis=1)
        weight2 = fit.slopes[:, SHAPE] ** 2  # the slope by the offset is 1 over the noise
        over = np.abs(fit.modelled) / np.sqrt(part.noise2)
        bins = np.clip(np.digitize(over, LEVELS) - 1, 0, len(LEVELS) - 1)
        square = fit.residual**2 / np.maximum(weight2, 1e-12) / part.noise2
        free = 1.0 - np.minimum(fit.leverage, 0.9)
        np.add.at(total, bins[used], square[used])
        np.add.at(count, bins[used], free[used])
    base = total[:2].sum() / max(count[:2].sum(), 1.0)
    trust = 30.0  # pixels' worth of the neighbouring bin, so that an empty bin has a value
    ratio = np.empty(len(LEVELS))
    for k in range(len(LEVELS)):
        base = (total[k] + trust * base) / (count[k] + trust)
        ratio[k] = base
    return np.maximum(ratio, 1e-3)


def _white() -> Floats:
    kernel = np.zeros((2 * LAG + 1, 2 * LAG + 1))
    kernel[LAG, LAG] = 1.0
    return kernel


def _correlation(pixels: Sequence[Pixels], fits: Sequence[Fit]) -> Floats:
    """Return the correlation of neighbouring pixels' noise by their distance, from residuals.

    A fit takes part of the noise away with it: the residuals of white noise have the covariance
    1 - H, so the sums over pairs of H are added back.
    """
    product, pairs = np.zeros((2 * LAG + 1,) * 2), np.zeros((2 * LAG + 1,) * 2)
    for part, fit in zip(pixels, fits, strict=True):
        used = np.any(fit.slopes != 0.0, axis=1)
        product += _by_lag(_picture(fit.residual, part))
        taken = fit.slopes @ np.linalg.cholesky(fit.inverse)
        for column in taken.T:
            product += _by_lag(_picture(column, part))
        pairs += _by_lag(_picture(used.astype(np.float64), part))
    kernel = product / np.maximum(pairs, 1.0)
    doubt = 2.0 / np.sqrt(np.maximum(pairs, 1.0))
    kernel = np.where(np.abs(kernel) > doubt * kernel[LAG, LAG], kernel, 0.0)
    return np.asarray(kernel)


def _picture(values: Floats, pixels: Pixels) -> Floats:
    """Put values (n,) back into the shape of the patch, 0 where nothing is fitted."""
    picture = np.zeros(pixels.shape)
    picture.flat[pixels.at] = values
    return picture


def _by_lag(picture: Floats) -> Floats:
    """Return the sums of products of pixels by their distance, up to `LAG` each way."""
    padded = np.fft.rfft2(picture, [n + LAG for n in picture.shape])
    sums = np.fft.irfft2(np.abs(padded) ** 2, [n + LAG for n in picture.shape])
    return np.roll(sums, (LAG, LAG), axis=(0, 1))[: 2 * LAG + 1, : 2 * LAG + 1]


def _light(spot: Spot, pixels: Pixels, fit: Fit, prior: Prior, kernel: Floats) -> Light | None:
    """Turn a fit into a light, with the covariance that correlated noise gives."""
    if not fit.settled:
        return None
    covariance = _covariance(pixels, fit, prior, kernel)
    half = fit.parameters[[HALF_X, HALF_Y]]
    length = 2.0 * float(np.linalg.norm(half))
    along = half / max(0.5 * length, 1e-9)
    length_u = 2.0 * float(
        np.sqrt(along @ covariance[HALF_X : HALF_Y + 1, HALF_X : HALF_Y + 1] @ along)
    )
    is_streak = length > max(fit.parameters[WIDTH], 3.0 * length_u)
    peak = float(fit.modelled.max() if fit.parameters[PEAK] > 0 else fit.modelled.min())
    noise = float(np.sqrt(np.median(pixels.noise2)))
    return Light(
        spot=spot,
        xy_px=fit.parameters[[X, Y]],
        cov_px2=covariance[:2, :2],
        streak_px=length if is_streak else None,
        streak_u_px=length_u if is_streak else None,
        angle_rad=float(np.arctan2(half[1], half[0])) if is_streak else None,
        peak=peak,
        snr=abs(peak) / noise,
    )


def _covariance(pixels: Pixels, fit: Fit, prior: Prior, kernel: Floats) -> Floats:
    """Return the covariance (4, 4) of middle and half vector under correlated noise.

    The estimate is G times the noise plus the prior's share, so its covariance is G C G' and the
    prior's; C is the correlation of the normalised residuals. A light that fits far worse than
    the others is widened by its own chi-square.
    """
    gain = (fit.inverse @ fit.slopes.T)[:4]
    pictures = [_picture(row, pixels) for row in gain]
    spread = [
        cv2.filter2D(picture, -1, kernel, borderType=cv2.BORDER_CONSTANT) for picture in pictures
    ]
    noise = np.array([[float((one * other).sum()) for other in spread] for one in pictures])
    noise = 0.5 * (noise + noise.T)
    from_prior = (fit.inverse / prior.sd**2 @ fit.inverse)[:4, :4]
    used = np.any(fit.slopes != 0.0, axis=1)
    free = max(float(np.sum(1.0 - fit.leverage[used])), 1.0)
    excess = float(fit.residual @ fit.residual) / free
    independent = free / max(float((kernel**2).sum()), 1.0)
    allowed = 1.0 + 2.5 * np.sqrt(2.0 / max(independent, 2.0))
    return np.asarray(noise * (excess if excess > allowed else 1.0) + from_prior)


def _believable(light: Light, size_px: tuple[int, int]) -> bool:
    """Say whether a light is bright and certain enough, and whole inside the picture."""
    values = np.linalg.eigvalsh(light.cov_px2)
    if light.snr < LEAST_SNR or not 0.0 < values[0] <= values[1] < WORST_PX**2:
        return False
    half = 0.5 * (light.streak_px or 0.0)
    way = half * np.array([np.cos(light.angle_rad or 0.0), np.sin(light.angle_rad or 0.0)])
    ends = np.stack([light.xy_px - way, light.xy_px + way])
    last = np.array(size_px) - 1.0
    strayed = np.linalg.norm(light.xy_px - light.spot.xy_px) > 4.0 + half
    return bool(np.all(ends > 2.0) and np.all(ends < last - 2.0) and not strayed)
