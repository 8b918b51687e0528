"""Learn from the lengths of streaks how far their ends can be trusted.

A codec shifts the two ends of a streak by amounts of its own, and a fit takes such a shift for
the place of the end: no residual shows it. But the lengths show it. Length and direction change
smoothly along a pass, so what they scatter beyond their own covariance is the error of the ends
that the pixels did not tell, and the middle, the mean of the same two ends, has its share.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vidspeed.clip.fit import Fit
from vidspeed.clip.profile import HALF_X, HALF_Y, WIDTH
from vidspeed.values import Floats

RESOLVED = 3.0  # widths: a shorter streak has no ends to speak of
LEAST_STREAKS = 8
NORMAL_MEDIAN = 0.6745  # median of the absolute value of a standard normal


def excess_of_streaks(
    time_s: Floats, fits: Sequence[Fit], spreads: Sequence[Floats]
) -> tuple[float, float]:
    """Return by how much the half vectors scatter beyond their covariance, along and across.

    Standard deviations, at least 1; (1, 1) where there are fewer than eight resolved streaks.
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
    return _scatter(left, spread, along) * lost, _scatter(left, spread, across) * lost


def widened(spread: Floats, fit: Fit, excess: tuple[float, float]) -> Floats:
    """Widen a covariance (4, 4) of middle and half vector along and across the streak."""
    if not _is_resolved(fit):
        return spread
    along = fit.parameters[[HALF_X, HALF_Y]]
    along = along / np.linalg.norm(along)
    across = np.array([-along[1], along[0]])
    more_along, more_across = max(excess[0], 1.0), max(excess[1], 1.0)
    stretch = more_along * np.outer(along, along) + more_across * np.outer(across, across)
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
    """Return the robust standard deviation of residuals over their own, along directions."""
    variance = np.einsum("ni,nij,nj->n", direction, spread, direction)
    normalised = np.abs((left * direction).sum(axis=1)) / np.sqrt(np.maximum(variance, 1e-12))
    return float(np.median(normalised)) / NORMAL_MEDIAN
