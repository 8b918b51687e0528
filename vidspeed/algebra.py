"""Matrices: the little that the house wants of `scipy.linalg`, by NumPy alone.

That takes a tenth of a second to import in each process of a run.
"""

from __future__ import annotations

import numpy as np
from numpy.linalg import LinAlgError

from vidspeed.values import Floats


def cholesky(matrix: Floats) -> Floats:
    """Return the lower Cholesky factor (n, n) of a symmetric matrix (n, n).

    Raises LinAlgError where the matrix is not positive definite, or not finite.
    """
    if not np.isfinite(matrix).all():
        raise LinAlgError("not finite")
    return np.asarray(np.linalg.cholesky(matrix))


def inverse_definite(matrix: Floats) -> Floats:
    """Return the inverse (n, n) of a symmetric positive definite matrix, exactly symmetric.

    Raises LinAlgError where it is not positive definite, or not finite.
    """
    root = np.linalg.inv(cholesky(matrix))
    return np.asarray(root.T @ root)


def null_space(matrix: Floats) -> Floats:
    """Return an orthonormal basis (n, k) of all that a matrix (m, n) turns into nought.

    Examples
    --------
    >>> np.abs(null_space(np.array([[1.0, 1.0]]))).round(3).tolist()
    [[0.707], [0.707]]
    """
    _, sizes, turn = np.linalg.svd(matrix)
    least = np.max(sizes, initial=0.0) * np.finfo(float).eps * max(matrix.shape)
    return np.asarray(turn[int(np.sum(sizes > least)) :].T)


def block_diagonal(first: Floats, second: Floats) -> Floats:
    """Return a matrix with two others on its diagonal, and nought elsewhere."""
    whole = np.zeros(np.add(first.shape, second.shape))
    whole[: len(first), : first.shape[1]] = first
    whole[len(first) :, first.shape[1] :] = second
    return whole
