"""Fit the lights of one lamp together: its spots share width, exposure and the clip's noise.

Each light is fitted by itself first. What the lights have in common (the width of the blur, how
much of a frame's travel the shutter is open, the noise of a pixel by its level and how the noise
of neighbouring pixels hangs together) is then learnt from all of them, and each is fitted again
with it. No position is shared: each light's middle comes from its own pixels alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import compress

import numpy as np

from vidspeed.clip.background import level_scale
from vidspeed.clip.light.alone import FAR, first_fits
from vidspeed.clip.light.brim import Ended, ended
from vidspeed.clip.light.ends import excess_of_streaks, widened
from vidspeed.clip.light.fit import (
    HALO_SHARE,
    HALO_SHARE_SD,
    REACH,
    Fit,
    Pixels,
    Prior,
    fill_of,
    fit_streaks,
    pixels_of,
    slope_prior,
)
from vidspeed.clip.light.flashing import edges_of, flashes, single_flash, streaks_of, sure_snr_of
from vidspeed.clip.light.grain import (
    Noise,
    covariance,
    learn_noise,
    noise_by_level,
    residuals_of,
    scaled,
)
from vidspeed.clip.light.joined import of_one_kind
from vidspeed.clip.light.profile import HALF_X, HALF_Y, HALO, PEAK, SLOPE, WIDTH, X, Y
from vidspeed.clip.light.scatter import carried_on, proving, scatter_of, stretched
from vidspeed.clip.light.steps import PARAMETERS
from vidspeed.clip.light.strays import of_one_way, together
from vidspeed.clip.light.switched import corrections
from vidspeed.clip.spots.lights import Spot
from vidspeed.values import Bools, Floats, Ints, Sway, Value

STRONG = 8.0  # peak over noise from which a light teaches the others
NEAR_FULL = 3.0  # levels below white that count as full: a codec shakes them
LEAST_SNR = 2.0
WORST_PX = 3.0  # a light whose place is less certain than this is left out
STRAYED_PX = 4.0  # and half a streak: a fit farther from where its spot stood out is of another
SETTLED = 4  # rounds in which places and speed of a flashing lamp settle
EXACT = 2e-15  # relative size of what rounding leaves of nothing
WORST_ALONG_PX = 12.0  # a flashing lamp's light may be less certain along its way


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Light(Value):
    """One light: middle `xy_px` (2,), its covariance, and the streak (None for a point).

    `carried` is how much of a frame's errors a coder carries into the next, alike in all lights of
    a lamp.
    """

    spot: Spot
    xy_px: Floats
    cov_px2: Floats
    streak_px: float | None
    streak_u_px: float | None
    angle_rad: float | None
    peak: float
    snr: float
    fill: float | None  # the darkest part within the streak over its bright ones
    carried: float = 0.0
    wide: bool = False  # white over so much that its peak is no more than what was seen


def lights_of(
    spots: Sequence[Spot],
    size_px: tuple[int, int],
    *,
    full_range: bool,
    stated_s: tuple[float, float] | None = None,
    all_of_it: bool = True,
) -> list[Light]:
    """Return the lights of a chain of spots, or of a part of one where they are not `all_of_it`.

    `stated_s` is the stated exposure and its u.

    Of streaks that the picture's edge cuts one end is known. Left out are points that it cuts, and
    lights whose pixels are all another's. Few spots of which too many are no streak have none.
    """
    longer = float(max(size_px))
    there = [spot for spot in spots if not spot.cut]
    if not there:
        return []
    full_level = full_level_of(there, full_range)
    parts = [_pixels(spot, full_level) for spot in there]
    held = [len(part.at) > PARAMETERS for part in parts]
    whole, pixels = list(compress(there, held)), list(compress(parts, held))
    if not whole:
        return []
    curve, first = first_fits(whole, pixels, longer, full_range)
    if curve is None:
        return []
    alike = of_one_kind(pixels, first, np.array([spot.snr for spot in whole]))
    whole, pixels = list(compress(whole, alike)), list(compress(pixels, alike))
    first = list(compress(first, alike))
    ratio = noise_by_level(pixels, first)
    priors = _common(whole, first, longer)
    variances = [scaled(part, fit, ratio) for part, fit in zip(pixels, first, strict=True)]
    fits = fit_streaks(pixels, curve, [fit.parameters for fit in first], priors, variances)
    left = [residuals_of(*one) for one in zip(pixels, fits, variances, strict=True)]
    noise = learn_noise(left)
    spreads = [covariance(one, prior, noise) for one, prior in zip(left, priors, strict=True)]
    excess = _excess(whole, fits, spreads)
    spreads = [widened(spread, fit, excess) for spread, fit in zip(spreads, fits, strict=True)]
    within = longer if all_of_it and len(there) == len(spots) else 0.0
    shift, extra = _switched(whole, fits, spreads, noise, within, stated_s)
    lights = [
        _light(spot, part, fit, spread, noise, moved, more)
        for spot, part, fit, spread, moved, more in zip(
            whole, pixels, fits, spreads, shift, extra, strict=True
        )
    ]
    if not np.any(extra):  # of a lamp that was switched meanwhile neither end would be known
        cut = ended(
            [spot for spot in spots if spot.cut], whole, fits, priors, curve, noise,
            full_level=full_level, size_px=size_px,
        )  # fmt: skip
        lights += [_one_ended(one, widened(one.spread, one.fit, excess), noise) for one in cut]
    carried = carried_on(np.array([spot.frame for spot in whole]), left, noise)
    found = [one for one in lights if one is not None and _believable(one, size_px)]
    return own_lights([replace(one, carried=carried) for one in found], longer)


def own_lights(lights: Sequence[Light], longer_px: float) -> list[Light]:
    """Return the lights of a lamp in order, without those that nothing shows to be its own."""
    order = sorted(lights, key=lambda light: light.spot.frame)
    frame, time_s, _ = _facts([light.spot for light in order])
    xy, cov = np.array([one.xy_px for one in order]), np.array([one.cov_px2 for one in order])
    kept = np.flatnonzero(of_one_way(time_s, xy, cov, longer_px))
    return [order[k] for k in kept[together(frame[kept])].tolist()]


def as_scattered(
    lights: Sequence[Light], sway: Sway | None = None, *, alone: bool, stamp_u_s: float
) -> list[Light]:
    """Return the lights of a lamp, their covariances as their scatter shows them to be.

    `sway` is that of the picture, of which the scatter is none; `alone` says that nothing of a
    frame comes from the one before, so that no error is carried on. `stamp_u_s` is of the stamps.
    """
    order = sorted(lights, key=lambda light: light.spot.frame)
    if not order:
        return []
    frame, time_s, _ = _facts([light.spot for light in order])
    xy, cov = np.array([one.xy_px for one in order]), np.array([one.cov_px2 for one in order])
    scatter = scatter_of(
        time_s, frame, xy, cov, 0.0 if alone else order[0].carried, sway,
        proves=proving(np.array([one.snr for one in order]), alone=alone),
        in_blocks=not alone, stamp_u_s=stamp_u_s,
    )  # fmt: skip
    spreads = stretched(xy, cov, scatter)
    return [replace(light, cov_px2=one) for light, one in zip(order, spreads, strict=True)]


def _pixels(spot: Spot, full_level: float) -> Pixels:
    """Return the pixels to fit: the segment and five widths around it."""
    return pixels_of(spot, REACH * min(max(spot.sigma_px, 1.2), 2.4) + 1.0, full_level)


def full_level_of(spots: Sequence[Spot], full_range: bool) -> float:
    """Return the level from which a pixel is full: white, or the top where levels go beyond.

    Of something dark, whose pixels are a negative, that is black.
    """
    white = 255.0 if full_range else 239.0 if spots[0].darker else 235.0
    brightest = max(float(spot.luma.max()) * level_scale(spot.luma) for spot in spots)
    return (white if brightest <= white + NEAR_FULL else 255.0) - NEAR_FULL


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
        value[HALO], sd[HALO] = HALO_SHARE, HALO_SHARE_SD
        priors.append(Prior(value=value, sd=sd))
    return priors


def _velocity(time_s: Floats, xy_px: Floats, snr: Floats) -> Floats:
    """Return the velocity (n, 2) in the picture at each light, from the seven nearest in time."""
    if len(time_s) < 2:
        return np.zeros_like(xy_px)
    near = np.array([np.argsort(np.abs(time_s - now))[:7] for now in time_s])
    tau = time_s[near] - time_s[:, None]
    scale = np.maximum(np.abs(tau).max(axis=1), 1e-9)[:, None]
    degree = 2 if near.shape[1] >= 5 else 1
    basis = (tau / scale)[:, :, None] ** np.arange(degree + 1)
    weight = np.sqrt(np.minimum(snr[near], 20.0))[:, :, None]
    inverse = np.linalg.pinv(basis * weight, rcond=EXACT)
    return np.asarray((inverse[:, 1:2] @ (xy_px[near] * weight))[:, 0] / scale)


def _exposure(half_px: Floats, speed: Floats, teachers: Bools) -> float:
    """Return the time that the shutter is open, from length over speed of the strong lights."""
    length = 2.0 * np.linalg.norm(half_px[teachers], axis=1)
    return float(np.median(length / np.maximum(np.linalg.norm(speed[teachers], axis=1), 1e-6)))


def _excess(
    spots: Sequence[Spot], fits: Sequence[Fit], spreads: Sequence[Floats]
) -> tuple[float, float]:
    """Return by how much the ends of streaks scatter beyond their covariance, along and across.

    Of a flashing lamp those beside dark frames are no longer than it was lit.
    """
    frame, time_s, snr = _facts(spots)
    if not flashes(frame, snr, sure_snr_of([spot.clear for spot in spots])):
        return excess_of_streaks(time_s, fits, spreads)
    before, after, _ = edges_of(frame)
    inner = np.flatnonzero((before | after) == 0).tolist()
    chosen = [fits[k] for k in inner], [spreads[k] for k in inner]
    return excess_of_streaks(time_s[inner], *chosen)


def _facts(spots: Sequence[Spot]) -> tuple[Ints, Floats, Floats]:
    """Return frame, time and peak over noise (n,) of spots."""
    frame = np.array([spot.frame for spot in spots], dtype=np.int64)
    time_s, snr = (np.array([getattr(spot, name) for spot in spots]) for name in ("time_s", "snr"))
    return frame, time_s, snr


def _switched(
    spots: Sequence[Spot],
    fits: Sequence[Fit],
    spreads: Sequence[Floats],
    noise: Noise,
    longer_px: float,
    stated_s: tuple[float, float] | None,
) -> tuple[Floats, Floats]:
    """Return what the lights of a flashing lamp are off (n, 2) at its flashes' ends, and u2.

    `longer_px` is the picture's longer side, 0 where the lamp was seen at its edge; `stated_s` is
    the stated exposure and its u.
    """
    frame, time_s, snr = _facts(spots)
    sure_snr = sure_snr_of([spot.clear for spot in spots])
    parameters = np.array([fit.parameters for fit in fits])
    length_u = np.array([_length_u_px(*both, noise) for both in zip(fits, spreads, strict=True)])
    seen = streaks_of(frame, time_s, snr, fits, np.nan_to_num(length_u, nan=FAR))
    shift, extra = np.zeros((len(spots), 2)), np.zeros((len(spots), 2, 2))
    single = single_flash(parameters[:, [X, Y]], snr, sure_snr, longer_px)
    for _ in range(SETTLED):  # the speed follows from the places
        before, velocity = shift, _velocity(time_s, parameters[:, [X, Y]] + shift, snr)
        shift, extra = corrections(
            seen._replace(velocity=velocity), sure_snr, single=single, stated_s=stated_s
        )
        if np.array_equal(shift, before):
            break
    return shift, extra


def _length_u_px(fit: Fit, spread: Floats, noise: Noise) -> float:
    """Return the standard deviation of a streak's length, NaN where its pixels bound nothing."""
    half = fit.parameters[[HALF_X, HALF_Y]]
    along = half / max(float(np.linalg.norm(half)), 1e-9)
    variance = float(along @ spread[HALF_X : HALF_Y + 1, HALF_X : HALF_Y + 1] @ along)
    return 2.0 * float(np.sqrt(variance * noise.even)) if variance >= 0.0 else np.nan


def _light(
    spot: Spot,
    pixels: Pixels,
    fit: Fit,
    spread: Floats,
    noise: Noise,
    shift_px: Floats,
    extra_px2: Floats,
) -> Light | None:
    """Turn a fit into a light, with the covariance that correlated noise gives.

    `shift_px` (2,) and `extra_px2` (2, 2) are those of a lamp that went on or off meanwhile.
    """
    if not fit.settled:
        return None
    half = fit.parameters[[HALF_X, HALF_Y]]
    length = 2.0 * float(np.linalg.norm(half))
    length_u = _length_u_px(fit, spread, noise)
    if np.isnan(length_u):  # pixels that hang together so much that they bound nothing: damage
        return None
    is_long = length > max(fit.parameters[WIDTH], 3.0 * length_u)
    strayed = float(np.linalg.norm(fit.parameters[[X, Y]] - spot.xy_px))
    if strayed > STRAYED_PX + (0.5 * length if is_long else 0.0):
        return None
    is_streak = is_long and not np.any(extra_px2)
    peak = float(fit.modelled.max() if fit.parameters[PEAK] > 0 else fit.modelled.min())
    peak = -peak if spot.darker else peak
    grain = float(np.sqrt(np.median(pixels.noise2) * noise.ratio[0]))
    return Light(
        spot=spot,
        xy_px=fit.parameters[[X, Y]] + shift_px,
        cov_px2=spread[:2, :2] + extra_px2,
        streak_px=length if is_streak else None,
        streak_u_px=length_u if is_streak else None,
        angle_rad=float(np.arctan2(half[1], half[0])) if is_streak else None,
        peak=peak,
        snr=abs(peak) / grain,
        fill=fill_of(pixels, fit.parameters) if is_streak else None,
    )


def _one_ended(one: Ended, spread: Floats, noise: Noise) -> Light | None:
    """Turn a streak that the picture's edge cuts into a light; it tells no length."""
    light = _light(one.spot, one.pixels, one.fit, spread, noise, np.zeros(2), np.zeros((2, 2)))
    return light and replace(light, streak_px=None, streak_u_px=None, angle_rad=None, fill=None)


def _believable(light: Light, size_px: tuple[int, int]) -> bool:
    """Say whether a light is bright and certain enough, and whole inside the picture."""
    values = np.linalg.eigvalsh(light.cov_px2)
    sure = values[0] > 0.0 and np.all(values < (WORST_PX**2, WORST_ALONG_PX**2))
    if light.snr < LEAST_SNR or not sure:
        return False
    half, turn = 0.5 * (light.streak_px or 0.0), light.angle_rad or 0.0
    way = half * np.array([np.cos(turn), np.sin(turn)])
    ends = np.stack([light.xy_px - way, light.xy_px + way])
    last = np.array(size_px) - 1.0
    return bool(np.all(ends > 2.0) and np.all(ends < last - 2.0))
