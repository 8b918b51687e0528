"""Figures that others check only weakly: what would be named, solved and not only to first order.

An error of a weakly checked figure has to be large to be named, and a large error bends: half a
metre in a height changes a slope distance by its square too. So such figures are given the error
that first order prints, either way, and the network is solved again without any other error.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vidspeed.geometry.figures import Figures, solve
from vidspeed.values import Floats, SurveyTest

WEAK = 0.3  # redundancy below which first order is not believed
ENOUGH = 0.98  # of the shift that a test needs
LOST = 0.5  # of it: below, no error is sure to be named
ROUNDS = 3


def confirmed(
    figures: Figures, places_m: Floats, tests: tuple[SurveyTest, ...], shift: float
) -> tuple[SurveyTest, ...]:
    """Return the tests with the sizes of weakly checked figures as solving finds them.

    `places_m` (p, 3) are the adjusted points; `shift` is how far the mean of a test must move to be
    named, in its standard uncertainties.
    """
    true = _without_error(figures, places_m)
    return tuple(
        _confirmed(true, places_m, at, row, shift)
        if row.detectable is not None and row.redundancy < WEAK
        else row
        for at, row in enumerate(tests)
    )


def _without_error(figures: Figures, places_m: Floats) -> Figures:
    """Return figures that the places explain exactly."""
    step = places_m[figures.pairs[:, 1]] - places_m[figures.pairs[:, 0]]
    return replace(figures, distance_m=np.linalg.norm(step, axis=1), height_m=places_m[:, 2].copy())


def _confirmed(
    true: Figures, places_m: Floats, at: int, row: SurveyTest, shift: float
) -> SurveyTest:
    """Return a test with the size that moves it far enough either way, or as never to be named."""
    assert row.detectable is not None
    size = row.detectable
    for _ in range(ROUNDS):
        reached = min(
            abs(_normalised(_with_error(true, at, sign * size), places_m, at))
            for sign in (-1.0, 1.0)
        )
        if reached >= ENOUGH * shift:
            grown = size / row.detectable
            length_m = None if row.length_m is None else row.length_m * grown
            return replace(row, detectable=size, length_m=length_m)
        if reached < LOST * shift:
            break
        size *= shift / reached
    return replace(row, detectable=None, length_m=None)


def _with_error(true: Figures, at: int, size: float) -> Figures:
    """Return the figures with an error in the one of row `at`: metres, or ppm of a tape."""
    distances, points = len(true.distance_m), true.points
    if at < distances:
        moved = true.distance_m.copy()
        moved[at] += size
        return replace(true, distance_m=moved)
    if at < distances + points:
        heights = true.height_m.copy()
        heights[at - distances] += size
        return replace(true, height_m=heights)
    by_tape = true.tape == at - distances - points
    return replace(true, distance_m=true.distance_m * (1.0 + 1e-6 * size * by_tape))


def _normalised(figures: Figures, places_m: Floats, at: int) -> float:
    """Return the normalised residual of row `at`, solved from near places."""
    residuals, jacobian = figures.computed(*solve(figures, places_m))
    row = jacobian[at]
    leverage = float(row @ np.linalg.lstsq(jacobian.T @ jacobian, row, rcond=None)[0])
    return float(residuals[at] / np.sqrt(max(1.0 - leverage, 1e-12)))
