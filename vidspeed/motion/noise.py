"""The lights' own noise: what is stated of it, and what the solution leaves of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.values import Floats, Track, Value

WORST = 12.0  # sqrt(q) above which the lights do not follow a flight at all
LEAST_WORST = 3.0  # a coder may well make errors so large that nobody stated
BY_CHANCE = 0.001  # that lights that chance gathered follow a flight as nearly
OF_WAY = 6  # of the degrees of freedom of the lights' places goes into a bent way


def stamp_covariance(track: Track) -> Floats:
    """Return the lights' covariance (n, 2, 2) with what the stamps' quantisation leaves open."""
    rate = np.gradient(track.xy_px, track.time_s, axis=0)
    moved = rate * track.time_u_s[:, None]
    return np.asarray(track.cov_px2 + moved[:, :, None] * moved[:, None, :])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Noise(Value):
    """How far a clip's lights scatter beyond what the pixel noise says.

    `scale` (q, at least one) multiplies their covariance; `correlation` of neighbours (0 where it
    cannot be told from none) widens it by (1 + rho)/(1 - rho) more; `dof` are those of q.
    """

    scale: float
    correlation: float
    dof: float

    @property
    def variance_factor(self) -> float:
        """Return what the lights' covariance is multiplied by."""
        return self.scale * (1.0 + self.correlation) / (1.0 - self.correlation)


def noise_of(normalised: Floats, leverage: float) -> Noise:
    """Judge the noise of a clip's lights.

    Parameters
    ----------
    normalised
        (n, 2) whitened residuals, in order of time.
    leverage
        Trace of the lights' block of the hat matrix: how many of the 2 n the fit used up.
    """
    dof = max(normalised.size - leverage, 1.0)
    scale = max(1.0, float(np.sum(normalised**2)) / dof)
    return Noise(scale=scale, correlation=_correlation(normalised, dof), dof=dof)


def worst_scale(lights: int) -> float:
    """Return the scatter sqrt(q) above which lights, so many of all clips, follow no flight.

    What chance gathers scatters by anything up to `WORST` and far beyond: all of n degrees of
    freedom by less than a share s of it with a probability of at most s^n. So few lights must
    keep more closely to a flight before they are believed to be one.
    """
    freedom = max(2 * lights - OF_WAY, 1)
    return float(max(WORST * BY_CHANCE ** (1.0 / freedom), LEAST_WORST))


def _correlation(normalised: Floats, dof: float) -> float:
    """Return the lag-one correlation, 0 unless it exceeds its one-sided 95 % limit under none.

    Without correlation its standard deviation is 1/sqrt(n) (M. S. Bartlett, J. R. Stat. Soc.
    Suppl. 8, 1946, 27-41). The fit takes low frequencies out of the residuals, which lowers the
    estimate by about (used up)/(n), added back.
    """
    power = float(np.sum(normalised**2))
    if power == 0.0 or len(normalised) < 6:
        return 0.0
    raw = float(np.sum(normalised[1:] * normalised[:-1])) / power
    used = 1.0 - dof / normalised.size
    estimate = raw + used
    limit = 1.645 / np.sqrt(max(dof, 4.0))
    return float(min(estimate, 0.8)) if estimate > limit else 0.0
