"""A pass as far as it is known: what the next adjustment is written about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vidspeed.motion.network import Network
from vidspeed.motion.path import ORDERS, Nominal, weave_basis
from vidspeed.motion.start import Sketch
from vidspeed.motion.unknowns import State
from vidspeed.values import Floats, Track, Value

BEYOND = 0.5  # lights farther than this part of the course outside the gates stay out
RIDGE = 1e-3  # keeps the weights of a weave that is carried over from growing past their prior


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Draft(Value):
    """The pass as far as it is known: what the next adjustment is written about."""

    label: str
    nominal: Nominal
    coefficients: Floats
    offsets_s: Floats
    weave: tuple[Floats, ...]  # its functions at all lights of each clip, used or not


def first_draft(
    label: str,
    tracks: Sequence[Track],
    sketches: Sequence[Sketch],
    line_m: tuple[float, float],
    length_m: float,
) -> Draft:
    """Begin with a uniform flight down a line y, z = `line_m`."""
    speed = float(np.median([row.speed_mps for row in sketches]))
    middles = [row.middle_s for row in sketches]
    references = [reference_s(track) for track in tracks]
    since = [middle - reference for middle, reference in zip(middles, references, strict=True)]
    direction = float(np.sign(speed))
    coefficients = np.zeros((ORDERS, 3))
    coefficients[0] = length_m / 2.0, *line_m
    coefficients[1, 0] = direction * length_m
    return Draft(
        label=label,
        nominal=Nominal(middle_s=since[0], duration_s=abs(length_m / speed), direction=direction),
        coefficients=coefficients,
        offsets_s=np.array([since[0] - other for other in since]),
        weave=weaves([row.x_m for row in sketches], length_m),
    )


def weaves(places_m: Sequence[Floats], length_m: float) -> tuple[Floats, ...]:
    """Return the weave's functions at the lights (n,) of each clip, on and near the course."""
    reach = (-BEYOND * length_m, (1.0 + BEYOND) * length_m)
    along = np.clip(np.nan_to_num(np.concatenate(places_m)), *reach)
    parts = np.cumsum([len(row) for row in places_m])[:-1]
    return tuple(np.split(weave_basis(along, length_m), parts))


def reference_s(track: Track) -> float:
    """Return the time of the middle light: a clip's clock counts from there."""
    return float(track.time_s[len(track) // 2])


def carried(
    before: Network, state: State, before_draft: Draft, network: Network, fresh: State, draft: Draft
) -> State:
    """Return `fresh` with everything that the solution before it knows.

    The new network is written about the traverse that was found; the weave is the same at the
    lights.
    """
    old, new = before.traverses[0], network.traverses[0]
    theta = fresh.theta.copy()
    shared = before.stations[-1].readout.stop
    theta[:shared] = state.theta[:shared]
    grown = np.concatenate(before_draft.weave) * old.growth(state)
    functions = np.concatenate(draft.weave)
    normal = functions.T @ functions + RIDGE * np.eye(functions.shape[1])
    for source, target in ((old.weave_y, new.weave_y), (old.weave_z, new.weave_z)):
        if source is not None and target is not None:
            theta[target] = np.linalg.solve(normal, functions.T @ (grown @ state.theta[source]))
    for was, now in zip(old.clips, new.clips, strict=True):
        for source, target in (
            (was.lamp, now.lamp),
            (was.offset, now.offset),
            (was.drag, now.drag),
            (was.late, now.late),
        ):
            if source is not None and target is not None:
                theta[target] = state.theta[source]
    return State(theta=theta, turns=state.turns)
