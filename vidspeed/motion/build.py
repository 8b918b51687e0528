"""From a session to its adjustment: which unknowns, which observations, where to begin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from vidspeed.geometry.pose import fitted_picks
from vidspeed.motion import station, traverse
from vidspeed.motion.network import Event, Network, Picks
from vidspeed.motion.traverse import PassIn
from vidspeed.motion.unknowns import Ledger, State, entered
from vidspeed.values import Camera, Floats, Pose, Session, Value

USUAL_RATE_HZ = 60.0  # taken for a camera of which no clip is known yet


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stand(Value):
    """Where a camera begins: pose, deviates of its lens, logarithm of a free focal length's ratio.

    `interval_s` is the frame interval at its capture rate.
    """

    camera: Camera
    pose: Pose
    lens_deviates: Floats
    focal_log: float
    interval_s: float

    def lens(self) -> Floats:
        """Return the nine lens parameters (9,)."""
        values = self.camera.lens.parameters + self.camera.lens.factor @ self.lens_deviates
        values[0:2] *= np.exp(self.focal_log)
        return np.asarray(values)


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
        traverse.join(ledger, entry, session.course, session.flight_line, session.craft.lamp_u_m)
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
        events=tuple(_events(session, traverses)),
        ledger=ledger,
    )
    return network, _begin(network, stands, passes)


def _picks(index: int, stand: Stand, session: Session) -> Picks:
    marker, xy_px, u_px = fitted_picks(stand.camera, session.markers)
    return Picks(station=index, marker=np.array(marker, dtype=np.int64), xy_px=xy_px, u_px=u_px)


def _events(session: Session, traverses: tuple[traverse.Traverse, ...]) -> list[Event]:
    """Return the events seen by two clips of one pass: each later clip against the first."""
    events = []
    for number, sync in enumerate(session.syncs):
        for index, entry in enumerate(traverses):
            seen = [
                (order, sync.clips.index(clip.clip))
                for order, clip in enumerate(entry.clips)
                if clip.clip in sync.clips
            ]
            for order, at in seen[1:]:
                first, first_at = seen[0]
                events.append(
                    Event(
                        name=f"sync {number + 1} {entry.clips[order].clip}",
                        traverse=index,
                        clips=(first, order),
                        time_s=(float(sync.time_s[first_at]), float(sync.time_s[at])),
                        u_s=float(np.hypot(sync.time_u_s[first_at], sync.time_u_s[at])),
                    )
                )
    return events


def _begin(network: Network, stands: Sequence[Stand], passes: Sequence[PassIn]) -> State:
    theta = np.zeros(network.ledger.size)
    for place, stand in zip(network.stations, stands, strict=True):
        theta[place.position] = stand.pose.position_m
        theta[place.lens] = stand.lens_deviates
        if place.focal is not None:
            theta[place.focal] = stand.focal_log
    for entry, given in zip(network.traverses, passes, strict=True):
        for clip, row in zip(entry.clips, given.lights, strict=True):
            if clip.offset is not None:
                theta[clip.offset] = row.offset_s
    turns = np.array([stand.pose.camera_from_course for stand in stands])
    return State(theta=theta, turns=turns)


def stand_intervals(session: Session, seen: Mapping[str, float]) -> dict[str, float]:
    """Return each camera's frame interval: as seen in its clips, as stated, or the usual one."""
    return {
        camera.name: seen.get(camera.name, 1.0 / (camera.rate_hz or USUAL_RATE_HZ))
        for camera in session.cameras
    }
