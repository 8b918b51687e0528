"""Learn from the lengths of streaks how far their ends can be trusted.

A codec shifts the two ends of a streak by amounts of its own, and a fit takes such a shift for
the place of the end: no residual shows it. But the lengths show it. Length and direction change
smoothly along a pass, so what they scatter beyond their own covariance is the error of the ends
that the pixels did not tell, and the middle, the mean of the same two ends, has its share.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vidspeed.clip.light.fit import Fit
from vidspeed.clip.light.profile import HALF_X, HALF_Y, WIDTH
from vidspeed.values import Floats

RESOLVED = 3.0  # widths: a shorter streak has no ends to speak of
LEAST_STREAKS = 8
FAR_OUT = 3.5
NORMAL_MEDIAN = 0.6745  # median of the absolute value of a standard normal


def excess_of_streaks(
    time_s: Floats, fits: Sequence[Fit], spreads: Sequence[Floats]
) -> tuple[float, float]:
    """Return by how much the half vectors scatter beyond their covariance, along and across.

    Standard deviations; 1 where the scatter may be chance, or there are fewer than eight
    resolved streaks.
    `spreads` are the covariances (4, 4) of middle and half vector.
    """
    chosen = [k for k, fit in enumerate(fits) if _is_resolved(fit)]
    if len(chosen) < LEAST_STREAKS:
        return 1.0, 1.0
    half = np.array([fits[k].parameters[[HALF_X, HALF_Y]] for k in chosen])
    half[half @ half[0] < 0] *= -1.0  # a half vector may point either way
    spread = np.array([spreads[k][HALF_X : HALF_Y + 1, HALF_X : HALF_Y + 1] for k in chosen])
    along = half / np.linalg.norm(half, axis=1, keepdims=True)
    across = np.column_stack([-along[:, 1], along[:, 0]])
    left, degrees = _off_trend(time_s[chosen], half)
    lost = np.sqrt(len(chosen) / (len(chosen) - degrees))
    chance = 1.0 + 2.0 / np.sqrt(2.0 * len(chosen))  # two standard deviations of such a scatter
    found = [_scatter(left, spread, way) * lost for way in (along, across)]
    return (
        found[0] if found[0] > chance else 1.0,
        found[1] if found[1] > chance else 1.0,
    )


def widened(spread: Floats, fit: Fit, excess: tuple[float, float]) -> Floats:
    """Widen a covariance (4, 4) of middle and half vector along and across the streak."""
    if excess == (1.0, 1.0) or not _is_resolved(fit):
        return spread
    along = fit.parameters[[HALF_X, HALF_Y]]
    along = along / np.linalg.norm(along)
    across = np.array([-along[1], along[0]])
    stretch = excess[0] * np.outer(along, along) + excess[1] * np.outer(across, across)
    both = np.kron(np.eye(2), stretch)
    return np.asarray(both @ spread @ both.T)


def _is_resolved(fit: Fit) -> bool:
    half = float(np.hypot(fit.parameters[HALF_X], fit.parameters[HALF_Y]))
    return fit.settled and 2.0 * half > RESOLVED * float(fit.parameters[WIDTH])


def _off_trend(time_s: Floats, half_px: Floats) -> tuple[Floats, int]:
    """Return the half vectors (n, 2) less a smooth trend in time, and the trend's parameters."""
    degree = 3 if len(time_s) >= 16 else 2
    tau = (time_s - time_s.mean()) / max(float(np.ptp(time_s)), 1e-9)
    basis = np.vander(tau, degree + 1)
    weight = np.ones(len(tau))
    left = half_px
    for _ in range(4):  # towards the least absolute deviation, so that a cut streak does no harm
        fitted = np.linalg.lstsq(basis * weight[:, None], half_px * weight[:, None], rcond=None)[0]
        left = half_px - basis @ fitted
        size = np.linalg.norm(left, axis=1)
        weight = 1.0 / np.sqrt(size + np.median(size) + 1e-6)
    return left, degree + 1


def _scatter(left: Floats, spread: Floats, direction: Floats) -> float:
    """Return the standard deviation of residuals over their own, along directions.

    What lies beyond `FAR_OUT` robust standard deviations (a streak cut short) counts as that far.
    """
    variance = np.einsum("ni,nij,nj->n", direction, spread, direction)
    normalised = np.abs((left * direction).sum(axis=1)) / np.sqrt(np.maximum(variance, 1e-12))
    limit = FAR_OUT * float(np.median(normalised)) / NORMAL_MEDIAN
    return float(np.sqrt(np.mean(np.minimum(normalised, limit) ** 2)))
