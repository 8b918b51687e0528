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
from functools import lru_cache

import numpy as np

from vidspeed.algebra import null_space
from vidspeed.answer.scatter import Scatter, scatter_of
from vidspeed.values import Floats, Value

DRAWS = 50_000  # known to 0.1 % where the probability is 95 %
MOST_NUMBERS = 2_000_000
SEED = 20120106


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Field(Value):
    """All passes that could have been chosen, and which of them could be a pair.

    `pairs` hold places (forward, reverse) among the n passes; `covariance` (n, n) is that of
    their measurement, `dof` its degrees of freedom (None: infinite). `contrasts` (n, k) are
    independent differences of passes in which speed, set-up and wind cancel.
    """

    speeds_mps: Floats
    pairs: tuple[tuple[int, int], ...]
    covariance: Floats
    scatter: Scatter
    contrasts: Floats
    dof: float | None = None

    @property
    def own_variance(self) -> float:
        """Return the mean variance of what differs from pass to pass in measurement alone."""
        within = self.contrasts.T @ self.covariance @ self.contrasts
        return float(np.trace(within) / max(self.contrasts.shape[1], 1))


def field_of(
    speeds_mps: Floats,
    pairs: Sequence[tuple[int, int]],
    covariance: Floats,
    design: Floats,
    dof: float | None = None,
) -> Field:
    """Return the field of n passes; `design` (n, p) as for `scatter_of`."""
    return Field(
        speeds_mps=speeds_mps,
        pairs=tuple(pairs),
        covariance=covariance,
        scatter=scatter_of(speeds_mps, covariance, design),
        contrasts=null_space(design.T),
        dof=dof,
    )


def draws_of(field: Field, count: int | None = None) -> Floats:
    """Return by how much each pass lies off the common true speed, (count, n) in m/s.

    Wind adds to one way what it takes from the other; it cancels in every pair and is left out.
    """
    rng = np.random.default_rng(SEED)
    count = count or _count(field)
    off = rng.standard_normal((count, len(field.covariance))) @ _root(field.covariance)
    if field.dof is not None:
        off *= np.sqrt(field.dof / rng.chisquare(field.dof, count))[:, None]
    size = np.sqrt(rng.choice(field.scatter.variance, count, p=field.scatter.weight))
    own = rng.standard_normal(off.shape)
    own *= size[:, None]
    return np.asarray(np.add(off, own, out=own))


def _count(field: Field) -> int:
    """Return how many draws there is room for: fewer where there are more than forty passes."""
    return max(DRAWS // 10, min(DRAWS, MOST_NUMBERS // len(field.covariance)))


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
    """Return the symmetric root of a covariance that may be singular.

    It is unique, where a factor from vectors with a free sign would draw anew on every machine.
    """
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)) @ vectors.T)


def lifts(field: Field) -> Floats:
    """Return by how much the chosen pair lies above the common true speed, (draws,) in m/s.

    With the scatter at its median.
    """
    size = field.scatter.median_mps or 0.0
    exact = Scatter(variance=np.array([size**2]), weight=np.ones(1), dof=field.scatter.dof)
    return best_pair(draws_of(replace(field, scatter=exact)), field.pairs)


def beats(field: Field, threshold_mps: float, threshold_u_mps: float, mark_mps: float) -> float:
    """Return the probability that the common true speed is above a threshold.

    The mark's lead over the threshold is measured in what the passes' own differences say of its
    uncertainty, after taking off the lift that goes with it; the same is done in every draw. Where
    the scatter rules, that ratio is distributed alike whatever the scatter's size (a pivot, like
    Student's t), where the measurement rules, it is normal: the draws are a fair sample of it.
    """
    off = draws_of(field)
    above = best_pair(off, field.pairs)
    rng = np.random.default_rng(SEED + 1)
    above = above + threshold_u_mps * rng.standard_normal(len(above))
    lift, variance = _of_the_best(field.pairs, len(field.covariance), len(off))
    own = field.own_variance + (field.scatter.median_mps or 0.0) ** 2
    common = max(float(np.var(lifts(field))) - variance * own, 0.0) + threshold_u_mps**2

    def ratio(lead: Floats, speeds: Floats) -> Floats:
        seen = np.mean((speeds @ field.contrasts) ** 2, axis=-1)
        size = np.maximum(seen, field.own_variance)
        return np.asarray((lead - lift * np.sqrt(size)) / np.sqrt(common + variance * size))

    found = ratio(np.array(mark_mps - threshold_mps), field.speeds_mps)
    return float(np.mean(ratio(above, off) < found))


@lru_cache(maxsize=64)
def _of_the_best(
    pairs: tuple[tuple[int, int], ...], passes: int, count: int
) -> tuple[float, float]:
    """Return mean and variance of the chosen pair's mean where passes are standard normal."""
    rng = np.random.default_rng(SEED + 2)
    plain = best_pair(rng.standard_normal((count, passes)), pairs)
    return float(np.mean(plain)), float(np.var(plain))
