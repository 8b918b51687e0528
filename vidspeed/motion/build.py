"""From a session to its adjustment: which unknowns, which observations, where to begin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vidspeed.algebra import block_diagonal
from vidspeed.geometry.pose import fitted_picks
from vidspeed.motion import station, traverse
from vidspeed.motion.events import events
from vidspeed.motion.network import Network, Picks
from vidspeed.motion.stand import Stand
from vidspeed.motion.traverse import PassIn
from vidspeed.motion.unknowns import Ledger, State, entered
from vidspeed.values import Floats, Marker, Session, Value


def build(
    session: Session, stands: Sequence[Stand], passes: Sequence[PassIn]
) -> tuple[Network, State]:
    """Return the adjustment of some cameras and passes, and the state from which it begins."""
    ledger = Ledger()
    known = _survey(ledger, session)
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
        markers=session.markers,
        markers_m=np.array([marker.xyz_m for marker in session.markers]).reshape(-1, 3),
        markers_factor=known.markers,
        markers_at=known.markers_at,
        scale_at=known.scale_at,
        scale_factor=known.scale,
        stations=stations,
        picks=tuple(_picks(index, stand, session) for index, stand in enumerate(stands)),
        traverses=traverses,
        events=tuple(events(session, ledger, stands, traverses)),
        ledger=ledger,
    )
    return network, _begin(network, stands, passes)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Survey(Value):
    """The survey's deviates in the ledger, and how they move markers (m, 3, k) and scale."""

    markers: Floats
    markers_at: slice
    scale: Floats
    scale_at: slice


def _survey(ledger: Ledger, session: Session) -> _Survey:
    """Enter the survey: each marker and the scale by itself, or all by the session's factor.

    Markers behind those of the factor, which a plan may add, are known by themselves.
    """
    if session.survey is None:
        at, sizes = _one_by_one(ledger, session.markers)
        course = session.course
        scale_at = ledger.known(
            entered("session", "length", "survey scale", course.length_u_m, "m")
        )
        scale = np.array([course.length_u_m / course.length_m])
        markers = sizes.reshape(len(session.markers), 3, -1)
        return _Survey(markers=markers, markers_at=at, scale=scale, scale_at=scale_at)
    first = ledger.known(
        *(
            entered("session", row.name, row.source, row.u, row.unit, assumed=row.assumed)
            for row in session.survey.inputs
        )
    )
    count = len(session.survey.markers_m)
    at, sizes = _one_by_one(ledger, session.markers[count // 3 :])
    whole = block_diagonal(session.survey.markers_m, sizes)
    return _Survey(
        markers=whole.reshape(len(session.markers), 3, -1),
        markers_at=slice(first.start, at.stop),
        scale=session.survey.scale,
        scale_at=first,
    )


def _one_by_one(ledger: Ledger, markers: Sequence[Marker]) -> tuple[slice, Floats]:
    """Enter markers that are known each by itself; return where, and their factor (3 m, 3 m)."""
    at = ledger.known(
        *(
            entered("session", f"marker {m.name} {axis}", "marker survey", m.u_m, "m")
            for m in markers
            for axis in "xyz"
        )
    )
    sizes = np.repeat([marker.u_m for marker in markers], 3)
    return at, np.diag(sizes)


def _picks(index: int, stand: Stand, session: Session) -> Picks:
    marker, xy_px, u_px = fitted_picks(stand.camera, session.markers)
    assumed = {pick.name for pick in stand.camera.picks if pick.assumed}
    return Picks(
        station=index,
        marker=np.array(marker, dtype=np.int64),
        xy_px=xy_px,
        u_px=u_px,
        assumed=np.array([session.markers[at].name in assumed for at in marker], dtype=bool),
    )


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
