"""The distributions of chance are those of `scipy.stats`, to the last bit."""

import numpy as np
import pytest
from scipy import stats

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


def test_the_noncentrality_of_chi_square_is_that_with_which_it_is_below():
    bound = np.linspace(1.5, 6.0, 10)
    for power in (0.5, 0.8, 0.95):
        shift = np.sqrt(chance.chi2_noncentrality(bound**2, 1, 1.0 - power))
        passed = stats.norm.sf(bound - shift) + stats.norm.cdf(-bound - shift)
        assert passed == pytest.approx(power, abs=1e-9)
