"""A moment from which the lights of a clip belong to another part of their frames than before.

A light's place belongs to the middle of its exposure. Where the exposure becomes shorter or longer
from one frame to the next, all that is seen from then on is earlier or later by its stamps than
what was seen before, by a time that nobody states.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.motion.unknowns import entered
from vidspeed.values import Floats, Input, Track, Value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Step(Value):
    """From the frame of number `frame` on, lights are later by 0 with the standard uncertainty."""

    frame: int
    u_s: float

    def late_s(self, track: Track) -> Floats:
        """Return how much later (n,) the lights of a track are for one standard uncertainty."""
        return np.where(track.frame >= self.frame, self.u_s, 0.0)

    def input(self, label: str, clip: str) -> Input:
        """Return the step as an input of the pass of this label."""
        name = f"jump of the exposure in {clip}"
        return entered(f"pass {label}", name, "exposure", self.u_s, "s", assumed=True)
