"""A session while it is checked: what was taken from its tables and files, not yet values."""

from __future__ import annotations

from dataclasses import dataclass, field

from vidspeed.session.check import Taken
from vidspeed.values import Clock, Floats, Lens, Marker, Measured, Onboard, Pick


@dataclass(slots=True)
class Draft:
    """A session while it is checked: its tables, and what its files hold (a camera each)."""

    top: Taken
    tables: dict[str, list[Taken]]
    unpicked: bool = False  # cameras may have fewer picks than a fit needs, or no file of them yet
    markers: tuple[Marker, ...] = ()
    onboard: tuple[Onboard, ...] = ()
    measured: Measured | None = None
    covariance_m2: Floats | None = None
    lenses: list[Lens | None] = field(default_factory=list)
    clocks: list[Clock | None] = field(default_factory=list)
    picks: list[tuple[Pick, ...]] = field(default_factory=list)
