"""The list of unknowns of an adjustment, and what was entered about each.

Every unknown that somebody stated a figure for is carried as a standard normal deviate: stated
value + stated standard uncertainty x deviate. Its prior is then one observation (0 with standard
uncertainty 1), a stated uncertainty of zero needs no special case, and all columns are of like
size.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from vidspeed.values import Floats, Input, Value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class State(Value):
    """Where an adjustment stands: `theta` (n,), and the turns (c, 3, 3) of the cameras.

    Turns are moved by a small rotation from the left; their three places in `theta` stay zero.
    """

    theta: Floats
    turns: Floats


@dataclass(slots=True)
class Ledger:
    """Hands out places in `theta` and keeps the priors; grows while a problem is built."""

    size: int = 0
    priors: list[Input] = field(default_factory=list)
    places: list[int] = field(default_factory=list)  # where in theta each prior stands

    def free(self, count: int) -> slice:
        """Return places for `count` unknowns of which nothing is known beforehand."""
        taken = slice(self.size, self.size + count)
        self.size += count
        return taken

    def known(self, *inputs: Input) -> slice:
        """Return places for unknowns with a prior each."""
        taken = self.free(len(inputs))
        self.priors.extend(inputs)
        self.places.extend(range(taken.start, taken.stop))
        return taken


def entered(
    owner: str,
    name: str,
    source: str,
    input_u: float,
    unit: str,
    *,
    assumed: bool = False,
    split_unknown: bool = False,
    rectangular: bool = False,
) -> Input:
    """Return a type B input."""
    return Input(
        owner=owner,
        name=name,
        source=source,
        kind="B",
        assumed=assumed,
        input_u=input_u,
        unit=unit,
        split_unknown=split_unknown,
        distribution="rectangular" if rectangular else "normal",
    )


def rotation(turn_rad: Floats) -> Floats:
    """Return the rotation matrix (3, 3) of a rotation vector (3,), Rodrigues' formula."""
    angle = float(np.linalg.norm(turn_rad))
    x, y, z = turn_rad
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    if angle < 1e-8:
        return np.asarray(np.eye(3) + cross + cross @ cross / 2.0)
    return np.asarray(
        np.eye(3) + np.sin(angle) / angle * cross + (1.0 - np.cos(angle)) / angle**2 * cross @ cross
    )


def moved(state: State, step: Floats, turns_at: tuple[slice, ...]) -> State:
    """Return `state` moved by `step` (n,): turns from the left, everything else added."""
    theta = state.theta + step
    turns = np.empty_like(state.turns)
    for index, place in enumerate(turns_at):
        turns[index] = rotation(step[place]) @ state.turns[index]
        theta[place] = 0.0
    return State(theta=theta, turns=turns)
