"""Matrices and roots are those of SciPy."""

import numpy as np
import pytest
from numpy.linalg import LinAlgError
from scipy import linalg, optimize

from vidspeed import algebra

RNG = np.random.default_rng(5)
TALL = RNG.normal(size=(30, 8))
NORMAL = TALL.T @ TALL


def test_the_inverse_is_symmetric_to_the_last_bit():
    inverse = algebra.inverse_definite(NORMAL)
    np.testing.assert_array_equal(inverse, inverse.T)
    np.testing.assert_allclose(inverse, linalg.inv(NORMAL), rtol=1e-10, atol=1e-14)


@pytest.mark.parametrize("wrong", [-1.0, 0.0, np.nan, np.inf])
def test_what_is_not_positive_definite_is_refused(wrong):
    spoilt = np.diag([1.0, wrong, 2.0])
    for refuses in (algebra.cholesky, algebra.inverse_definite):
        with pytest.raises(LinAlgError):
            refuses(spoilt)


@pytest.mark.parametrize("shape", [(2, 5), (5, 2), (3, 3)])
@pytest.mark.parametrize("rank", [1, 2])
def test_a_null_space_spans_what_scipys_does(shape, rank):
    matrix = RNG.normal(size=(shape[0], rank)) @ RNG.normal(size=(rank, shape[1]))
    found, wanted = algebra.null_space(matrix), linalg.null_space(matrix)
    assert found.shape == wanted.shape == (shape[1], shape[1] - rank)
    np.testing.assert_allclose(found @ found.T, wanted @ wanted.T, atol=1e-12)


def test_a_block_may_have_no_columns():
    first, none = np.ones((2, 3)), np.zeros((4, 0))
    for pair in ((first, first + 1.0), (first, none), (none, first)):
        np.testing.assert_array_equal(algebra.block_diagonal(*pair), linalg.block_diag(*pair))


@pytest.mark.parametrize(
    ("function", "low", "high"),
    [
        (lambda x: np.tanh(x) - 0.3, -1.0, 1e6),  # flat nearly everywhere
        (lambda x: x - 1e-8, -3.0, 1e5),
        (lambda x: x * x - 2.0, 0.0, 2.0),
        (lambda x: 2.0 - x * x, 2.0, 0.0),
        (lambda x: np.expm1(x) - 1e-3, -2.0, 3.0),
        (lambda x: x, 0.0, 1.0),  # an end is the root
    ],
)
def test_a_root_is_where_brents_is(function, low, high):
    wanted = optimize.brentq(function, low, high, xtol=1e-20, rtol=1e-14, maxiter=500)
    assert algebra.root(function, low, high) == pytest.approx(wanted, rel=1e-12, abs=1e-20)


def test_a_step_is_no_root_but_is_found():
    assert algebra.root(lambda x: np.sign(x - 0.3), -1.0, 1e6) == pytest.approx(0.3, rel=1e-12)


def test_without_a_change_of_sign_there_is_none():
    with pytest.raises(ValueError, match="no root is between"):
        algebra.root(lambda x: x * x + 1.0, -1.0, 1.0)
