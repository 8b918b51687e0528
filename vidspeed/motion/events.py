"""Events seen or heard in several clips: what `[[sync]]` says of their time offsets."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from vidspeed.motion.stand import Stand
from vidspeed.motion.station import Station
from vidspeed.motion.traverse import ClipLights, Traverse
from vidspeed.motion.unknowns import Ledger, State, entered
from vidspeed.values import Floats, Session, Sync, Value

USUAL_C = 15.0  # air temperature where none was measured, degrees Celsius
SOUND_HEIGHT_M = 1.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Glimpse(Value):
    """An event in one clip: its time there, and when it happened before it was seen or heard.

    A light's place belongs to the middle of its exposure and the event's time to the clip's own
    clock, so half the exposure stands between them; `exposure` is its place in theta.
    """

    clip: int
    time_s: float
    delay_s: float
    exposure: slice
    exposure_s: float
    exposure_u_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Event(Value):
    """One event in two clips of a pass; `u_s` is that of the difference of its two times."""

    name: str
    traverse: int
    glimpses: tuple[Glimpse, Glimpse]
    u_s: float


def events(
    session: Session, ledger: Ledger, stands: Sequence[Stand], traverses: Sequence[Traverse]
) -> Iterator[Event]:
    """Yield the events that two clips of one pass share: each later clip against the first."""
    exposures = _Exposures(session=session, ledger=ledger)
    for number, sync in enumerate(session.syncs):
        for index, traverse in enumerate(traverses):
            orders = [i for i, row in enumerate(traverse.clips) if row.clip in sync.clips]
            for order in orders[1:]:
                pair = [(i, stands[traverse.clips[i].station]) for i in (orders[0], order)]
                glimpses, u_s = _pair(session, exposures, traverse, sync, pair)
                name = f"sync {number + 1} {traverse.clips[order].clip}"
                yield Event(name=name, traverse=index, glimpses=glimpses, u_s=u_s)


def _pair(
    session: Session,
    exposures: _Exposures,
    traverse: Traverse,
    sync: Sync,
    pair: Sequence[tuple[int, Stand]],
) -> tuple[tuple[Glimpse, Glimpse], float]:
    """Return an event as two clips have it, and the uncertainty of the difference."""
    delays, delay_u_s = (0.0, 0.0), 0.0
    if sync.kind == "sound":
        delays, delay_u_s = _delays(session, [stand for _, stand in pair])
    glimpses, variance = [], delay_u_s**2
    for (order, stand), delay_s in zip(pair, delays, strict=True):
        at = sync.clips.index(traverse.clips[order].clip)
        variance += float(sync.time_u_s[at]) ** 2
        place, exposure_s, exposure_u_s = exposures.of(sync.clips[at], stand.interval_s)
        glimpses.append(
            Glimpse(
                clip=order,
                time_s=float(sync.time_s[at]),
                delay_s=delay_s,
                exposure=place,
                exposure_s=exposure_s,
                exposure_u_s=exposure_u_s,
            )
        )
    return (glimpses[0], glimpses[1]), float(np.sqrt(variance))


@dataclass(slots=True, kw_only=True)
class _Exposures:
    """The exposures that events need: one unknown for each camera and stated figure."""

    session: Session
    ledger: Ledger
    places: dict[str, slice] = field(default_factory=dict)

    def of(self, name: str, interval_s: float) -> tuple[slice, float, float]:
        """Return place in theta, exposure and its uncertainty of a clip.

        Left out, it is rectangular from 0 to one frame interval (GUM 4.3.7).
        """
        clip = next(clip for clip in self.session.clips if clip.name == name)
        stated = clip.exposure_s is not None
        exposure_s = clip.exposure_s if clip.exposure_s is not None else interval_s / 2.0
        u_s = (clip.exposure_u_s or 0.0) if stated else interval_s / float(np.sqrt(12.0))
        label = f"exposure {1e3 * exposure_s:g} ms" if stated else "exposure"
        key = f"{clip.camera} {label}"
        if key not in self.places:
            owner = f"camera {clip.camera}"
            entry = entered(
                owner,
                label,
                "exposure",
                1e3 * u_s,
                "ms",
                assumed=not stated,
                rectangular=not stated,
            )
            self.places[key] = self.ledger.known(entry)
        return self.places[key], exposure_s, u_s


def _delays(session: Session, stands: Sequence[Stand]) -> tuple[tuple[float, float], float]:
    """Return how long a sound on the course takes to two cameras, and u of the difference.

    Where along the course it was made is not known. The speed of sound is 331.3 m/s times the
    root of T/273.15 K (dry air at sea level), good to 0.3 % here.
    """
    air = session.air
    celsius = USUAL_C if air is None or air.temperature_c is None else air.temperature_c
    speed = 331.3 * np.sqrt(1.0 + celsius / 273.15)
    x_m = np.linspace(0.0, session.course.length_m, 41)
    source = np.column_stack([x_m, np.zeros(41), np.full(41, SOUND_HEIGHT_M)])
    taken = [np.linalg.norm(source - stand.pose.position_m, axis=1) / speed for stand in stands]
    return (
        (float(taken[0].mean()), float(taken[1].mean())),
        float(np.std(taken[1] - taken[0])),
    )


def event_row(
    event: Event,
    clips: Sequence[ClipLights],
    stations: Sequence[Station],
    state: State,
    rows: Floats,
) -> Floats:
    """Fill an event's row of the Jacobian; return its residual (..., 1)."""
    apart = np.zeros(state.theta.shape[:-1])
    for glimpse, sign in zip(event.glimpses, (-1.0, 1.0), strict=True):
        clip = clips[glimpse.clip]
        station = stations[clip.station]
        since = glimpse.time_s - glimpse.delay_s - clip.reference_s
        deviate = state.theta[..., glimpse.exposure.start]
        exposure_s = glimpse.exposure_s + glimpse.exposure_u_s * deviate
        apart = apart + sign * (station.clock_scale(state) * since - exposure_s / 2.0)
        rows[..., 0, station.clock] += sign * 1e-6 * station.camera.clock_u_ppm * since
        rows[..., 0, glimpse.exposure] -= sign * glimpse.exposure_u_s / 2.0
        if clip.offset is not None:
            apart = apart + sign * state.theta[..., clip.offset.start]
            rows[..., 0, clip.offset] += sign
    rows /= event.u_s
    return np.asarray(-apart / event.u_s)[..., None]
