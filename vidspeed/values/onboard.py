"""What a record made on board the craft says: its speeds, and its places where it has them."""

from __future__ import annotations

from dataclasses import dataclass

from vidspeed.values.base import Floats, Value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Onboard(Value):
    """A record of n rows, `time_s` (n,) by its own clock.

    `speed_mps` (n,) over ground, None where only places were written; `east_m` and `north_m`
    (n,) about the first place, None where only speeds were. `clock` says whether `time_s` counts
    from the beginning of 1970 (UTC), or from anything. `passes`: labels of the passes in it, in
    their order; empty: all of the session, as far as they can be told. `notes`: rows left out.
    """

    file: str
    time_s: Floats
    speed_mps: Floats | None
    east_m: Floats | None
    north_m: Floats | None
    speed_u_mps: float
    clock: bool
    passes: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
