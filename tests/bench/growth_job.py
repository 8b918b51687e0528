"""Short tracks, and the small piece of work that growth.py does on each: importable by workers."""

from __future__ import annotations

import numpy as np

from vidspeed.clip.spots.straight import way_of
from vidspeed.values import Floats

LIGHTS = 20


def tracks(count: int) -> list[tuple[Floats, Floats]]:
    """Return times (n,) and places (n, 2) of so many short tracks."""
    rng = np.random.default_rng(1)
    time_s = np.arange(LIGHTS) / 60.0
    return [
        (time_s, np.column_stack([900.0 * time_s, 40.0 * time_s]) + rng.normal(size=(LIGHTS, 2)))
        for _ in range(count)
    ]


def look_at_track(row: tuple[Floats, Floats]) -> float:
    """Fit the way of a track through the picture; return how far its places scatter about it."""
    return way_of(*row).spread_px
