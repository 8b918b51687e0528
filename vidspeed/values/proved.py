"""What lamps held still at surveyed places prove of a course."""

from __future__ import annotations

from dataclasses import dataclass

from vidspeed.values.base import Floats, Value
from vidspeed.values.solved import Sighted


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProvenPlace(Value):
    """A surveyed place and where the cameras of `clips` see the lamp that was held there.

    `place_m`, `found_m`, `error_m` (found less surveyed) and `error_u_m`, the standard uncertainty
    of each coordinate of the error, are (3,). With one camera `found_m` is where the line of
    sight passes through the vertical plane along the course at the surveyed y; the error of y is
    then 0 and says nothing. `normalised` is the root mean square of the independent parts of the
    error over their standard uncertainties: about 1 where all that was stated is true.
    """

    clips: tuple[str, ...]
    cameras: tuple[str, ...]
    place_m: Floats
    found_m: Floats
    error_m: Floats
    error_u_m: Floats
    normalised: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProvenDistance(Value):
    """The distance of two places as seen, less as surveyed, in per cent: the error of a speed.

    `first` and `second` number the places from 0; `normalised` is the error over its u.
    """

    first: int
    second: int
    distance_m: float
    error_percent: float
    error_u_percent: float
    normalised: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProvenDrive(Value):
    """A drive along the course: its speed as measured, and as its own log has it.

    Both are means between the gates. The error is measured less logged, in per cent of the
    logged; its u is that of both together, `normalised` the error over it. `sightings` are the
    lights next to the gates in each clip.
    """

    clips: tuple[str, ...]
    cameras: tuple[str, ...]
    log: str
    speed_mps: float
    speed_u_mps: float
    log_speed_mps: float
    log_speed_u_mps: float
    error_percent: float
    error_u_percent: float
    normalised: float
    sightings: tuple[Sighted, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proven(Value):
    """The proof on the ground: every place, the distances of neighbours and ends, the drives."""

    places: tuple[ProvenPlace, ...]
    distances: tuple[ProvenDistance, ...]
    drives: tuple[ProvenDrive, ...] = ()
