"""What each camera of a pass says alone, beside all of them together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from vidspeed.agreement.causes import Beside, Key, sensitivities
from vidspeed.errors import MotionError
from vidspeed.motion.account import account
from vidspeed.motion.choose import relabelled
from vidspeed.motion.flight import Flight, solve, take
from vidspeed.values import Clip, PassResult, Session


def alone(
    session: Session, flight: Flight, result: PassResult, clips: dict[str, Clip]
) -> list[Beside]:
    """Return the speed from each clip's used lights alone, where there are several cameras.

    One camera alone needs the flight line: without one there is nothing to return. All that a
    camera rests on the pass rests on too, so the difference hangs on each input by the difference
    of both sensitivities.
    """
    if len(flight.lit) < 2 or not session.flight_line.stated or result.status != "measured":
        return []
    found = []
    for order in range(len(flight.lit)):
        row = _one(session, flight, order, result, clips)
        if row is not None:
            found.append(row)
    return found


def _one(
    session: Session, flight: Flight, order: int, result: PassResult, clips: dict[str, Clip]
) -> Beside | None:
    """Return what one clip says; None where it does not show both gates, or is not solved."""
    lit = flight.lit[order]
    label = flight.network.traverses[0].label
    single = replace(lit, track=take(lit.track, flight.used[order]))
    try:
        flown = solve(session, [single], label)
        by_itself = relabelled(account(session, flown, [clips[lit.clip]], label), result.label)
    except MotionError:
        return None
    if by_itself.status != "measured" or by_itself.speed_mps is None or result.speed_mps is None:
        return None
    return Beside(
        name=f"camera {lit.stand.camera.name}",
        speed_mps=by_itself.speed_mps,
        speed_u_mps=float(by_itself.speed_u_mps or 0.0),
        away_mps=by_itself.speed_mps - result.speed_mps,
        own_u_mps=0.0,
        by_input=apart(sensitivities(by_itself), sensitivities(result)),
    )


def apart(one: Mapping[Key, float], other: Mapping[Key, float]) -> dict[Key, float]:
    """Return what each input does to the difference of two speeds, in the order of the inputs.

    Sums over it are then the same to the last bit in every process; over a set they are not.
    """
    return {key: one.get(key, 0.0) - other.get(key, 0.0) for key in dict.fromkeys((*one, *other))}
