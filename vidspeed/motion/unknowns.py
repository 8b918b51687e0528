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
    A stack of states has more axes in front, (..., n) and (..., c, 3, 3): all that is computed
    of it has them too.
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
    """Return the rotation matrices (..., 3, 3) of rotation vectors (..., 3), Rodrigues' formula."""
    x, y, z = turn_rad[..., 0], turn_rad[..., 1], turn_rad[..., 2]
    square = x * x + y * y + z * z
    angle = np.sqrt(square)
    near = angle < 1e-8
    safe = np.where(near, 1.0, angle)
    sine = np.where(near, 1.0, np.sin(safe) / safe)
    versine = np.where(near, 0.5, (1.0 - np.cos(safe)) / (safe * safe))
    cross = np.zeros((*turn_rad.shape, 3))
    cross[..., 0, 1], cross[..., 0, 2], cross[..., 1, 2] = -z, y, -x
    cross[..., 1, 0], cross[..., 2, 0], cross[..., 2, 1] = z, -y, x
    twice = turn_rad[..., :, None] * turn_rad[..., None, :]
    twice[..., 0, 0] -= square
    twice[..., 1, 1] -= square
    twice[..., 2, 2] -= square
    return np.asarray(np.eye(3) + sine[..., None, None] * cross + versine[..., None, None] * twice)


def moved(state: State, step: Floats, turns_at: tuple[slice, ...]) -> State:
    """Return `state` moved by `step` (..., n): turns from the left, everything else added."""
    theta = state.theta + step
    turns = np.empty((*theta.shape[:-1], *state.turns.shape[-3:]))
    for index, place in enumerate(turns_at):
        turns[..., index, :, :] = rotation(step[..., place]) @ state.turns[..., index, :, :]
        theta[..., place] = 0.0
    return State(theta=theta, turns=turns)
