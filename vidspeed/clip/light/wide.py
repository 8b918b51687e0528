"""Lights that saturate widely: which of a lamp's are, and how far their places can be trusted.

Of a very bright lamp near by so much is white that hardly anything of its profile is left to fit;
its rim says where it is (`rim.py`). Pixels tell that to hundredths of a pixel, and a rim that is
not the same on all sides moves it by far more: light that spreads in the lens or on the sensor to
one side. Where that is so, a wider contour has another middle than a narrower one, and lights of a
lamp beside each other have it alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import compress

import numpy as np

from vidspeed.clip.background import level_scale
from vidspeed.clip.light.core import core_px, patch_of
from vidspeed.clip.light.flashing import flashes, sure_snr_of
from vidspeed.clip.light.lamp import Light, full_level_of, lights_of, own_lights
from vidspeed.clip.light.rim import Rim, rim_of
from vidspeed.clip.spots.finder import WHITE
from vidspeed.clip.spots.lights import Spot
from vidspeed.spread.progress import alive
from vidspeed.values import Bools, Floats, Ints, Value

WIDE_PX = 6.0  # radius of what is full: of the 13 px that are looked at, most tells nothing then
ALSO_PX = 3.0  # likewise where most lights of the lamp are so wide: all are measured alike
FLAT, RIPPLE = 0.1, 6.0  # of the peak, and levels: what a coder leaves of a flat core lies within
NEAR = 9  # lights, by time, that have the unevenness of a rim alike
BESIDE = 3  # whole lights, at least, that tell how long one is of which a part is seen
LEAST_SD_PX = 0.3  # of what neighbours say of a half vector
WORST_SHARE = 0.2  # of the radius: a place that is less certain is none
INSIDE_PX = 2.0  # that a place lies inside the picture
ALIKE = 4.0  # times what chance leaves of the mean of rims: they are uneven, and alike
SURELY = 3.0  # standard deviations from which contours lean by more than chance
LEAST_U_PX = 0.02  # of a whole rim's middle: half of what curves and coders were seen to move one
CUT_SHARE = 0.03  # of the radius: likewise of a rim of which the other side is not seen
OWN_SHARE = 0.5  # of a light's own scatter is believed, the rest is its neighbours'


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wide(Value):
    """A light that saturates widely: its spot, rim and covariance `cov_px2` (2, 2)."""

    spot: Spot
    rim: Rim
    cov_px2: Floats

    @property
    def xy_px(self) -> Floats:
        """Return the middle (2,)."""
        return self.rim.places[:2]

    @property
    def half_px(self) -> Floats:
        """Return half the streak's vector (2,)."""
        return self.rim.places[2:]


def lights_of_any(
    spots: Sequence[Spot],
    size_px: tuple[int, int],
    *,
    full_range: bool,
    stated_s: tuple[float, float] | None = None,
) -> list[Light]:
    """Return the lights of a chain of spots, as `lights_of` does; wide ones by their rims."""
    full_level = _full_level(spots, full_range)
    wide = wide_of(spots, full_level)
    if not wide.any():
        return lights_of(spots, size_px, full_range=full_range, stated_s=stated_s)
    frame = np.array([spot.frame for spot in spots])
    wides = wide_lights_of(list(compress(spots, wide)), full_level, 0.0 if full_range else 16.0)
    snr, clear = np.array([spot.snr for spot in spots]), [spot.clear for spot in spots]
    extra: Sequence[Floats] = [np.zeros((2, 2))] * len(wides)
    if wides and flashes(np.sort(frame), snr, sure_snr_of(clear)):
        extra = switched_px2(wides, frame)
    lights = [
        _light(one, one.cov_px2 + more)
        for one, more in zip(wides, extra, strict=True)
        if _inside(one, size_px)
    ]
    before = np.searchsorted(np.sort(frame[wide]), frame)  # whose frames are no dark ones
    narrow = [
        replace(spot, frame=int(spot.frame - count))
        for spot, count in zip(compress(spots, ~wide), before[~wide].tolist(), strict=True)
    ]
    if narrow:
        true = dict(zip((id(spot) for spot in narrow), compress(spots, ~wide), strict=True))
        usual = lights_of(
            narrow, size_px, full_range=full_range, stated_s=stated_s, all_of_it=False
        )
        lights += [replace(one, spot=true[id(one.spot)]) for one in usual if id(one.spot) in true]
    return own_lights(lights, float(max(size_px))) if lights else []


def _full_level(spots: Sequence[Spot], full_range: bool) -> float:
    """Return from which level (eight-bit levels) the cores of a lamp's lights are full.

    A coder lets the edge of a core swing beyond white, which is then no longer the brightest level
    there is: it is the one at which cores are flat.
    """
    usual = full_level_of(spots, full_range)
    tops = []
    for spot in spots:
        values = spot.luma[spot.own] * level_scale(spot.luma)
        if len(values):
            tops.append(float(np.median(values[values >= values.max() - FLAT * spot.peak])))
    flat = float(np.median(tops)) if tops else 0.0
    return min(usual, flat - RIPPLE) if flat >= WHITE else usual


def _light(one: Wide, cov_px2: Floats) -> Light:
    """Turn a wide light into one; how much brighter than white it is nobody knows.

    It tells no length: how far the rim goes beyond either end of the way depends on that.
    """
    return Light(
        spot=one.spot,
        xy_px=one.xy_px,
        cov_px2=cov_px2,
        streak_px=None,
        streak_u_px=None,
        angle_rad=None,
        peak=one.rim.height,
        snr=one.rim.height / one.rim.noise,
        fill=None,
        wide=True,
    )


def _inside(one: Wide, size_px: tuple[int, int]) -> bool:
    """Say whether the middle of a light lies inside the picture, and the ends of a whole one."""
    last = np.array(size_px) - 1.0
    way = np.zeros(2) if one.rim.cut else one.half_px
    ends = np.stack([one.xy_px - way, one.xy_px + way])
    return bool(np.all(ends > INSIDE_PX) and np.all(ends < last - INSIDE_PX))


def wide_of(spots: Sequence[Spot], full_level: float) -> Bools:
    """Say which spots (n,) of a lamp saturate so widely that their rim is to be fitted.

    `full_level` (eight-bit levels) is from where pixels are full.
    """
    core = np.array([core_px(spot, full_level) for spot in spots])
    wide = core >= WIDE_PX
    return np.asarray(core >= ALSO_PX) if wide.mean() >= 0.5 else wide


def wide_lights_of(spots: Sequence[Spot], full_level: float, black: float) -> list[Wide]:
    """Fit the rims of the lights of a lamp that saturate widely, in order of time.

    Of those that the picture's edge cuts so far that it shows, how long they are is taken from
    others. Left out is what does not determine a place.
    """
    order = sorted(spots, key=lambda spot: spot.time_s)
    rims: list[Rim | None] = []
    for spot in order:
        alive()
        rims.append(rim_of(patch_of(spot, full_level, black)))
    whole = [k for k, rim in enumerate(rims) if rim is not None and not rim.cut]
    for k, rim in enumerate(rims):
        if k not in whole and (rim is None or rim.cut):
            near = _usual_half(order[k], [(order[i], rims[i]) for i in whole])
            rims[k] = near and rim_of(patch_of(order[k], full_level, black), near)
    kept = [k for k, rim in enumerate(rims) if rim is not None]
    spots, found = [order[k] for k in kept], [rim for rim in rims if rim is not None]
    covs = _trusted(np.array([spot.time_s for spot in spots]), found)
    wides = [
        Wide(spot=spot, rim=rim, cov_px2=cov)
        for spot, rim, cov in zip(spots, found, covs, strict=True)
    ]
    return [one for one in wides if _certain(one)]


def switched_px2(wides: Sequence[Wide], frame: Ints) -> list[Floats]:
    """Return what the covariance (2, 2) of each grows by if the lamp was switched beside it.

    `frame` (m,) are all that show the lamp, which flashes. How much of a frame such a lamp was lit
    its width does not tell: beside a dark frame its middle lies anywhere in the exposure.
    """
    lit = set(frame.tolist())
    half = np.array([one.half_px for one in wides])
    dark = np.array([{one.spot.frame - 1, one.spot.frame + 1} - lit != set() for one in wides])
    usual = half[~dark] if np.any(~dark) else half
    wide = float(np.median([one.rim.radius_px for one in wides]))  # what ends may lack
    longest = float(np.median(np.linalg.norm(usual, axis=1))) + 0.5 * wide
    found = []
    for one, cut in zip(wides, dark, strict=True):
        way = one.half_px / max(float(np.linalg.norm(one.half_px)), 1e-9) * longest
        found.append(np.outer(way, way) / 3.0 if cut else np.zeros((2, 2)))
    return found


def _usual_half(
    spot: Spot, whole: Sequence[tuple[Spot, Rim | None]]
) -> tuple[Floats, Floats] | None:
    """Return half vector (2,) and its standard deviation (2,) of whole lights near a light."""
    near = sorted(whole, key=lambda one: abs(one[0].time_s - spot.time_s))[:NEAR]
    half = np.array([rim.places[2:] for _, rim in near if rim is not None])
    if len(half) < BESIDE:
        return None
    half = half * np.where(half @ half[0] < 0.0, -1.0, 1.0)[:, None]
    usual = np.median(half, axis=0)
    return usual, 1.5 * np.median(np.abs(half - usual), axis=0) + LEAST_SD_PX


def _trusted(time_s: Floats, rims: Sequence[Rim]) -> list[Floats]:
    """Return the covariances (2, 2) of the places, with what is uneven about their rims.

    The few parts of one rim scatter by chance, along either axis: what its neighbours' do on the
    mean is believed as well, and more where its own seems smaller.
    """
    covs = []
    for rim, now in zip(rims, time_s, strict=True):
        near = [rims[k] for k in np.argsort(np.abs(time_s - now), kind="stable")[:NEAR]]
        own = rim.cov[:2, :2]
        usual = np.mean([one.cov[:2, :2] for one in near if one.cut == rim.cut], axis=0)
        share = OWN_SHARE if np.trace(own) > np.trace(usual) else 0.0  # smoothed is no surer
        uneven = rim.radius_px**2 * np.diag(_leaning2(near))
        least = max(LEAST_U_PX, CUT_SHARE * rim.radius_px if rim.cut else 0.0)
        covs.append(share * own + (1.0 - share) * usual + uneven + least**2 * np.eye(2))
    return covs


def _leaning2(near: Sequence[Rim]) -> Floats:
    """Return the square (2,) of how far middles of contours lean, of lights beside each other.

    What a coder leaves of rims makes them lean, too, but not all alike: where it may be that, only
    what is surely more counts. Where rims are surely uneven, as lens and sensor make them, all.
    """
    leans = np.array([rim.leans for rim in near])
    mean = leans.mean(axis=0)
    least = SURELY**2 * np.mean([np.diag(rim.leans_cov) for rim in near], axis=0)
    chance = least / SURELY**2
    if len(near) >= BESIDE:
        chance = leans.var(axis=0, ddof=1) / len(near)
        odd = np.array([rim.odd for rim in near])
        alike = len(near) * float(np.sum(odd.mean(axis=0) ** 2))
        least *= alike <= ALIKE * float(np.sum(odd.var(axis=0, ddof=1)))
    return np.asarray(np.where(mean**2 >= least, mean**2 + chance, 0.0))


def _certain(one: Wide) -> bool:
    """Say whether the rim determines the place well enough."""
    values = np.linalg.eigvalsh(one.cov_px2)
    return bool(values[0] > 0.0 and values[1] <= (WORST_SHARE * one.rim.radius_px) ** 2)
