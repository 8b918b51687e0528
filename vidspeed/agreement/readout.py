"""The read-out of a camera that nobody stated, where a pass tells it.

The rows of a light that crosses the picture from top to bottom are time along the course. Beside
a camera that is held the other way, or a known flight line, the solution then finds the read-out.
"""

from __future__ import annotations

import numpy as np

from vidspeed.motion.flight import Flight
from vidspeed.values import Check

TELLS = 0.7  # of the bound's own standard uncertainty: nearer than this is worth a word


def check_readout(flight: Flight) -> Check | None:
    """Return the check row `read-out` of a pass; None where every camera's was stated."""
    said = []
    deviate_u = np.sqrt(np.diag(flight.adjustment.covariance))
    for station in flight.network.stations:
        if station.camera.readout_s is not None:
            continue
        share = float(deviate_u[station.readout][0])
        found_ms = 1e3 * station.readout_at(flight.state)
        u_ms = 1e3 * station.readout_u_s * share
        most_ms = 2e3 * station.readout_s
        said.append(
            f"{station.camera.name}: not stated, and this pass puts it at {found_ms:.1f} ms "
            f"(u {u_ms:.1f} ms), of 0 to {most_ms:.1f} ms"
            if share < TELLS
            else f"{station.camera.name}: not stated, anything from 0 to {most_ms:.1f} ms, "
            "and this pass does not tell"
        )
    return Check(name="read-out", status="ok", detail="; ".join(said)) if said else None
