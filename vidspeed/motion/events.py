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
    """One event in some clips of a pass: its time in the last less a mean of those in the others.

    `weights` are -1 in all for the others, by how sure each is, and 1 for the last: such
    differences are independent of each other (H. O. Lancaster, Amer. Math. Monthly 72 (1965) 4-12),
    and two clips have just one. `u_s` is that of the difference.
    """

    name: str
    traverse: int
    glimpses: tuple[Glimpse, ...]
    weights: tuple[float, ...]
    u_s: float


def events(
    session: Session, ledger: Ledger, stands: Sequence[Stand], traverses: Sequence[Traverse]
) -> Iterator[Event]:
    """Yield the events that clips of one pass share: each later clip against those before it."""
    exposures = _Exposures(session=session, ledger=ledger)
    for number, sync in enumerate(session.syncs):
        for index, traverse in enumerate(traverses):
            orders = [i for i, row in enumerate(traverse.clips) if row.clip in sync.clips]
            for last in range(1, len(orders)):
                some = [(i, stands[traverse.clips[i].station]) for i in orders[: last + 1]]
                glimpses, weights, u_s = _apart(session, exposures, traverse, sync, some)
                name = f"sync {number + 1} {traverse.clips[orders[last]].clip}"
                yield Event(name=name, traverse=index, glimpses=glimpses, weights=weights, u_s=u_s)


def _apart(
    session: Session,
    exposures: _Exposures,
    traverse: Traverse,
    sync: Sync,
    some: Sequence[tuple[int, Stand]],
) -> tuple[tuple[Glimpse, ...], tuple[float, ...], float]:
    """Return an event as some clips have it, their weights, and u of the last less the others."""
    at = [sync.clips.index(traverse.clips[order].clip) for order, _ in some]
    times_u_s = np.array([float(sync.time_u_s[place]) for place in at])
    sure = times_u_s[:-1] ** -2.0
    weights = np.append(-sure / sure.sum(), 1.0)
    variance = float(weights**2 @ times_u_s**2)
    delays_s = np.zeros(len(some))
    if sync.kind == "sound":
        taken = _taken(session, [stand for _, stand in some])
        delays_s = taken.mean(axis=1)
        variance += float(np.var(weights @ taken))
    glimpses = []
    for (order, stand), place, delay_s in zip(some, at, delays_s.tolist(), strict=True):
        exposure, exposure_s, exposure_u_s = exposures.of(sync.clips[place], stand.interval_s)
        glimpses.append(
            Glimpse(
                clip=order,
                time_s=float(sync.time_s[place]),
                delay_s=delay_s,
                exposure=exposure,
                exposure_s=exposure_s,
                exposure_u_s=exposure_u_s,
            )
        )
    return tuple(glimpses), tuple(weights.tolist()), float(np.sqrt(variance))


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


def _taken(session: Session, stands: Sequence[Stand]) -> Floats:
    """Return how long a sound from places along the course takes to each camera (n, 41).

    Where along the course it was made is not known. The speed of sound is 331.3 m/s times the
    root of T/273.15 K (dry air at sea level), good to 0.3 % here.
    """
    air = session.air
    celsius = USUAL_C if air is None or air.temperature_c is None else air.temperature_c
    speed = 331.3 * np.sqrt(1.0 + celsius / 273.15)
    x_m = np.linspace(0.0, session.course.length_m, 41)
    source = np.column_stack([x_m, np.zeros(41), np.full(41, SOUND_HEIGHT_M)])
    return np.array(
        [np.linalg.norm(source - stand.pose.position_m, axis=1) / speed for stand in stands]
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
    for glimpse, weight in zip(event.glimpses, event.weights, strict=True):
        clip = clips[glimpse.clip]
        station = stations[clip.station]
        since = glimpse.time_s - glimpse.delay_s - clip.reference_s
        deviate = state.theta[..., glimpse.exposure.start]
        exposure_s = glimpse.exposure_s + glimpse.exposure_u_s * deviate
        apart = apart + weight * (station.clock_scale(state) * since - exposure_s / 2.0)
        rows[..., 0, station.clock] += weight * 1e-6 * station.camera.clock_u_ppm * since
        rows[..., 0, glimpse.exposure] -= weight * glimpse.exposure_u_s / 2.0
        if clip.offset is not None:
            apart = apart + weight * state.theta[..., clip.offset.start]
            rows[..., 0, clip.offset] += weight
    rows /= event.u_s
    return np.asarray(-apart / event.u_s)[..., None]
