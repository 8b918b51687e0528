"""One step of the fits of several lights at once, in tables with a row for each light.

What is slow about a fit of a few hundred pixels is not its arithmetic but the number of calls.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from vidspeed.clip.light.curve import Curve
from vidspeed.clip.light.profile import HALF_X, HALF_Y, HALO, SHAPE, SLOPE, WIDTH, X, Y, streak
from vidspeed.values import Bools, Floats

PARAMETERS = SHAPE + 3  # and a background: offset, tilt along x, tilt along y
TILT_PX = 10.0  # the tilts are levels over this distance
LOWEST, HIGHEST = np.full(PARAMETERS, -np.inf), np.full(PARAMETERS, np.inf)
LOWEST[[WIDTH, SLOPE, HALO]] = 0.45, -1.8, 0.0
HIGHEST[[WIDTH, SLOPE, HALO]] = 8.0, 1.8, 1.0
LEAST_HALF = 0.1  # half length in widths: below it a streak is a point


class Stack(NamedTuple):
    """The pixels of some lights (k, n), padded with pixels of no weight.

    `above` is the value over the ground; `under` is the ground as light and `beneath` the level of
    that light; `weight` is one over the noise.
    """

    x: Floats
    y: Floats
    above: Floats
    full: Bools
    under: Floats
    beneath: Floats
    weight: Floats

    def of(self, rows: Bools) -> Stack:
        """Return the pixels of some of the lights."""
        return Stack(
            self.x[rows], self.y[rows], self.above[rows], self.full[rows],
            self.under[rows], self.beneath[rows], self.weight[rows],
        )  # fmt: skip


class Known(NamedTuple):
    """What is known of the parameters (k, 11) beforehand: values, and one over their variance."""

    value: Floats
    tightness: Floats

    def of(self, rows: Bools) -> Known:
        """Return what is known of some of the lights."""
        return Known(self.value[rows], self.tightness[rows])


class State(NamedTuple):
    """Where some lights' fits stand.

    The light's level and the residuals over the noise (k, n), the slopes over the noise
    (11, k, n).
    """

    level: Floats
    residual: Floats
    slopes: Floats

    def of(self, rows: Bools) -> State:
        """Return the state of some of the lights."""
        return State(self.level[rows], self.residual[rows], self.slopes[:, rows])


def step_of(state: State, now: Floats, known: Known, damping: Floats) -> tuple[Floats, Floats]:
    """Return the next steps (k, 11) and the chi-square (k,) that they would gain, nearly."""
    slopes = state.slopes.swapaxes(0, 1)
    pull = (slopes @ state.residual[:, :, None])[:, :, 0] + known.tightness * (known.value - now)
    normal = slopes @ slopes.swapaxes(1, 2)
    free = ~_held(now, pull)
    normal *= free[:, :, None] & free[:, None, :]
    diagonal = normal.reshape(len(normal), -1)[:, :: PARAMETERS + 1]
    diagonal += known.tightness * free
    diagonal *= 1.0 + damping[:, None]
    diagonal += ~free
    step = np.linalg.solve(normal, (pull * free)[:, :, None])[:, :, 0]
    return np.asarray(step), np.asarray((pull * step).sum(axis=1))


def state_of(stack: Stack, curve: Curve, parameters: Floats) -> State:
    """Return the state of fits with parameters (k, 11)."""
    slopes = np.empty((PARAMETERS, *stack.x.shape))  # a table each: passes over them are short
    light, _ = streak(parameters[:, :SHAPE], stack.x, stack.y, slopes[:SHAPE])
    light += stack.under
    level, slope = curve.level_and_slope(light)
    level -= stack.beneath
    offset, by_x, by_y = (parameters[:, SHAPE + k, None] for k in range(3))
    even, tilt_x, tilt_y = slopes[SHAPE:]
    np.multiply(stack.x - parameters[:, X, None], 1.0 / TILT_PX, out=tilt_x)
    np.multiply(stack.y - parameters[:, Y, None], 1.0 / TILT_PX, out=tilt_y)
    residual = stack.above - level - (offset + by_x * tilt_x + by_y * tilt_y)
    met = stack.full & (residual <= 0.0)  # the model is at least as bright as it must be
    even[:] = np.where(met, 0.0, stack.weight)
    residual *= even
    slope *= even
    slopes[:SHAPE] *= slope
    slopes[X] -= by_x / TILT_PX * even
    slopes[Y] -= by_y / TILT_PX * even
    slopes[SHAPE + 1 :] *= even
    return State(level, residual, slopes)


def better_of(better: Bools, new: State, old: State) -> State:
    """Return the new state of the lights (k,) that fit better by it, the old one of the others."""
    if better.all():
        return new
    rows = better[:, None]
    level, residual = (
        np.where(rows, new.level, old.level),
        np.where(rows, new.residual, old.residual),
    )
    return State(level, residual, np.where(rows, new.slopes, old.slopes))


def cost_of(state: State, parameters: Floats, known: Known) -> Floats:
    """Return the chi-square (k,), that of the prior included."""
    off = (parameters - known.value) ** 2 * known.tightness
    return np.asarray(np.einsum("kn,kn->k", state.residual, state.residual) + off.sum(axis=1))


def kept_possible(parameters: Floats) -> Floats:
    """Keep width, slope and halo (k, 11) in their limits and the half length off zero."""
    kept = np.clip(parameters, LOWEST, HIGHEST)
    half, least = np.hypot(kept[:, HALF_X], kept[:, HALF_Y]), LEAST_HALF * kept[:, WIDTH]
    for k in np.flatnonzero(half < least):
        way = kept[k, [HALF_X, HALF_Y]] / half[k] if half[k] > 0.0 else np.array([1.0, 0.0])
        kept[k, [HALF_X, HALF_Y]] = least[k] * way
    return kept


def _held(parameters: Floats, pull: Floats) -> Bools:
    """Say which parameters (k, 11) lie on a limit and are pulled beyond it."""
    held = np.where(pull < 0.0, parameters <= LOWEST, (pull > 0.0) & (parameters >= HIGHEST))
    half_x, half_y = parameters[:, HALF_X], parameters[:, HALF_Y]
    shortest = np.hypot(half_x, half_y) <= 1.0001 * LEAST_HALF * parameters[:, WIDTH]
    inward = half_x * pull[:, HALF_X] + half_y * pull[:, HALF_Y] <= 0.0
    held[:, [HALF_X, HALF_Y]] = (shortest & inward)[:, None]
    return held
