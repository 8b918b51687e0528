"""What of a calibration is checked, and what an error that nobody notices would do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from vidspeed.values.base import Value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trusted(Value):
    """One way in which a marker or a pick may be wrong, held against everything else.

    `what` is a marker moved along one axis of the course frame, or a pick along one of the
    picture. `normalised` is a standard normal where nothing is wrong (None: nothing to test),
    `detectable` the smallest error (in `unit`) that would be named with 95 % probability, None
    where nothing checks it. `speed_mps` is what an error of that size would do to a pass,
    `speed_per_unit_mps` what an error of one `unit` would; None without a forecast. `held_out`:
    of a check marker.
    """

    what: Literal["marker", "pick"]
    marker: str
    camera: str | None  # of a pick; None for a marker
    axis: Literal["x", "y", "z", "right", "down"]
    unit: Literal["m", "px"]
    normalised: float | None
    detectable: float | None
    speed_mps: float | None
    speed_per_unit_mps: float | None
    named: bool
    held_out: bool = False

    @property
    def name(self) -> str:
        """Return how messages name what would be wrong."""
        if self.camera is None:
            return f'marker "{self.marker}" along {self.axis}'
        return f'pick of "{self.marker}" in camera "{self.camera}"'
