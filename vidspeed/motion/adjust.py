"""The least-squares adjustment: one Levenberg-Marquardt iteration for every problem of the house.

A problem gives whitened residuals (seen less computed, over the standard uncertainty) and their
Jacobian; it knows how to move its unknowns by a step. K. Levenberg, Quart. Appl. Math. 2 (1944)
164-168; D. W. Marquardt, J. SIAM 11 (1963) 431-441.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np
from scipy.linalg import LinAlgError, cho_factor, cho_solve

from vidspeed.errors import MotionError
from vidspeed.values import Floats

State = TypeVar("State")


class Problem(Protocol[State]):
    """What can be adjusted."""

    def evaluate(self, state: State) -> tuple[Floats, Floats]:
        """Return whitened residuals (m,) and the Jacobian (m, n) of the *computed* values."""

    def moved(self, state: State, step: Floats) -> State:
        """Return the state moved by `step` (n,)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Adjustment:
    """An adjusted problem: residuals (m,), Jacobian (m, n) and covariance (n, n) at the minimum."""

    residuals: Floats
    jacobian: Floats
    covariance: Floats
    cost: float
    iterations: int


def adjust(
    problem: Problem[State], state: State, *, tolerance: float = 1e-6, most: int = 60
) -> tuple[State, Adjustment]:
    """Minimise the sum of squared residuals from `state` on.

    Stops when a step moves no unknown by more than `tolerance` of its own standard uncertainty.
    Raises MotionError where the unknowns are not determined or no minimum is reached.
    """
    damping = 0.0
    residuals, jacobian = problem.evaluate(state)
    cost = float(residuals @ residuals)
    if not np.isfinite(cost):
        raise MotionError("the solution cannot begin: a point lies behind a camera")
    normal = jacobian.T @ jacobian
    for iteration in range(1, most + 1):
        step = _damped_step(normal, jacobian.T @ residuals, damping)
        size = float(np.sqrt(max(float(step @ normal @ step), 0.0)))
        trial = problem.moved(state, step)
        trial_residuals, trial_jacobian = problem.evaluate(trial)
        trial_cost = float(trial_residuals @ trial_residuals)
        if not trial_cost <= cost + 1e-9 * (1.0 + cost):  # also where it is not a number
            damping = max(1e-3, damping * 8.0)
            if damping > 1e12:
                break
            continue
        state, residuals, jacobian, cost = trial, trial_residuals, trial_jacobian, trial_cost
        normal = jacobian.T @ jacobian
        if size < tolerance and damping < 1.0:
            return state, Adjustment(
                residuals=residuals,
                jacobian=jacobian,
                covariance=_inverse(normal),
                cost=cost,
                iterations=iteration,
            )
        damping = 0.0 if damping < 1e-4 else damping * 0.1
    raise MotionError("the solution does not settle: the figures contradict each other")


def _damped_step(normal: Floats, gradient: Floats, damping: float) -> Floats:
    scale = np.diag(normal).copy()
    scale[scale <= 0.0] = 1.0
    try:
        factor = cho_factor(normal + damping * np.diag(scale), check_finite=True)
        return np.asarray(cho_solve(factor, gradient))
    except (LinAlgError, ValueError):
        if damping == 0.0:
            return _damped_step(normal, gradient, 1e-6)
        raise MotionError("the solution is not determined by what was measured") from None


def _inverse(normal: Floats) -> Floats:
    """Return the inverse of the normal matrix, scaled to unit diagonal first."""
    scale = np.sqrt(np.diag(normal))
    if not np.all(scale > 0.0):
        raise MotionError("the solution is not determined by what was measured")
    try:
        factor = cho_factor(normal / np.outer(scale, scale))
    except LinAlgError:
        raise MotionError("the solution is not determined by what was measured") from None
    inverse = cho_solve(factor, np.eye(len(scale)))
    return np.asarray(inverse / np.outer(scale, scale))
