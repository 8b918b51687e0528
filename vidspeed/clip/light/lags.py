"""How the noise of pixels hangs together by their distance, with what the fits took of it.

A fit takes part of the noise away with it, and of noise that hangs together more than of white
noise: of the covariance C, the odd parts of the residuals lack 2 (H C + C H - H C H) with the
projection H = K K' of the odd parameters. With the sums of products X_kl of the columns k and l of
K by distance, those of H C are C spread by the sum of all X_kk, and those of H C H are each X_kl
times its product with C. So what is lacking is linear in C, and is gathered once from all lights,
whatever C is found to be.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.values import Floats, Ints

LAG = 6  # pixels over which the noise of neighbours is looked at
ROUNDS = 6  # in which the covariance settles
MOST_KEPT = 512  # rows of products that wait: multiplied at once they take a fifth of the time
MOST_GROWN = 1.5  # of a pixel's variance, which is about 1: beyond, what is added calls for more
SIDE = 2 * LAG + 1
NEAR, FAR = np.arange(-LAG, LAG + 1), np.arange(-2 * LAG, 2 * LAG + 1)

Waves = NDArray[np.complex128]


class Lags:
    """Sums of products of pixels by their distance; state that `add` moves on."""

    def __init__(self) -> None:
        self._found, self._pairs = np.zeros((SIDE, SIDE)), np.zeros((SIDE, SIDE))
        self._spread = np.zeros((len(FAR), len(FAR)))  # by distance: the columns with themselves
        self._twice = np.zeros((SIDE**2, SIDE**2))  # the products X' X by two distances
        self._kept: list[Floats] = []  # X (k, SIDE**2) that are not in them yet

    def add(self, odd: Floats, paired: Floats, columns: Floats) -> None:
        """Add the pictures of a light: the odd part (h, w), where it is, and K (k, h, w).

        Both are 0 elsewhere.
        """
        rows, places = np.flatnonzero(paired.any(axis=1)), np.flatnonzero(paired.any(axis=0))
        if not len(rows):
            return
        there = slice(rows[0], rows[-1] + 1), slice(places[0], places[-1] + 1)
        stack = np.concatenate([odd[None], paired[None], columns])[:, *there]
        size = tuple(cv2.getOptimalDFTSize(n + 2 * LAG) for n in stack.shape[1:])
        waves = np.fft.rfft2(stack, size)  # so large that pictures do not meet themselves
        turned = np.conj(waves)
        own = turned * waves
        pairs = [turned[k] * waves[k + 1 :] for k in range(2, len(waves) - 1)]
        near = _by_distance(np.concatenate([own, *pairs]), size, NEAR)
        self._found += near[0]
        self._pairs += near[1]
        self._spread += _by_distance(own[2:].sum(axis=0), size, FAR)
        products = near[2:].reshape(-1, SIDE**2)
        self._kept += [products, products[len(columns) :, ::-1]]  # pairs the other way round, too
        if sum(map(len, self._kept)) > MOST_KEPT:
            self._multiply()

    def _multiply(self) -> None:
        """Put what is kept into the products by two distances."""
        if self._kept:
            products = np.concatenate(self._kept)
            self._twice += products.T @ products
            self._kept = []

    def kernel(self) -> Floats:
        """Return the covariance of pixels by their distance (2 LAG + 1, 2 LAG + 1).

        What is lacking is worked out from the kernel found so far and added back, until it no
        longer changes.
        """
        lacking = self.lacking()
        count = np.maximum(self._pairs, 1.0)
        doubt = 2.0 * np.sqrt(2.0 / count)
        kernel = white()
        for _ in range(ROUNDS):
            added = (lacking @ kernel.ravel()).reshape(SIDE, SIDE)
            grown = (self._found + 2.0 * added) / count
            whole = float(grown[LAG, LAG])
            if not 1.0 / MOST_GROWN < whole < MOST_GROWN:  # it would grow without end
                break
            sure = np.where(np.abs(grown) > doubt * whole, grown / whole, 0.0)
            kernel = whole * _made_possible(sure)
        return kernel

    def lacking(self) -> Floats:
        """Return the matrix (p, p) that makes of C by distance, raveled, what the fits took of it.

        It gives the sums by distance of H C + C H - H C H.
        """
        self._multiply()
        down, across = (lag.ravel() for lag in np.meshgrid(NEAR, NEAR, indexing="ij"))
        apart = (lag[:, None] - lag[None, :] + 2 * LAG for lag in (down, across))
        return np.asarray(2.0 * self._spread[*apart] - self._twice)


def _by_distance(waves: Waves, size: tuple[int, ...], distances: Ints) -> Floats:
    """Return the sums of products (..., d, d) of pictures at some distances, from their waves."""
    rows = np.fft.ifft(waves, axis=-2)[..., distances, :]
    return np.asarray(np.fft.irfft(rows, size[1])[..., distances])


def white() -> Floats:
    """Return the covariance by distance of pixels that err each by itself."""
    kernel = np.zeros((SIDE, SIDE))
    kernel[LAG, LAG] = 1.0
    return kernel


def _made_possible(kernel: Floats) -> Floats:
    """Return the nearest correlation that no pattern of pixels can make negative."""
    size = 8 * LAG
    wide = np.zeros((size, size))
    wide[:SIDE, :SIDE] = kernel
    power = np.fft.fft2(np.roll(wide, (-LAG, -LAG), axis=(0, 1))).real
    again = np.roll(np.fft.ifft2(np.maximum(power, 0.02)).real, (LAG, LAG), axis=(0, 1))
    return np.asarray(again[:SIDE, :SIDE] / again[LAG, LAG])
