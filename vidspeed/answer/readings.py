"""The covariance of passes under each reading of what the session leaves open.

A flight line whose split is not stated is one error common to all passes, or one of each pass.
Neither reading is safe for every question: a mean is less sure with the first, a difference with
the second. A probability is asked of both, and the lower one is told.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vidspeed.values import Floats, PassResult


def picked(labels: Sequence[str], covariance: Floats, passes: Sequence[PassResult]) -> Floats:
    """Return the covariance (n, n) of some passes out of that of all."""
    at = [list(labels).index(result.label) for result in passes]
    return np.asarray(covariance)[np.ix_(at, at)]


def both_readings(passes: Sequence[PassResult], common: Floats) -> list[Floats]:
    """Return the covariances (n, n), given that with open inputs `common` to all passes.

    The second, in which each pass has its own, is left out where nothing is open.
    """
    tables = [open_split(result) for result in passes]
    names = {name for table in tables for name in table}
    if not names:
        return [common]
    apart = np.array(common)
    for name in names:
        moved = np.array([table.get(name, 0.0) for table in tables])
        joint = np.outer(moved, moved)
        apart -= joint - np.diag(np.diag(joint))
    return [common, apart]


def open_split(result: PassResult) -> dict[str, float]:
    """Return the signed sensitivity, by name, of the inputs whose split is open."""
    if result.sensitivities_mps is None:
        return {}
    pairs = zip(result.inputs, result.sensitivities_mps.tolist(), strict=True)
    return {item.name: value for item, value in pairs if item.split_unknown}


def weighted_variance(
    passes: Sequence[PassResult], weights: Sequence[float], common: Floats
) -> float:
    """Return the variance of a weighted sum of speeds, (m/s)^2.

    `common` (n, n) counts open inputs as common to all passes. Each such input counts here as
    common or as one of each pass, whichever makes the sum less sure: of the sensitivities s the
    sum has (sum of w s)^2 if it is common, and the sum of (w s)^2 if it is not.
    """
    tables = [open_split(result) for result in passes]
    w = np.asarray(weights, dtype=np.float64)
    more = 0.0
    for name in {name for table in tables for name in table}:
        moved = w * np.array([table.get(name, 0.0) for table in tables])
        more += max(0.0, float(moved @ moved - moved.sum() ** 2))
    return float(w @ common @ w) + more
