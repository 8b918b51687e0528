"""A flight solved again with what its clips' sounds say of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from vidspeed.chance import chi2_sf
from vidspeed.motion.adjust import adjust
from vidspeed.motion.flight import Flight
from vidspeed.motion.network import Network
from vidspeed.motion.sounding import AirIn, Sounding, rows_of
from vidspeed.motion.unknowns import Ledger, State, entered
from vidspeed.values import Around, Camera, Floats, Input, Told

OWN_WIND = 0.5  # share of the wind's variance that is of one pass: nobody says how steady it is
UNLIKELY = 1e-3  # probability of a misfit beyond which a sound and the pictures are not of one pass
MOMENT, DISTANCE = 2, 1


def with_sounds(flight: Flight, heard: Mapping[int, Told], air: Around) -> tuple[Flight, float]:
    """Return a flight solved with what was heard in its clips (by their number), and the misfit.

    The wind in `air` blows from start to finish. The misfit is the probability that pictures and
    sounds of one pass differ so much by chance.
    MotionError where no solution is reached.
    """
    network, state = _joined(flight, heard, air)
    state, adjustment = adjust(network, state)
    joint = replace(flight, network=network, state=state, adjustment=adjustment)
    grown = max(adjustment.cost - flight.adjustment.cost, 0.0)
    rows = sum(row.count for row in network.sounds)
    return joint, float(chi2_sf(grown, rows))


def _joined(flight: Flight, heard: Mapping[int, Told], air: Around) -> tuple[Network, State]:
    """Return a flight's network with the sounds in it, and the state to begin from."""
    old = flight.network.ledger
    ledger = Ledger(size=old.size, priors=list(old.priors), places=list(old.places))
    owner = f"pass {flight.network.traverses[0].label}"
    known = _known(ledger, owner, air)
    late: dict[str, slice] = {}
    sounds = []
    for order, told in heard.items():
        camera, clip = flight.lit[order].stand.camera, flight.lit[order].clip
        if camera.sound_late_u_s is not None and camera.name not in late:
            late[camera.name] = ledger.known(_late(camera))
        apart_u = apart(told.half_s / flight.nominal.duration_s) * np.array(
            [air.accel_u_mps2, air.bend_u_mps2]
        )
        information, slope = _without_moment(told, camera, air.wind_u_mps)
        root, lean = rows_of(information, slope)
        sounds.append(
            Sounding(
                clip=order,
                name=clip,
                owner=owner,
                at=told.at,
                root=root,
                lean=lean,
                air=known,
                accel=ledger.known(*_bends(owner, clip, apart_u)),
                accel_u_mps2=apart_u,
                late=late.get(camera.name),
                late_s=camera.sound_late_s,
                late_u_s=camera.sound_late_u_s or 0.0,
                dof=told.dof,
            )
        )
    theta = np.append(flight.state.theta, np.zeros(ledger.size - old.size))
    network = replace(flight.network, ledger=ledger, sounds=tuple(sounds))
    return network, State(theta=theta, turns=flight.state.turns)


def _known(ledger: Ledger, owner: str, air: Around) -> AirIn:
    """Enter the air into the ledger: the session's, and of the wind a part of the pass's own."""
    wind_u = air.wind_u_mps * np.sqrt([1.0 - OWN_WIND, OWN_WIND])
    sound, wind = air.sound_assumed, air.wind_assumed
    return AirIn(
        sound=ledger.known(
            entered("session", "speed of sound", "air", air.sound_u_mps, "m/s", assumed=sound)
        ),
        sound_mps=air.sound_mps,
        sound_u_mps=air.sound_u_mps,
        wind=ledger.known(
            entered("session", "wind", "air", float(wind_u[0]), "m/s", assumed=wind),
            entered(owner, "wind", "air", float(wind_u[1]), "m/s", assumed=wind),
        ),
        wind_mps=air.wind_mps,
        wind_u_mps=wind_u,
    )


def _bends(owner: str, clip: str, apart_u: Floats) -> list[Input]:
    """Return how far a sound's acceleration along and away may be from the path's, as inputs."""
    return [
        entered(owner, f"{name} {clip}", "acceleration", float(u), "m/s2")
        for name, u in zip(("heard along", "heard away"), apart_u, strict=True)
    ]


def apart(half: float) -> float:
    """Return how far a sound's acceleration is from a path's, in their standard deviations.

    `half` is for how long the sound is heard to either side, in times between the gates. Both are
    means of one process, each over its own time.
    """
    course, sound = np.linspace(-0.5, 0.5, 21), np.linspace(-half, half, 41)
    together, own, other = (
        float(np.mean(np.exp(-0.5 * (one[:, None] - two[None, :]) ** 2)))
        for one, two in ((course, sound), (course, course), (sound, sound))
    )
    return float(np.sqrt(max(own + other - 2.0 * together, 0.0)))


def _late(camera: Camera) -> Input:
    return entered(
        f"camera {camera.name}",
        "sound late",
        "sound late",
        1e3 * (camera.sound_late_u_s or 0.0),
        "ms",
    )


def _without_moment(told: Told, camera: Camera, wind_u_mps: float) -> tuple[Floats, Floats]:
    """Return information and slope with the moment let go as far as it is not known.

    Sound and picture of a file may be apart by tens of milliseconds, of which the moment would
    make metres; so without `sound_late_u_ms` it says nothing. With it, a wind from the side of
    w m/s still makes what is heard of distance d late by w d / c², to first order.
    """
    stiff = 0.0
    if camera.sound_late_u_s is not None:
        sound_mps, distance_m = float(told.at[-1]), float(np.exp(told.at[DISTANCE]))
        stiff = 1.0 / max(wind_u_mps * distance_m / sound_mps**2, 1e-9) ** 2
    column = told.information[:, MOMENT]
    most = stiff + column[MOMENT]
    if most <= 0.0:
        return told.information, told.slope
    information = told.information - np.outer(column, column) / most
    slope = told.slope - column * (told.slope[MOMENT] / most)
    if stiff == 0.0:
        information[MOMENT], information[:, MOMENT], slope[MOMENT] = 0.0, 0.0, 0.0
    return information, slope
