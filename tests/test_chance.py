"""The distributions of chance are those of `scipy.stats`, to the last bit."""

import numpy as np
import pytest
from scipy import optimize, stats

from vidspeed import chance

X = np.concatenate([np.linspace(-40.0, 40.0, 401), [np.inf, -np.inf, np.nan, 0.0, -0.0]])
P = np.concatenate([np.geomspace(1e-300, 1.0, 200), 1.0 - np.geomspace(1e-16, 1.0, 100)[:-1]])


def _same(found, wanted):
    np.testing.assert_array_equal(found, wanted)  # NaN equals NaN


def test_the_normal_distribution():
    _same(chance.normal_cdf(X), stats.norm.cdf(X))
    _same(chance.normal_sf(X), stats.norm.sf(X))
    _same(chance.normal_ppf(P), stats.norm.ppf(P))
    _same(chance.normal_isf(P), stats.norm.isf(P))


@pytest.mark.parametrize("dof", [1, 2, 7, 17.3, 201, 10**6])
def test_students_t_and_chi_square(dof):
    _same(chance.student_cdf(X, dof), stats.t.cdf(X, dof))
    _same(chance.student_ppf(P, dof), stats.t.ppf(P, dof))
    _same(chance.chi2_sf(np.abs(X), dof), stats.chi2.sf(np.abs(X), dof))
    _same(chance.chi2_ppf(P, dof), stats.chi2.ppf(P, dof))
    _same(chance.chi2_isf(P, dof), stats.chi2.isf(P, dof))


def test_the_non_central_t():
    x, dof, shift = np.array([0.5, 2.0]), np.array([3.0, 20.0]), np.array([0.0, 1.5])
    _same(chance.noncentral_t_sf(x, dof, shift), stats.nct.sf(x, dof, shift))


@pytest.mark.parametrize("rtol", [4.0 * chance.EPSILON, 1e-10])
@pytest.mark.parametrize("bound", [0.5, 1.96, 3.29, 4.7])
def test_a_crossing_is_where_scipy_finds_it(bound, rtol):
    functions = [
        *(
            lambda x, p=p: stats.norm.cdf(x - bound) + stats.norm.cdf(-bound - x) - p
            for p in (0.8, 0.95)
        ),
        lambda x: x**3 - bound,
        lambda x: np.arctan(x - bound / 3.0) * np.exp(x),
        lambda x: x - bound,
        lambda x: -1.0 if x < bound else 1e-9,
    ]
    for function in functions:
        wanted = optimize.brentq(function, 0.0, bound + 9.0, rtol=rtol)
        assert chance.crossing(function, 0.0, bound + 9.0, rtol=rtol) == wanted
    assert chance.crossing(lambda x: x, 0.0, 1.0) == 0.0
    with pytest.raises(ValueError, match="one sign"):
        chance.crossing(lambda x: x * x + 1.0, -1.0, 1.0)
