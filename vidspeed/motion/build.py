"""From a session to its adjustment: which unknowns, which observations, where to begin."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vidspeed.geometry.pose import fitted_picks
from vidspeed.motion import station, traverse
from vidspeed.motion.events import events
from vidspeed.motion.network import Network, Picks
from vidspeed.motion.stand import Stand
from vidspeed.motion.traverse import PassIn
from vidspeed.motion.unknowns import Ledger, State, entered
from vidspeed.values import Session


def build(
    session: Session, stands: Sequence[Stand], passes: Sequence[PassIn]
) -> tuple[Network, State]:
    """Return the adjustment of some cameras and passes, and the state from which it begins."""
    ledger = Ledger()
    markers = session.markers
    markers_at = ledger.known(
        *(
            entered("session", f"marker {m.name} {axis}", "marker survey", m.u_m, "m")
            for m in markers
            for axis in "xyz"
        )
    )
    scale_u = session.course.length_u_m / session.course.length_m
    scale_at = ledger.known(
        entered("session", "length", "survey scale", session.course.length_u_m, "m")
    )
    stations = tuple(
        station.join(ledger, stand.camera, index, stand.interval_s)
        for index, stand in enumerate(stands)
    )
    traverses = tuple(
        traverse.join(
            ledger,
            entry,
            session.course,
            session.flight_line,
            session.craft.lamp_u_m,
            [stand.camera.name for stand in stands],
        )
        for entry in passes
    )
    network = Network(
        markers=markers,
        markers_m=np.array([marker.xyz_m for marker in markers]).reshape(-1, 3),
        markers_u_m=np.array([marker.u_m for marker in markers]),
        markers_at=markers_at,
        scale_at=scale_at,
        scale_u=scale_u,
        stations=stations,
        picks=tuple(_picks(index, stand, session) for index, stand in enumerate(stands)),
        traverses=traverses,
        events=tuple(events(session, ledger, stands, traverses)),
        ledger=ledger,
    )
    return network, _begin(network, stands, passes)


def _picks(index: int, stand: Stand, session: Session) -> Picks:
    marker, xy_px, u_px = fitted_picks(stand.camera, session.markers)
    return Picks(station=index, marker=np.array(marker, dtype=np.int64), xy_px=xy_px, u_px=u_px)


def _begin(network: Network, stands: Sequence[Stand], passes: Sequence[PassIn]) -> State:
    theta = np.zeros(network.ledger.size)
    for place, stand in zip(network.stations, stands, strict=True):
        theta[place.position] = stand.pose.position_m
        theta[place.lens] = stand.lens_deviates
        if place.focal is not None:
            theta[place.focal] = stand.focal_log
    for entry, given in zip(network.traverses, passes, strict=True):
        theta[entry.path] = given.coefficients.ravel()
        for clip, row in zip(entry.clips, given.lights, strict=True):
            if clip.offset is not None:
                theta[clip.offset] = row.offset_s
    turns = np.array([stand.pose.camera_from_course for stand in stands])
    return State(theta=theta, turns=turns)
