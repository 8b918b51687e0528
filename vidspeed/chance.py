"""Distribution functions of chance: the normal, Student's t and chi-square.

They are those of `scipy.special`, which `scipy.stats` hands its numbers to as well: the same to the
last bit, without the quarter of a run's start that importing `scipy.stats` takes. Only the
non-central t needs it. Both are imported where they are asked for: who scans has use for neither.
"""

from __future__ import annotations

from typing import Any

from vidspeed.values import Floats


def normal_cdf(x: Floats | float) -> Any:
    """Return the probability that a standard normal deviate is below `x`, of the shape of `x`."""
    return _special().ndtr(x)


def normal_sf(x: Floats | float) -> Any:
    """Return the probability that a standard normal deviate is above `x`."""
    return _special().ndtr(-x)


def normal_ppf(probability: Floats | float) -> Any:
    """Return what a standard normal deviate is below with this probability."""
    return _special().ndtri(probability)


def normal_isf(probability: Floats | float) -> Any:
    """Return what a standard normal deviate is above with this probability."""
    return -_special().ndtri(probability)


def student_cdf(x: Floats | float, dof: Floats | float) -> Any:
    """Return the probability that Student's t is below `x`."""
    return _special().stdtr(dof, x)


def student_ppf(probability: Floats | float, dof: Floats | float) -> Any:
    """Return what Student's t is below with this probability."""
    return _special().stdtrit(dof, probability)


def noncentral_t_sf(x: Floats, dof: Floats, shift: Floats) -> Any:
    """Return the probability that a non-central t is above `x`."""
    from scipy.stats import nct  # here: see the module

    return nct.sf(x, dof, shift)


def chi2_sf(x: Floats | float, dof: Floats | float) -> Any:
    """Return the probability that a chi-square is above `x`."""
    return _special().chdtrc(dof, x)


def chi2_ppf(probability: Floats | float, dof: Floats | float) -> Any:
    """Return what a chi-square is below with this probability.

    Examples
    --------
    >>> round(float(chi2_ppf(0.95, 2)), 3), round(float(chi2_isf(0.01, 4)), 3)
    (5.991, 13.277)
    """
    return 2 * _special().gammaincinv(dof / 2, probability)


def chi2_isf(probability: Floats | float, dof: Floats | float) -> Any:
    """Return what a chi-square is above with this probability."""
    return _special().chdtri(dof, probability)


def chi2_noncentrality(x: Floats | float, dof: Floats | float, probability: float) -> Any:
    """Return the noncentrality of a chi-square that is below `x` with this probability."""
    return _special().chndtrinc(x, dof, probability)


def _special() -> Any:
    from scipy import special  # here: see the module

    return special
