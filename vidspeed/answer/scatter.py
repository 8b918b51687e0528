"""Pass-to-pass scatter: what the speeds of passes differ by beside their errors of measurement.

Throttle, battery, line and gusts make each pass a little faster or slower than the last. How much
is estimated from the passes themselves: y = X beta + scatter + measurement, the covariance of the
measurement known, the scatter's variance not. The figures of a few passes leave that variance wide
open, so it is carried as a distribution: the likelihood of what is free of beta (restricted
likelihood), times the reference prior of this model (O. Bodnar, A. Link, C. Elster, Bayesian
Analysis 11 (2016) 25, from memory). Without errors of measurement everything that follows is
exactly Student's t; with large ones and no scatter it is the normal distribution.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vidspeed.algebra import null_space
from vidspeed.chance import noncentral_t_sf, normal_cdf, normal_sf, student_cdf, student_ppf
from vidspeed.motion.coverage import LEVEL, coverage_factor
from vidspeed.values import Floats, Value

GRID = 321  # values of the variance, evenly in its logarithm
BELOW, ABOVE = 1e-7, 1e9  # of its likely size: how far the grid reaches
ONE_SIDED = 0.95
NORMAL = 200.0  # degrees of freedom from which on Student's t is taken for normal
FARTHEST = 30.0  # standard uncertainties of a difference: what is farther is as sure


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scatter(Value):
    """The variance of the scatter, (m/s)^2, as values (k,) with weights (k,) that add up to one.

    `dof` counts the differences that it was estimated from: with 0 nothing is known of it, the
    variance is then 0, and whatever is said holds for these very passes only.
    """

    variance: Floats
    weight: Floats
    dof: int

    @property
    def median_mps(self) -> float | None:
        """Return the scatter that is as likely too large as too small, None where not known."""
        if self.dof == 0:
            return None
        if len(self.variance) == 1:
            return float(np.sqrt(self.variance[0]))
        reached = np.cumsum(self.weight) - self.weight / 2.0
        return float(np.exp(0.5 * np.interp(0.5, reached, np.log(self.variance))))


NO_SCATTER = Scatter(variance=np.zeros(1), weight=np.ones(1), dof=0)


def scatter_of(speeds_mps: Floats, covariance: Floats, design: Floats) -> Scatter:
    """Estimate the scatter of passes.

    Parameters
    ----------
    speeds_mps, covariance
        Speeds (n,) and the covariance (n, n) of their measurement.
    design
        (n, p): what the true speeds would be without scatter, but for p unknown factors.
    """
    contrasts = null_space(np.asarray(design).T)
    dof = contrasts.shape[1]
    if dof == 0:
        return NO_SCATTER
    known, turn = np.linalg.eigh(contrasts.T @ covariance @ contrasts)
    known = np.maximum(known, 0.0)
    seen = (turn.T @ contrasts.T @ speeds_mps) ** 2
    size = max(float(np.mean(seen)), float(np.mean(known)))
    if size <= 1e-18 * float(np.max(np.abs(speeds_mps))) ** 2:
        return Scatter(variance=np.zeros(1), weight=np.ones(1), dof=dof)
    variance = size * np.geomspace(BELOW, ABOVE, GRID)
    total = known[None, :] + variance[:, None]
    log = -0.5 * np.sum(np.log(total) + seen / total, axis=1)  # restricted likelihood
    log += 0.5 * np.log(np.sum(total**-2.0, axis=1))  # reference prior
    log += np.log(variance)  # even steps are steps of the logarithm
    weight = np.exp(log - log.max())
    return Scatter(variance=variance, weight=weight / weight.sum(), dof=dof)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spread(Value):
    """What a figure may be off by: measurement of variance `fixed`, and `share` of the scatter's.

    `dof` is that of the measurement, None for infinite.
    """

    scatter: Scatter
    fixed: float
    share: float = 0.0
    dof: float | None = None

    def below(self, x: float) -> float:
        """Return the probability that the figure is too large by no more than `x`."""
        variance = self.fixed + self.share * self.scatter.variance
        u = np.sqrt(variance)
        with np.errstate(divide="ignore", invalid="ignore"):
            z = np.where(u > 0.0, x / u, math.inf if x > 0.0 else -math.inf)
        if self.dof is None or self.fixed == 0.0:
            return float(self.scatter.weight @ normal_cdf(z))
        # Welch-Satterthwaite (JCGM 100:2008, G.2b), cut to an integer.
        dof = np.maximum(1.0, np.floor((variance / self.fixed) ** 2 * self.dof * (1.0 + 1e-12)))
        return float(self.scatter.weight @ student_cdf(z, dof))

    @property
    def u(self) -> float:
        """Return half of what a 68 % interval spans: the standard uncertainty where it is normal.

        The second moment does not exist with a scatter of one or two degrees of freedom.
        """
        if self.share == 0.0 or self.scatter.dof == 0:
            return math.sqrt(self.fixed)
        return self.half(2.0 * normal_cdf(1.0) - 1.0)

    def half(self, level: float = LEVEL) -> float:
        """Return half the width of the interval that holds the figure with probability `level`."""
        if self.share == 0.0 or self.scatter.dof == 0:
            return coverage_factor(self.dof, level=level) * math.sqrt(self.fixed)
        largest = math.sqrt(self.fixed + self.share * float(self.scatter.variance[-1]))
        if largest == 0.0:
            return 0.0
        tail = 0.5 + level / 2.0
        from scipy.optimize import brentq  # here: slow to import

        return float(brentq(lambda x: self.below(x) - tail, 0.0, 1e4 * largest, rtol=1e-10))


def chance_to_claim(true: float, spread: Spread) -> float:
    """Return how likely a true figure of this size is claimed to be above nought at 95 %.

    The figure that will be seen is normal about the true one; it is judged by Student's t with
    the degrees of freedom that its uncertainty then has (Welch-Satterthwaite): a probability of
    the non-central t distribution, averaged over what the scatter may be.
    """
    part = spread.share * spread.scatter.variance
    u = np.sqrt(spread.fixed + part)
    if not np.all(u > 0.0):
        return 1.0 if true > 0.0 else 0.0
    known = 1e9 if spread.dof is None else spread.dof
    dof = u**4 / (spread.fixed**2 / known + part**2 / max(spread.scatter.dof, 1) + 1e-300)
    dof = np.clip(dof, 1.0, 1e6)
    worth = spread.scatter.weight > 1e-9
    found = _beyond(true / u[worth], dof[worth])
    return float(spread.scatter.weight[worth] @ found)


def _beyond(shift: Floats, dof: Floats) -> Floats:
    """Return the probability (k,) that a non-central t is beyond its one-sided quantile."""
    limit = student_ppf(ONE_SIDED, dof)
    many = dof > NORMAL
    exact = noncentral_t_sf(limit, np.where(many, NORMAL, dof), np.minimum(shift, FARTHEST))
    return np.asarray(np.where(many, normal_sf(limit - shift), np.nan_to_num(exact, nan=1.0)))


def design_of(groups: Sequence[object], sessions: Sequence[object], ways: Sequence[str]) -> Floats:
    """Return the design (n, p): a speed of each group, and a wind of each session.

    A session that was flown one way only has no wind of its own to be told.
    """
    kinds = list(dict.fromkeys(groups))
    rows = [[float(group == kind) for kind in kinds] for group in groups]
    sign = [1.0 if way == "forward" else -1.0 for way in ways]
    for session in dict.fromkeys(sessions):
        flown = {way for way, own in zip(ways, sessions, strict=True) if own == session}
        if len(flown) == 2:
            for row, own, value in zip(rows, sessions, sign, strict=True):
                row.append(value if own == session else 0.0)
    return np.array(rows)
