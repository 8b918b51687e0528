"""Matrices and roots: what the house wants of `scipy.linalg` and `scipy.optimize`, by NumPy alone.

These take 0.3 s to import in each process of a run, as long as several passes take to solve.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.linalg import LinAlgError

from vidspeed.values import Floats

FINE = 1e-13  # of a root, how far it may be off


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


def root(function: Callable[[float], float], low: float, high: float) -> float:
    """Return where a continuous function that has other signs at `low` and `high` is nought.

    By parabolas through the last three places, and by halves where these say little (T. R.
    Chandrupatla, Advances in Engineering Software 28, 1997, 145-149).

    Raises ValueError where it has one sign at both ends.

    Examples
    --------
    >>> round(root(lambda x: x * x - 2.0, 0.0, 2.0), 12)
    1.414213562373
    """
    new, old = high, low  # the root lies between these two; `off` is where it was looked before
    at_new, at_old = function(new), function(old)
    if at_new * at_old > 0.0:
        raise ValueError(f"{at_old} at {old} and {at_new} at {new}: no root is between them")
    share = 0.5
    while True:
        best = new if abs(at_new) < abs(at_old) else old
        least = FINE * max(abs(best), FINE) / abs(old - new)
        if least > 0.5 or 0.0 in (at_new, at_old):
            return best
        here = new + min(max(share, least), 1.0 - least) * (old - new)
        at_here = function(here)
        off, at_off = new, at_new
        if at_here * at_new <= 0.0:
            off, at_off, old, at_old = old, at_old, new, at_new
        new, at_new = here, at_here
        share = _parabola((new, at_new), (old, at_old), (off, at_off))


def _parabola(
    new: tuple[float, float], old: tuple[float, float], off: tuple[float, float]
) -> float:
    """Return how far from `new` to `old` to look next: a half where no parabola is to be trusted.

    Each is a place and what the function is there.
    """
    (a, at_a), (b, at_b), (c, at_c) = new, old, off
    place, value = (a - b) / (c - b), (at_a - at_b) / (at_c - at_b)
    if not (value**2 < place and (1.0 - value) ** 2 < 1.0 - place):
        return 0.5
    return (at_a / (at_b - at_a)) * (at_c / (at_b - at_c)) + (c - a) / (b - a) * (
        at_a / (at_c - at_a)
    ) * (at_b / (at_c - at_b))
