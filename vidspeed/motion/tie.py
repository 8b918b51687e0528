"""What holds a pass to the other passes of its clips."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.motion.network import Network
from vidspeed.motion.unknowns import State
from vidspeed.values import Floats, Input, Value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tie(Value):
    """What other passes of the same clips say of a flight, through their common time offsets.

    `alone` is the flight's own solution; the tied one lies `gain` (n, k) @ gap away, where the
    gap (k,) of the conditions is `share` (k, e) @ its own offsets (e,) + `rest` (k,). The m
    inputs are the flight's own and then `inputs`, those of other passes; by each of them the
    unknowns move by `by_input` (n, m) and `rest` by `rest_by_input` (k, m). `dof` are those of
    `inputs` whose size was estimated.
    """

    alone: State
    inputs: tuple[Input, ...]
    dof: tuple[float | None, ...]
    by_input: Floats
    gain: Floats
    share: Floats
    rest: Floats
    rest_by_input: Floats

    def gap(self, network: Network, state: State, shift: Floats) -> Floats:
        """Return the gap (..., k) of the conditions after inputs have moved by `shift` (..., m)."""
        own = network.clip_offsets(state) @ self.share.T
        return np.asarray(own + self.rest + shift @ self.rest_by_input.T)
