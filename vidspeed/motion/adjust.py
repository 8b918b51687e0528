"""The least-squares adjustment: one Levenberg-Marquardt iteration for every problem of the house.

A problem gives whitened residuals (seen less computed, over the standard uncertainty) and their
Jacobian; it knows how to move its unknowns by a step. K. Levenberg, Quart. Appl. Math. 2 (1944)
164-168; D. W. Marquardt, J. SIAM 11 (1963) 431-441.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

import numpy as np
from numpy.linalg import LinAlgError

from vidspeed.algebra import cholesky, inverse_definite
from vidspeed.errors import MotionError
from vidspeed.values import Floats

State = TypeVar("State")

MOST_CLIMBS = 3  # steps uphill in a row before they are taken back
NEAR = 0.1  # of a standard uncertainty: from a step so small on, the next ones are foretold
LEAST_SHRUNK, MOST_SHRUNK = 0.05, 0.3  # from step to step, of what is foretold


class Problem(Protocol[State]):
    """What can be adjusted."""

    def evaluate(self, state: State) -> tuple[Floats, Floats]:
        """Return whitened residuals (m,) and the Jacobian (m, n) of the *computed* values."""

    def moved(self, state: State, step: Floats) -> State:
        """Return the state moved by `step` (n,)."""

    def normal(self, jacobian: Floats) -> Floats:
        """Return the normal matrix (n, n) of a Jacobian."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Adjustment:
    """An adjusted problem: residuals (m,), Jacobian (m, n) and covariance (n, n) at the minimum."""

    residuals: Floats
    jacobian: Floats
    covariance: Floats
    cost: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Point(Generic[State]):
    """A state with what was computed there."""

    state: State
    residuals: Floats
    jacobian: Floats
    normal: Floats
    cost: float


@np.errstate(over="ignore", invalid="ignore")  # a cost that is no number is a step too far
def adjust(
    problem: Problem[State], state: State, *, tolerance: float = 1e-6, most: int = 100
) -> tuple[State, Adjustment]:
    """Minimise the sum of squared residuals from `state` on.

    A step may lead uphill for a while before it is taken back: where one direction is hardly
    determined, a straight step along a curved valley climbs its side and the next one descends
    again (the watchdog of R. Chamberlain et al., Math. Programming Study 16, 1982, 1-17).

    Stops when what is still to come moves no unknown by more than `tolerance` of its own standard
    uncertainty. Raises MotionError where the unknowns are not determined or no minimum is reached.
    """
    here = best = _point(problem, state)
    if not np.isfinite(best.cost):
        raise MotionError("the solution cannot begin: a point lies behind a camera")
    damping, climbed, before = 0.0, 0, np.inf
    for _ in range(most):
        step = _damped_step(here.normal, here.jacobian.T @ here.residuals, damping)
        size = float(np.sqrt(max(float(step @ here.normal @ step), 0.0)))
        here = _point(problem, problem.moved(here.state, step))
        if here.cost <= best.cost + 1e-9 * (1.0 + best.cost):
            best, climbed = here, 0
            if damping < 1.0 and _to_come(size, before) < tolerance:
                return best.state, _adjustment(best)
            before = size if damping == 0.0 else np.inf
            damping = 0.0 if damping < 1e-4 else damping * 0.1
        elif np.isfinite(here.cost) and climbed < MOST_CLIMBS:
            climbed, before = climbed + 1, np.inf
        else:
            here, climbed, before = best, 0, np.inf
            damping = max(1e-3, damping * 8.0)
            if damping > 1e12:
                break
    raise MotionError(
        "the solution does not settle: something is far from where it is said to be; look at picks "
        "and markers, and of a pass at the flight line and its lights (y counts downwards)"
    )


def _to_come(size: float, before: float) -> float:
    """Return how far the steps after one of such `size` still lead, by the one `before` it.

    Near a minimum each is a constant part of the one before (J. Dennis, R. Schnabel, Numerical
    Methods for Unconstrained Optimization, 1983, ch. 10); a part that chance made small is not
    believed. Elsewhere the next step is taken to be as large as the last one.

    Examples
    --------
    >>> round(_to_come(1e-5, 1e-4), 7)
    1.1e-06
    >>> _to_come(1e-5, float("inf")), _to_come(0.5, 10.0)
    (1e-05, 0.5)
    """
    shrunk = max(size / before, LEAST_SHRUNK)
    if size > NEAR or not np.isfinite(before) or shrunk > MOST_SHRUNK:
        return size
    return size * shrunk / (1.0 - shrunk)


def _point(problem: Problem[State], state: State) -> _Point[State]:
    residuals, jacobian = problem.evaluate(state)
    return _Point(
        state=state,
        residuals=residuals,
        jacobian=jacobian,
        normal=problem.normal(jacobian),
        cost=float(residuals @ residuals),
    )


def _adjustment(point: _Point[State]) -> Adjustment:
    return Adjustment(
        residuals=point.residuals,
        jacobian=point.jacobian,
        covariance=_inverse(point.normal),
        cost=point.cost,
    )


def newton_steps(normal: Floats, pull: Floats) -> Floats:
    """Return Gauss-Newton steps (k, n) for gradients `pull` (k, n); not a number if there is none.

    Scaled to unit diagonal first, as unknowns that are hardly determined need it.
    """
    scale = np.sqrt(np.einsum("kii->ki", normal))
    scaled = normal / (scale[:, :, None] * scale[:, None, :])
    try:
        return np.asarray(np.linalg.solve(scaled, (pull / scale)[:, :, None])[:, :, 0] / scale)
    except LinAlgError:
        return np.full_like(pull, np.nan)


def _damped_step(normal: Floats, gradient: Floats, damping: float) -> Floats:
    scale = np.diag(normal).copy()
    scale[scale <= 0.0] = 1.0
    try:
        damped = normal + damping * np.diag(scale)
        cholesky(damped)  # a step leads down only where this is positive definite
        return np.asarray(np.linalg.solve(damped, gradient))
    except LinAlgError:
        if damping == 0.0:
            return _damped_step(normal, gradient, 1e-6)
        raise MotionError("the solution is not determined by what was measured") from None


def _inverse(normal: Floats) -> Floats:
    """Return the inverse of the normal matrix, scaled to unit diagonal first."""
    scale = np.sqrt(np.diag(normal))
    if not np.all(scale > 0.0):
        raise MotionError("the solution is not determined by what was measured")
    try:
        inverse = inverse_definite(normal / np.outer(scale, scale))
    except LinAlgError:
        raise MotionError("the solution is not determined by what was measured") from None
    return np.asarray(inverse / np.outer(scale, scale))
