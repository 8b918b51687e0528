"""Matrices are those of SciPy."""

import numpy as np
import pytest
from numpy.linalg import LinAlgError
from scipy import linalg

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
