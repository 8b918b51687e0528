"""What a plan says before the day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from vidspeed.values.base import Floats, Value
from vidspeed.values.entered import Camera, Session
from vidspeed.values.kept import Advice, Failing
from vidspeed.values.solved import PassResult


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prospect(Value):
    """What one camera would see.

    `pixels_per_m` (3,) are those at start, middle and finish of the flight line. `camera` holds
    the picks that it would have. `frames` is how many would show the craft between
    the gates, `streak_px` how long its light would be drawn out at mid-course.
    """

    camera: Camera
    position_m: Floats
    pixels_per_m: Floats
    gates_inside: tuple[bool, bool]
    frames: int
    streak_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan(Value):
    """A planned session, what its cameras would see, and how well a pass would be known.

    The forecast is of those cameras that are not `failing`, None where none could measure a pass.
    `pictures` are PNG bytes by file name: the view of each camera, to scale.
    """

    session: Session
    prospects: tuple[Prospect, ...]
    forecast: PassResult | None
    advice: tuple[Advice, ...]
    failing: tuple[Failing, ...]
    pictures: Mapping[str, bytes]
