"""The noise of the pixels that lights are fitted to, learnt from what the fits leave.

What a fit leaves is noise and misfit. A misfit that is the same on both sides of a light's
middle (a halo, a transfer curve, a width that is not quite right) cannot move the middle, so the
noise that counts is taken from the odd part of the residuals: each pixel less the one opposite
it. Its size depends on the light's level, and it hangs together from pixel to pixel (codecs,
noise reduction); both are learnt from all lights of a lamp together and carried into the
covariance of each: with the gain G of the fit and the covariance C of the noise it is G C G'
(the sandwich form; P. J. Huber, "The behavior of maximum likelihood estimates under nonstandard
conditions", Proc. 5th Berkeley Symp. 1 (1967) 221-233).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import cv2
import numpy as np

from vidspeed.clip.light.fit import Fit, Pixels, Prior
from vidspeed.clip.light.lags import LAG, Lags, white
from vidspeed.clip.light.profile import HALF_X, SHAPE, SLOPE, X, Y
from vidspeed.values import Bools, Floats, Ints, Value

LEVELS = np.array([0.0, 1.0, 3.0, 8.0, 20.0, 60.0, 150.0])  # bins of level over noise
LEAST_LEVEL = 0.1  # that is added to levels, since they have logarithms
DEPTHS = np.log(LEVELS + LEAST_LEVEL)
MIDDLES = np.log(np.concatenate([[0.5], np.sqrt(LEVELS[1:-1] * LEVELS[2:]), [2.0 * LEVELS[-1]]]))
PATTERNS = 30.0  # over the noise: from about here on a coder describes a light by many patterns
TRUST = 30.0  # pixels' worth of the next lower bin, so that an empty bin has a value
ODD = np.array([X, Y, SLOPE, SHAPE + 1, SHAPE + 2])  # parameters that change odd parts


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Noise(Value):
    """The noise of one lamp's lights.

    `ratio` (7,) is the variance of the residuals' odd part over the background's, by the bins of
    `LEVELS`; `weighed` (7,) the ratio that the fits' weights assumed. `kernel` (2 LAG + 1,
    2 LAG + 1) is the covariance of pixels by their distance, in units of `ratio`. `even` is how
    much larger the variance of the whole residual is than that of its odd part; `usual` is the
    lights' mean chi-square over its degrees of freedom, `trust` how far each one's own is
    believed.
    """

    ratio: Floats
    weighed: Floats
    kernel: Floats
    even: float
    usual: float
    trust: float


class Residuals(NamedTuple):
    """What the fit of one light leaves of its n pixels, and what tells their noise.

    `over` (n,) is the variance that the weights assumed over the background's, `depth` (n,) the
    logarithm of the light's level over the noise. `used` (n,) says which pixels took part and
    `paired` (n,) which of them have a partner opposite the light's middle, with its index in
    `opposite` (n,). `taken` (n, 5) are the columns by which the fit takes part of the odd noise,
    `odd_leverage` (n,) is the leverage that comes from the parameters of odd parts.
    """

    pixels: Pixels
    fit: Fit
    over: Floats
    depth: Floats
    used: Bools
    paired: Bools
    opposite: Ints
    taken: Floats
    odd_leverage: Floats


def residuals_of(pixels: Pixels, fit: Fit, variance: Floats) -> Residuals:
    """Return what a fit leaves; `variance` (n,) of each pixel is what its weights assumed."""
    used = _used(fit)
    opposite = _opposite(pixels, fit, used)
    taken = fit.slopes[:, ODD] @ _root(fit.inverse[np.ix_(ODD, ODD)])
    return Residuals(
        pixels=pixels,
        fit=fit,
        over=variance / pixels.noise2,
        depth=_depth(pixels, fit),
        used=used,
        paired=used & (opposite >= 0),
        opposite=opposite,
        taken=taken,
        odd_leverage=(taken**2).sum(axis=1),
    )


def _root(inverse: Floats) -> Floats:
    """Return a root R with R R' as the inverse of a normal matrix (k, k).

    Where rounding has left that of a nearly singular one no root, of what is determined.
    """
    try:
        return np.asarray(np.linalg.cholesky(inverse))
    except np.linalg.LinAlgError:
        values, ways = np.linalg.eigh(np.nan_to_num(0.5 * (inverse + inverse.T)))
        return np.asarray(ways * np.sqrt(np.maximum(values, 0.0)))


def noise_by_level(pixels: Sequence[Pixels], fits: Sequence[Fit]) -> Floats:
    """Return the variance of the whole residuals over the background's (7,), by level.

    Of fits that took the background's noise for theirs.
    """
    tally = _Tally()
    for part, fit in zip(pixels, fits, strict=True):
        free = 1.0 - np.minimum(fit.leverage, 0.9)
        tally.add(_bins(_depth(part, fit)), _used(fit), fit.residual**2, free)
    return tally.ratio()


def scaled(pixels: Pixels, fit: Fit, ratio: Floats) -> Floats:
    """Return the variance (n,) of each pixel by its background and the light's level there."""
    return np.asarray(pixels.noise2 * _at_level(_depth(pixels, fit), ratio))


def learn_noise(left: Sequence[Residuals]) -> Noise:
    """Learn the noise of a lamp's lights from the odd part of their residuals.

    Where that tells nothing (no pixel has one opposite the middle), from all, as if white.
    """
    odd, all_of_it, weighed = _Tally(), _Tally(), _Tally()
    for one in left:
        bins, residual = _bins(one.depth), one.fit.residual
        difference = np.where(one.paired, residual - residual[one.opposite], 0.0)
        free = 1.0 - 2.0 * np.minimum(one.odd_leverage, 0.45)
        odd.add(bins, one.paired, 0.5 * difference**2 * one.over, free)
        whole = 1.0 - np.minimum(one.fit.leverage, 0.9)
        all_of_it.add(bins, one.used, residual**2 * one.over, whole)
        weighed.add(bins, one.used, one.over, np.ones(len(one.over)))
    if not odd.total.any():
        return Noise(ratio=all_of_it.ratio(), weighed=weighed.ratio(), kernel=white(),
                     even=1.0, usual=1.0, trust=0.0)  # fmt: skip
    ratio = odd.ratio()
    noise = Noise(
        ratio=ratio,
        weighed=weighed.ratio(),
        kernel=_correlation(left, ratio),
        even=max(1.0, all_of_it.mean() / odd.mean()),
        usual=1.0,
        trust=0.0,
    )
    usual, trust = _trusted(left, noise)
    return replace(noise, usual=usual, trust=trust)


def covariance(left: Residuals, prior: Prior, noise: Noise) -> Floats:
    """Return the covariance (4, 4) of middle and half vector.

    A light that fits worse than the others is wider, as far as that is more than chance. A faint
    one that fits better is hardly surer.
    """
    size, fit = _standard(left, noise), left.fit
    gain = (fit.inverse[: HALF_X + 2] @ fit.slopes.T) * size
    product = gain @ _through(gain, left.pixels, noise.kernel).T
    own, _ = _own(left, noise, size)
    more = own - noise.usual
    product *= noise.usual + noise.trust * max(more, _surer(left, noise) * more)
    product = 0.5 * (product + product.T)
    known = fit.inverse[: HALF_X + 2] / prior.sd
    from_prior = known @ known.T
    return np.asarray(product + from_prior)


def odd_part(left: Residuals, noise: Noise) -> Floats:
    """Return the odd part of the residuals (n,) over the noise, 0 where there is none."""
    return _odd_part(left, _standard(left, noise))


class _Tally:
    """Sums of squares and of degrees of freedom by bins of level."""

    def __init__(self) -> None:
        self.total, self.count = np.zeros(len(LEVELS)), np.zeros(len(LEVELS))

    def add(self, bins: Ints, used: Bools, square: Floats, free: Floats) -> None:
        """Add the pixels (n,) of one fit, in the bins of their levels."""
        there, count = bins[used], len(LEVELS)
        self.total += np.bincount(there, square[used], minlength=count)
        self.count += np.bincount(there, free[used], minlength=count)

    def mean(self) -> float:
        """Return the mean square over all bins."""
        return float(self.total.sum() / max(self.count.sum(), 1.0))

    def ratio(self) -> Floats:
        """Return the mean square of each bin, leaning on the bin below where there is little."""
        base = float(self.total[:2].sum() / max(self.count[:2].sum(), 1.0)) or 1.0
        ratio = np.empty(len(LEVELS))
        for k in range(len(LEVELS)):
            base = (self.total[k] + TRUST * base) / (self.count[k] + TRUST)
            ratio[k] = base
        return np.maximum(ratio, 1e-3)


def _depth(pixels: Pixels, fit: Fit) -> Floats:
    """Return the logarithm (n,) of the light's level over the background's noise."""
    return np.asarray(np.log(np.abs(fit.modelled) / np.sqrt(pixels.noise2) + LEAST_LEVEL))


def _bins(depth: Floats) -> Ints:
    """Return in which of `LEVELS` pixels (n,) lie."""
    return np.asarray(np.searchsorted(DEPTHS[1:], depth, side="right"))


def _at_level(depth: Floats, ratio: Floats) -> Floats:
    """Return the ratio (n,) at each pixel's level."""
    return np.asarray(np.exp(np.interp(depth, MIDDLES, np.log(ratio))))


def _used(fit: Fit) -> Bools:
    """Say which pixels (n,) took part; full ones that the model outshines did not."""
    return np.asarray(fit.slopes[:, SHAPE] != 0.0)


def _opposite(pixels: Pixels, fit: Fit, used: Bools) -> Ints:
    """Return for each pixel the index (n,) of the used one opposite the light's middle, or -1."""
    places = np.full(pixels.shape, -1, dtype=np.int64)
    places.flat[pixels.at] = np.where(used, np.arange(len(pixels.at)), -1)
    rows, columns = np.unravel_index(pixels.at, pixels.shape)
    corner_x, corner_y = pixels.x[0] - columns[0], pixels.y[0] - rows[0]
    other_x = np.rint(2.0 * (fit.parameters[X] - corner_x) - columns).astype(int)
    other_y = np.rint(2.0 * (fit.parameters[Y] - corner_y) - rows).astype(int)
    inside = (other_x >= 0) & (other_x < pixels.shape[1])
    inside &= (other_y >= 0) & (other_y < pixels.shape[0])
    found = np.full(len(rows), -1, dtype=np.int64)
    found[inside] = places[other_y[inside], other_x[inside]]
    return found


def _standard(left: Residuals, noise: Noise) -> Floats:
    """Return the standard deviation (n,) of the noise over the one that the weights assumed."""
    return np.sqrt(_at_level(left.depth, noise.ratio / noise.weighed))


def _odd_part(left: Residuals, size: Floats) -> Floats:
    """Return the odd part of the residuals (n,) over the noise `size` (n,)."""
    residual = left.fit.residual
    odd = np.where(left.paired, residual - residual[left.opposite], 0.0) / np.sqrt(2.0)
    return np.asarray(odd / size)


def _own(left: Residuals, noise: Noise, size: Floats) -> tuple[float, float]:
    """Return a light's own chi-square over its degrees of freedom, and the variance by chance."""
    odd = _odd_part(left, size)
    free = max(float(np.sum(1.0 - 2.0 * left.odd_leverage[left.paired])), 1.0)
    correlation = noise.kernel / noise.kernel[LAG, LAG]
    independent = 0.5 * free / max(float((correlation**2).sum()), 1.0)
    return float(odd @ odd) / free, 2.0 / max(independent, 2.0)


def _surer(left: Residuals, noise: Noise) -> float:
    """Return how far a light that fits better than the others is surer, 0 to 1: as it is bright.

    Of a faint one a coder may leave one pattern of a block: no fit misses that, wherever it is.
    """
    over = (left.fit.modelled**2).max() / (np.median(left.pixels.noise2) * noise.ratio[0])
    return float(over / (over + PATTERNS**2))


def _trusted(left: Sequence[Residuals], noise: Noise) -> tuple[float, float]:
    """Return the lights' mean chi-square, and how far a light's own is more than chance.

    The share of the scatter between lights that chance does not explain: empirical Bayes, as in
    B. Efron and C. Morris, "Stein's estimation rule and its competitors", J. Am. Stat. Assoc. 68
    (1973) 117-130.
    """
    own, chance = np.array([_own(one, noise, _standard(one, noise)) for one in left]).T
    mean = float(own.mean())
    between = float(own.var()) - mean**2 * float(chance.mean())
    return mean, max(between, 0.0) / max(float(own.var()), 1e-12)


def _correlation(left: Sequence[Residuals], ratio: Floats) -> Floats:
    """Return the covariance of the noise of pixels by their distance, in units of `ratio`."""
    lags = Lags()
    for one in left:
        odd = _odd_part(one, np.sqrt(_at_level(one.depth, ratio) / one.over))
        taken = np.where(one.paired, one.taken.T, 0.0)
        odd_picture, paired, *columns = _pictures(np.vstack([odd, one.paired, taken]), one.pixels)
        lags.add(odd_picture, paired, np.array(columns))
    return lags.kernel()


def _through(values: Floats, pixels: Pixels, kernel: Floats) -> Floats:
    """Return C times values (k, n): each pixel gets its neighbours' by their covariance."""
    picture = np.zeros((*pixels.shape, len(values)))
    picture.reshape(-1, len(values))[pixels.at] = values.T
    spread = cv2.filter2D(picture, -1, kernel, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(spread.reshape(-1, len(values))[pixels.at].T)


def _pictures(values: Floats, pixels: Pixels) -> Floats:
    """Put values (k, n) back into the shape of the patch (k, h, w), 0 where nothing is fitted."""
    pictures = np.zeros((len(values), *pixels.shape))
    pictures.reshape(len(values), -1)[:, pixels.at] = values
    return pictures
