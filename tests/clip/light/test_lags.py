"""What fits take of the noise by distance is what the matrices of the definition say."""

from __future__ import annotations

import numpy as np

from vidspeed.clip.light.lags import LAG, SIDE, Lags, white

HEIGHT, WIDTH = 7, 9


def drawn(rng):
    """Return a covariance by distance, and orthogonal columns (2, h, w) of a projection."""
    kernel = rng.normal(size=(SIDE, SIDE))
    columns, _ = np.linalg.qr(rng.normal(size=(HEIGHT * WIDTH, 2)))
    return kernel + kernel[::-1, ::-1], columns.T.reshape(2, HEIGHT, WIDTH)


def wide(picture):
    """Return a picture with room for all distances around it."""
    return np.pad(picture, LAG)


def by_distance(matrix, shape):
    """Return the sums of a matrix's elements by the distance of their two pixels."""
    rows, columns = np.indices(shape).reshape(2, -1)
    down, across = rows[None, :] - rows[:, None], columns[None, :] - columns[:, None]
    near = (np.abs(down) <= LAG) & (np.abs(across) <= LAG)
    sums = np.zeros((SIDE, SIDE))
    np.add.at(sums, (down[near] + LAG, across[near] + LAG), matrix[near])
    return sums


def test_what_the_fits_took_is_that_of_the_matrices():
    kernel, columns = drawn(np.random.default_rng(1))
    shape = wide(columns[0]).shape
    rows, across = np.indices(shape).reshape(2, -1)
    apart = np.stack([each[None, :] - each[:, None] for each in (rows, across)])
    near = np.abs(apart).max(axis=0) <= LAG
    covariance = np.where(near, kernel[*(np.clip(apart, -LAG, LAG) + LAG)], 0.0)
    stretched = np.array([wide(one).ravel() for one in columns])
    projection = stretched.T @ stretched
    product = projection @ covariance
    taken = product + product.T - product @ projection
    lags, ones = Lags(), np.ones((HEIGHT, WIDTH))
    lags.add(ones, ones, columns)
    found = (lags.lacking() @ kernel.ravel()).reshape(SIDE, SIDE)
    np.testing.assert_allclose(found, by_distance(taken, shape), atol=1e-9)


def test_room_around_what_is_fitted_and_lights_without_pairs_change_nothing():
    rng = np.random.default_rng(2)
    tight, roomy = Lags(), Lags()
    nothing = np.zeros((HEIGHT, WIDTH))
    for _ in range(40):
        _, columns = drawn(rng)
        odd, ones = rng.normal(size=(HEIGHT, WIDTH)), np.ones((HEIGHT, WIDTH))
        tight.add(odd, ones, columns)
        roomy.add(wide(odd), wide(ones), np.array([wide(one) for one in columns]))
        roomy.add(nothing, nothing, np.array([nothing, nothing]))
    np.testing.assert_allclose(tight.kernel(), roomy.kernel(), atol=1e-12)
    assert not np.array_equal(tight.kernel(), white())
