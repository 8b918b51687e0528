"""Distribution functions of chance: the normal, Student's t and chi-square.

They are those of `scipy.special`, which `scipy.stats` hands its numbers to as well: the same to the
last bit, without the quarter of a run's start that importing `scipy.stats` takes. Only the
non-central t needs it, and imports it where it is asked for. So it is with `crossing` and
`scipy.optimize`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from scipy.special import chdtrc, chdtri, gammaincinv, ndtr, ndtri, stdtr, stdtrit

from vidspeed.values import Floats

EPSILON = 2.0**-52  # spacing of floats at 1
MOST_STEPS = 100


def normal_cdf(x: Floats | float) -> Any:
    """Return the probability that a standard normal deviate is below `x`, of the shape of `x`."""
    return ndtr(x)


def normal_sf(x: Floats | float) -> Any:
    """Return the probability that a standard normal deviate is above `x`."""
    return ndtr(-x)


def normal_ppf(probability: Floats | float) -> Any:
    """Return what a standard normal deviate is below with this probability."""
    return ndtri(probability)


def normal_isf(probability: Floats | float) -> Any:
    """Return what a standard normal deviate is above with this probability."""
    return -ndtri(probability)


def student_cdf(x: Floats | float, dof: Floats | float) -> Any:
    """Return the probability that Student's t is below `x`."""
    return stdtr(dof, x)


def student_ppf(probability: Floats | float, dof: Floats | float) -> Any:
    """Return what Student's t is below with this probability."""
    return stdtrit(dof, probability)


def noncentral_t_sf(x: Floats, dof: Floats, shift: Floats) -> Any:
    """Return the probability that a non-central t is above `x`."""
    from scipy.stats import nct  # here: see the module

    return nct.sf(x, dof, shift)


def chi2_sf(x: Floats | float, dof: Floats | float) -> Any:
    """Return the probability that a chi-square is above `x`."""
    return chdtrc(dof, x)


def chi2_ppf(probability: Floats | float, dof: Floats | float) -> Any:
    """Return what a chi-square is below with this probability.

    Examples
    --------
    >>> round(float(chi2_ppf(0.95, 2)), 3), round(float(chi2_isf(0.01, 4)), 3)
    (5.991, 13.277)
    """
    return 2 * gammaincinv(dof / 2, probability)


def chi2_isf(probability: Floats | float, dof: Floats | float) -> Any:
    """Return what a chi-square is above with this probability."""
    return chdtri(dof, probability)


def crossing(
    height: Callable[[float], float],
    low: float,
    high: float,
    *,
    xtol: float = 2e-12,
    rtol: float = 4.0 * EPSILON,
) -> float:
    """Return where a function is nought between two places at which its signs differ.

    R. P. Brent, "Algorithms for Minimization without Derivatives" (1973), chapter 4, in the order
    of reckoning of `scipy.optimize.brentq`. Raises ValueError where the signs do not differ.

    Examples
    --------
    >>> round(crossing(lambda x: x**2 - 2.0, 0.0, 2.0), 9)
    1.414213562
    """
    before, here, other = low, high, 0.0
    f_before, f_here, f_other = height(before), height(here), 0.0
    step = last = 0.0
    if f_before == 0.0 or f_here == 0.0:
        return before if f_before == 0.0 else here
    if (f_before < 0.0) == (f_here < 0.0):
        raise ValueError("the function has one sign at both ends")
    for _ in range(MOST_STEPS):
        if f_before != 0.0 and f_here != 0.0 and (f_before < 0.0) != (f_here < 0.0):
            other, f_other = before, f_before
            last = step = here - before
        if abs(f_other) < abs(f_here):
            before, here, other = here, other, here
            f_before, f_here, f_other = f_here, f_other, f_here
        least, half = (xtol + rtol * abs(here)) / 2.0, (other - here) / 2.0
        if f_here == 0.0 or abs(half) < least:
            return here
        tried = math.inf
        if abs(last) > least and abs(f_here) < abs(f_before):
            tried = _tried((before, f_before), (here, f_here), (other, f_other))
        if 2.0 * abs(tried) < min(abs(last), 3.0 * abs(half) - least):
            last, step = step, tried
        else:
            last = step = half
        before, f_before = here, f_here
        here += step if abs(step) > least else math.copysign(least, half)
        f_here = height(here)
    raise ValueError("no crossing found")


def _tried(
    before: tuple[float, float], here: tuple[float, float], other: tuple[float, float]
) -> float:
    """Return the step to where a straight line or an inverse parabola through (x, f) is nought."""
    (x, f), (x_before, f_before), (x_other, f_other) = here, before, other
    if x_before == x_other:
        return -f * (x - x_before) / (f - f_before)
    rise_before = (f_before - f) / (x_before - x)
    rise_other = (f_other - f) / (x_other - x)
    below = rise_other * rise_before * (f_other - f_before)
    return -f * (f_other * rise_other - f_before * rise_before) / below if below else math.inf
