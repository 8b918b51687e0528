"""A solved flight solved again with its inputs moved, many times at once.

Plain Gauss-Newton steps from the solution, the first with what was computed there, until what they
will still move the speed by is settled; the watched adjustment where they do not settle. Near a
minimum such steps shrink by a constant factor, so that the size of the next ones is known from
the last two (J. Dennis, R. Schnabel, Numerical Methods for Unconstrained Optimization, 1983,
ch. 10).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vidspeed.errors import MotionError
from vidspeed.motion.account import speed_between
from vidspeed.motion.adjust import adjust, newton_steps
from vidspeed.motion.flight import Flight
from vidspeed.motion.path import stretch_speed
from vidspeed.motion.unknowns import State
from vidspeed.values import Bools, Floats, Value

SETTLED = 0.005  # of a standard uncertainty of the speed, for what is still to come
SETTLED_REST = 0.2  # of standard uncertainties of all unknowns together, likewise
MOST_SHRUNK = 0.5  # from step to step; above it nothing is foretold of the next ones
FAST = 0.2  # steps that shrink like this need no help
MOST_SHARE = 20.0
FEW_STEPS, MOST_STEPS = 8, 30
STACK_NUMBERS = 1_200_000  # of all Jacobians that are worked on at once


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sought(Value):
    """The speed that is sought: between which ends, and how the unknowns and inputs move it.

    `gradient` (n,) by the unknowns; `slopes_mps` (m,) by the inputs, each in its own standard
    uncertainties, of which `u_mps` is the norm.
    """

    ends: tuple[float, float]
    gradient: Floats
    slopes_mps: Floats
    u_mps: float


def sought(flight: Flight, ends: tuple[float, float]) -> Sought:
    """Return what is to be found again of a flight."""
    _, gradient = speed_between(flight, ends)
    slopes = flight.sensitivities(gradient)
    u = float(np.linalg.norm(slopes))
    return Sought(ends=ends, gradient=gradient, slopes_mps=slopes, u_mps=u)


def speeds_after(flight: Flight, shifts: Floats, wanted: Sought) -> tuple[Floats, Bools]:
    """Solve again with the inputs moved by `shifts` (k, m) of their standard uncertainties.

    The few that a few steps do not settle are taken on together, then each by itself.

    Returns
    -------
    speeds : (k,)
        Not a number where no solution was reached.
    hard : (k,)
        Which did not settle by plain steps.
    """
    speeds, hard = _in_stacks(flight, shifts, wanted, FEW_STEPS)
    if np.any(hard):
        left = np.flatnonzero(hard)
        speeds[left], hard[left] = _in_stacks(flight, shifts[left], wanted, MOST_STEPS)
    for index in np.flatnonzero(hard):
        own = shifts[index, : len(flight.adjustment.residuals)]
        one = _watched(flight, own)
        state = State(theta=one.theta[None], turns=one.turns[None])
        speeds[index] = _speeds(flight, state, shifts[index, None], wanted)[0]
    return speeds, hard


def _in_stacks(
    flight: Flight, shifts: Floats, wanted: Sought, most_steps: int
) -> tuple[Floats, Bools]:
    """Solve again by plain steps, as many at once as are worked on at once."""
    stack = max(STACK_NUMBERS // flight.adjustment.jacobian.size, 1)
    speeds, hard = np.empty(len(shifts)), np.empty(len(shifts), dtype=bool)
    for at in range(0, len(shifts), stack):
        part = slice(at, at + stack)
        state, hard[part] = _stepped(flight, shifts[part], wanted, most_steps)
        speeds[part] = _speeds(flight, state, shifts[part], wanted)
    return speeds, hard


def _speeds(flight: Flight, state: State, shifts: Floats, wanted: Sought) -> Floats:
    """Return the speeds (k,) of flights solved again; not a number where the path turns back."""
    if flight.tie is not None:
        own = shifts[:, : len(flight.adjustment.residuals)]
        network = replace(flight.network, shift=own)
        gap = flight.tie.gap(network, state, shifts)
        state = network.moved(state, -gap @ flight.tie.gain.T)
    along = flight.network.traverses[0].coefficients(state)[..., 0]
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        course_speed, _ = stretch_speed(*wanted.ends, along, flight.nominal)
    return flight.network.scale(state) * course_speed


def _stepped(
    flight: Flight, shifts: Floats, wanted: Sought, most_steps: int
) -> tuple[State, Bools]:
    """Take plain steps, k flights at once; return where they end, and which did not settle."""
    own = shifts[:, : len(flight.adjustment.residuals)]
    pull = (flight.adjustment.residuals + own) @ flight.adjustment.jacobian
    step = pull @ flight.adjustment.covariance
    begin = _begin(flight)
    theta = np.repeat(begin.theta[None], len(own), axis=0)
    turns = np.repeat(begin.turns[None], len(own), axis=0)
    hard = np.ones(len(own), dtype=bool)
    going, before = np.arange(len(own)), np.zeros(len(own))
    size_of = np.sqrt(np.diag(flight.adjustment.covariance))
    last: tuple[Floats, Floats] | None = None
    helped = np.zeros(len(own), dtype=bool)
    for _ in range(most_steps):
        size = np.sqrt(np.maximum(np.sum(pull * step, axis=-1), 0.0))
        slow = before * FAST < size
        move = step if last is None else _accelerated(step, *last, slow, size_of)
        state = flight.network.moved(State(theta=theta[going], turns=turns[going]), move)
        theta[going], turns[going] = state.theta, state.turns
        done = _settled(size, before, np.abs(step @ wanted.gradient) / wanted.u_mps, helped)
        hard[going[done]] = False
        going, before, last = going[~done], size[~done], (step[~done], move[~done])
        helped = slow[~done]
        if not len(going):
            break
        network = replace(flight.network, shift=own[going])
        residuals, jacobian = network.evaluate(State(theta=theta[going], turns=turns[going]))
        pull = np.einsum("km,kmn->kn", residuals, jacobian)
        step = newton_steps(network.normal(jacobian), pull)
    return State(theta=theta, turns=turns), hard


def _accelerated(
    step: Floats, last_step: Floats, last_move: Floats, slow: Bools, size_of: Floats
) -> Floats:
    """Return where to go (k, n): a step, or farther along where steps shrink slowly.

    With residuals as large as those of a draw, the steps of Gauss and Newton shrink by a constant
    factor, which two of them tell: the secant method (D. Anderson, J. ACM 12 (1965) 547-560, of
    depth one), the unknowns measured in `size_of` (n,).
    """
    change = (step - last_step) / size_of
    share = np.sum(step / size_of * change, axis=-1) / np.sum(change * change, axis=-1)
    share = np.where(slow, np.clip(share, -MOST_SHARE, MOST_SHARE), 0.0)
    return np.asarray(step - share[:, None] * (last_move + step - last_step))


def _settled(size: Floats, before: Floats, by_speed: Floats, helped: Bools) -> Bools:
    """Tell which steps (k,) are the last that matter.

    `size` is in standard uncertainties of all unknowns together, `before` that of the step
    before (0 if there was none), `by_speed` in standard uncertainties of the speed. After a step
    that was `helped` along, nothing is foretold of those to come.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        shrunk = np.where(before > 0.0, size / before, np.inf)
        tail = np.where(shrunk < MOST_SHRUNK, shrunk / (1.0 - shrunk), np.inf)
    tail = np.where(helped, 1.0, tail)
    small = (tail * by_speed < SETTLED) & (tail * size < SETTLED_REST)
    return np.asarray((size < SETTLED) | small)


def _begin(flight: Flight) -> State:
    return flight.state if flight.tie is None else flight.tie.alone


def _watched(flight: Flight, own: Floats) -> State:
    """Return the state of one that plain steps do not settle; not a number if nothing does."""
    network = replace(flight.network, shift=own)
    begin = _begin(flight)
    try:
        return adjust(network, begin, tolerance=1e-3)[0]
    except MotionError:
        return State(theta=np.full_like(begin.theta, np.nan), turns=begin.turns)
