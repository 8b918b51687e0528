"""Choosing the best of several is luck as well as speed: how much luck is simulated.

Passes of one common true speed differ by their errors of measurement and by the scatter from pass
to pass. Choosing the fastest each way lifts the mean of the two above that common speed. The
simulation draws all eligible passes from their joint covariance, chooses again, and looks how far
the chosen pair lies above; what of the mark's lead over an earlier figure is more than that is
speed. The lead itself is judged one-sided (JCGM 106:2012).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidspeed.answer.scatter import Scatter
from vidspeed.values import Floats, Value

DRAWS = 50_000  # known to 0.1 % where the probability is 95 %
SEED = 20120106


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Field(Value):
    """All passes that could have been chosen, and which of them could be a pair.

    `pairs` hold places (forward, reverse) among the n passes; `covariance` (n, n) is that of
    their measurement, `dof` its degrees of freedom (None: infinite), `scatter` what they differ
    by beside it.
    """

    pairs: tuple[tuple[int, int], ...]
    covariance: Floats
    scatter: Scatter
    dof: float | None = None


def lifts(field: Field, *, draws: int = DRAWS, seed: int = SEED) -> Floats:
    """Return by how much the chosen pair lies above the common true speed, (draws,) in m/s.

    Wind adds to one way what it takes from the other; it cancels in every pair.
    """
    rng = np.random.default_rng(seed)
    count, scatter = len(field.covariance), field.scatter
    off = rng.standard_normal((draws, count)) @ _root(field.covariance).T
    if field.dof is not None:
        off *= np.sqrt(field.dof / rng.chisquare(field.dof, draws))[:, None]
    size = np.sqrt(rng.choice(scatter.variance, draws, p=scatter.weight))
    off += size[:, None] * rng.standard_normal((draws, count))
    return best_pair(off, field.pairs)


def best_pair(speeds: Floats, pairs: Sequence[tuple[int, int]]) -> Floats:
    """Return the mean of the best pair (m,) in each row of `speeds` (m, n)."""
    partners: dict[int, list[int]] = {}
    for one, other in pairs:
        partners.setdefault(one, []).append(other)
    best = [
        speeds[:, one] + speeds[:, others].max(axis=1) for one, others in sorted(partners.items())
    ]
    return np.asarray(np.max(best, axis=0) / 2.0)


def _root(covariance: Floats) -> Floats:
    """Return a root of a covariance that may be singular."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def mean_lift(field: Field) -> float:
    """Return the lift to be expected: with the scatter at its median."""
    size = field.scatter.median_mps or 0.0
    exact = Scatter(variance=np.array([size**2]), weight=np.ones(1), dof=field.scatter.dof)
    return float(np.mean(lifts(replace(field, scatter=exact))))


def beats(field: Field, threshold_mps: float, threshold_u_mps: float, mark_mps: float) -> float:
    """Return the probability that the common true speed is above a threshold.

    The mark lies above the common speed by one of the simulated lifts: the share of them that
    leaves the rest of the mark above the threshold, which has an uncertainty of its own.
    """
    off = lifts(field)
    rng = np.random.default_rng(SEED + 1)
    threshold = threshold_mps + threshold_u_mps * rng.standard_normal(len(off))
    return float(np.mean(mark_mps - off > threshold))
