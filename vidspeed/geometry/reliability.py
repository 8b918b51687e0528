"""Which wrong figure of a survey would be noticed, and how large it would have to be.

W. Baarda, A testing procedure for use in geodetic networks, Netherlands Geodetic Commission,
Publications on Geodesy 2/5 (1968). With the residuals v of whitened figures and their cofactors
Q = I - J Sigma J^T, the figure i has the redundancy r = Q_ii; v_i / sqrt(r) is a standard normal
where all is right, and an error of e standard uncertainties moves its mean by e sqrt(r).
"""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np

from vidspeed.chance import chi2_noncentrality, normal_isf
from vidspeed.values import Floats, Measured, SurveyTest

FAMILY = 0.05  # of surveys without any wrong figure in which one is named all the same
POWER = 0.95  # with which an error of the printed size is named
LEAST_REDUNDANCY = 0.02  # below: checked by nothing (an error under thirty u is never named)
TESTED_REDUNDANCY = 0.005  # below: not even tested
SAME = 9.0  # a figure whose test falls short of the worst by less explains as much as it


def critical_value(tests: int) -> float:
    """Return the bound of |w| so that of `tests` of them none passes it by chance but in 5 %.

    Bonferroni's bound: it holds whatever the correlation between the tests.
    """
    return float(normal_isf(FAMILY / (2.0 * max(tests, 1))))


@lru_cache(maxsize=256)
def shift_to_be_named(tests: int) -> float:
    """Return by how much the mean of w must lie off zero for it to be named in 95 %."""
    return shift_for(critical_value(tests), POWER)


def shift_for(bound: float, power: float) -> float:
    """Return the mean of a normal w of unit variance so that |w| > `bound` has probability `power`.

    The square is Baarda's noncentrality, of a chi-square with one degree of freedom.

    Examples
    --------
    >>> round(shift_for(float(normal_isf(0.0005)), 0.8), 2)
    4.13
    """
    return float(np.sqrt(chi2_noncentrality(bound**2, 1, 1.0 - power)))


def suspects(normalised: Floats, checked: Floats, bound: float) -> Floats:
    """Tell which of the tests |w| (n,) to name: the worst beyond the bound and its equals.

    Two figures that check each other have nearly one test; then both are named.
    """
    size = np.where(checked, np.abs(normalised), 0.0)
    worst = float(size.max(initial=0.0))
    return np.asarray((size > bound) & (size**2 > worst**2 - SAME))


def judged(
    measured: Measured,
    residuals: Floats,
    jacobian: Floats,
    covariance: Floats,
    length_by_input_m: Floats,
) -> tuple[SurveyTest, ...]:
    """Return the test of every figure, in the order of the rows.

    Taped distances, levels, tape scales, then east, north and up of every point by satellite.

    `residuals` (m,) and `jacobian` (m, u) whitened, `covariance` (u, u) of the unknowns;
    `length_by_input_m` (m,) what one standard uncertainty of each does to the course length.
    """
    redundancy = 1.0 - np.einsum("ij,jk,ik->i", jacobian, covariance, jacobian)
    tested = redundancy > TESTED_REDUNDANCY
    checked = redundancy > LEAST_REDUNDANCY
    tests = max(int(tested.sum()), 1)
    root = np.sqrt(np.where(tested, redundancy, 1.0))
    normalised = residuals / root
    named = suspects(normalised, tested, critical_value(tests))
    detectable = shift_to_be_named(tests) / root
    rows = []
    for at, (name, kind, stated, u, unit) in enumerate(_described(measured)):
        rows.append(
            SurveyTest(
                name=name,
                kind=kind,
                stated=float(stated),
                residual=float(residuals[at]) * u,
                u=u,
                unit=unit,
                redundancy=float(np.clip(redundancy[at], 0.0, 1.0)),
                normalised=float(normalised[at]) if tested[at] else None,
                detectable=float(detectable[at]) * u if checked[at] else None,
                length_m=float(detectable[at] * length_by_input_m[at]) if checked[at] else None,
                named=bool(named[at]),
            )
        )
    return tuple(rows)


Described = tuple[str, Literal["tape", "level", "scale", "satellite"], float, float, str]


def _described(measured: Measured) -> list[Described]:
    """Return name, kind, stated figure, standard uncertainty and unit of every row."""
    rows: list[Described] = [
        (row.name, "tape", row.distance_m, max(row.u_m, 1e-6), "m") for row in measured.taped
    ]
    rows += [(row.name, "level", row.height_m, max(row.u_m, 1e-6), "m") for row in measured.levels]
    rows += [(row.name, "scale", 0.0, row.scale_u_ppm, "ppm") for row in measured.tapes]
    rows += [
        (f"{row.name} {axis}", "satellite", 0.0, max(u_m, 1e-6), "m")
        for row in measured.fixes
        for axis, u_m in (("east", row.u_m), ("north", row.u_m), ("up", row.u_up_m))
    ]
    return rows
