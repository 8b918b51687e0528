"""Which wrong marker or pick would be noticed, and what one that is not would do to a speed.

An error is a direction c in the space of the whitened observations: a pick that is off moves its
own rows, a marker that does not stand where the survey says moves the picks of all cameras that
see it. With the residuals v and their cofactors Q = I - J Sigma J^T, w = c v / sqrt(c Q c) is a
standard normal where all is right, and an error of size e moves its mean by e sqrt(c Q c)
(W. Baarda, 1968; P. Teunissen, Testing theory, 2000, ch. 4). What it does to a speed is e s . c
with the sensitivities s of the solver itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from vidspeed.geometry.reliability import (
    LEAST_REDUNDANCY,
    TESTED_REDUNDANCY,
    critical_value,
    shift_to_be_named,
    suspects,
)
from vidspeed.motion.adjust import Adjustment, adjust
from vidspeed.motion.build import build
from vidspeed.motion.network import Network
from vidspeed.motion.stand import Stand
from vidspeed.motion.station import Station, look
from vidspeed.motion.unknowns import State
from vidspeed.values import Floats, Marker, PassResult, Session, Trusted, Value

Axis = Literal["x", "y", "z", "right", "down"]
Sensitivities = Mapping[tuple[str, str], float]
AXES: tuple[Axis, ...] = ("x", "y", "z")
PICTURE: tuple[Axis, ...] = ("right", "down")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Doubt(Value):
    """One way to be wrong: w, sqrt(c Q c) a unit, the share of it that is checked, s . c a unit."""

    what: Literal["marker", "pick"]
    marker: str
    camera: str | None
    axis: Axis
    normalised: float
    per_unit: float
    redundancy: float
    speed_per_unit_mps: float
    held_out: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Joint(Value):
    """The adjustment of all cameras, and how it looks at errors of its observations."""

    network: Network
    state: State
    adjustment: Adjustment

    def seen_through(self, rows: Sequence[int], columns: Floats) -> tuple[Floats, Floats]:
        """Return c v (k,) and c Q c (k, k) of errors: `columns` (len(rows), k) whitened a unit."""
        slopes = self.adjustment.jacobian[list(rows)]
        residuals = self.adjustment.residuals[list(rows)]
        taken = slopes.T @ columns
        fitted = taken.T @ self.adjustment.covariance @ taken
        return columns.T @ residuals, columns.T @ columns - fitted


def trust(
    session: Session, stands: Sequence[Stand], forecast: PassResult | None = None
) -> tuple[Trusted, ...]:
    """Return what is checked of every marker and pick of the cameras, and what is named.

    Raises MotionError where the cameras cannot be adjusted together.
    """
    network, state = build(session, stands, [])
    state, adjustment = adjust(network, state)
    joint = _Joint(network=network, state=state, adjustment=adjustment)
    doubts = [*_fitted(joint, _sensitivities(forecast)), *_held_out(joint)]
    tested = np.array([row.redundancy > TESTED_REDUNDANCY for row in doubts])
    tests = max(int(tested.sum()), 1)
    w = np.array([row.normalised for row in doubts])
    named = suspects(w, tested, critical_value(tests))
    shift = shift_to_be_named(tests)
    return tuple(
        _told(row, bool(out), shift, known=forecast is not None)
        for row, out in zip(doubts, named, strict=True)
    )


def _told(row: Doubt, named: bool, shift: float, *, known: bool) -> Trusted:
    detectable = shift / row.per_unit if row.redundancy > LEAST_REDUNDANCY else None
    effect = None if detectable is None else row.speed_per_unit_mps * detectable
    return Trusted(
        what=row.what,
        marker=row.marker,
        camera=row.camera,
        axis=row.axis,
        unit="m" if row.what == "marker" else "px",
        normalised=row.normalised if row.redundancy > TESTED_REDUNDANCY else None,
        detectable=detectable,
        speed_mps=effect if known else None,
        speed_per_unit_mps=row.speed_per_unit_mps if known else None,
        named=named,
        held_out=row.held_out,
    )


def _sensitivities(forecast: PassResult | None) -> Sensitivities:
    """Return by owner and name what one standard uncertainty of an input does to the speed."""
    if forecast is None or forecast.sensitivities_mps is None:
        return {}
    pairs = zip(forecast.inputs, forecast.sensitivities_mps, strict=True)
    return {(entry.owner, entry.name): float(value) for entry, value in pairs}


def _fitted(joint: _Joint, sensitivities: Sensitivities) -> Iterator[Doubt]:
    """Yield what may be wrong with the markers that the cameras are fitted to."""
    network, at = joint.network, 0
    rows: dict[str, list[int]] = {}
    slopes: dict[str, list[Floats]] = {}
    moves: dict[str, list[float]] = {}
    places = network.marker_places(joint.state)
    for picks in network.picks:
        station = network.stations[picks.station]
        seen = look(station, joint.state, places[picks.marker])
        for order, index in enumerate(picks.marker):
            name, u_px = network.markers[index].name, float(picks.u_px[order])
            own = [at, at + 1]
            owner = f"camera {station.camera.name}"
            s = [sensitivities.get((owner, f"pick {name} {axis}"), 0.0) for axis in "xy"]
            yield from _pick_doubts(joint, own, u_px, s, (name, station.camera.name))
            rows.setdefault(name, []).extend(own)
            slopes.setdefault(name, []).append(seen.by_point[order] / u_px)
            moves.setdefault(name, []).extend(s)
            at += 2
    u_m = {marker.name: marker.u_m for marker in network.markers}
    for name, own in rows.items():
        columns = np.concatenate(slopes[name])
        yield from _doubts(
            joint.seen_through(own, columns),
            columns.T @ np.array(moves[name]),
            _direct_u_m(u_m[name], columns.T @ columns),
            ("marker", name, None, AXES),
        )


def _pick_doubts(
    joint: _Joint, rows: list[int], u_px: float, s: list[float], named: tuple[str, str]
) -> Iterator[Doubt]:
    columns = np.eye(2) / u_px
    yield from _doubts(
        joint.seen_through(rows, columns),
        columns.T @ np.array(s),
        u_px,
        ("pick", named[0], named[1], PICTURE),
    )


def _doubts(
    seen: tuple[Floats, Floats],
    speeds: Floats,
    u: float,
    names: tuple[Literal["marker", "pick"], str, str | None, tuple[Axis, ...]],
    *,
    held_out: bool = False,
) -> Iterator[Doubt]:
    """Yield a doubt for each axis; `redundancy` is c Q c for an error of one `u`."""
    pull, cofactor = seen
    what, marker, camera, axes = names
    for number, axis in enumerate(axes):
        per_unit = float(np.sqrt(max(float(cofactor[number, number]), 1e-30)))
        yield Doubt(
            what=what,
            marker=marker,
            camera=camera,
            axis=axis,
            normalised=float(pull[number]) / per_unit,
            per_unit=per_unit,
            redundancy=(u * per_unit) ** 2,
            speed_per_unit_mps=float(speeds[number]),
            held_out=held_out,
        )


def _held_out(joint: _Joint) -> Iterator[Doubt]:
    """Yield what may be wrong with check markers: each camera's pick against its prediction."""
    index = {marker.name: number for number, marker in enumerate(joint.network.markers)}
    for station in joint.network.stations:
        for pick in station.camera.picks:
            number = index[pick.name]
            marker = joint.network.markers[number]
            if marker.use != "check":
                continue
            seen = look(station, joint.state, marker.xyz_m[None, :])
            left = pick.xy_px - seen.pixels[0]
            spread = pick.u_px**2 * np.eye(2) + predicted_px2(joint, station, marker, number)
            weight = np.linalg.inv(spread)
            across = seen.by_point[0].T @ weight @ seen.by_point[0]
            for what, columns, u in (
                ("marker", seen.by_point[0], _direct_u_m(marker.u_m, across)),
                ("pick", np.eye(2), pick.u_px),
            ):
                pair = (columns.T @ weight @ left, columns.T @ weight @ columns)
                axes = AXES if what == "marker" else PICTURE
                camera = None if what == "marker" else station.camera.name
                kind: Literal["marker", "pick"] = "marker" if what == "marker" else "pick"
                yield from _doubts(
                    pair,
                    np.zeros(len(axes)),
                    u,
                    (kind, pick.name, camera, axes),
                    held_out=True,
                )


def _direct_u_m(u_m: float, across: Floats) -> float:
    """Return what a marker is known to by its survey and across its best line of sight together.

    An error of many such sizes is what nothing checks, however good the survey alone may be;
    `across` (3, 3) is the information of the picks, 1/m^2.
    """
    best = float(np.linalg.eigvalsh(across)[-1])
    return float(np.sqrt(u_m**2 + 1.0 / max(best, 1e-12)))


def predicted_px2(joint: _Joint, station: Station, marker: Marker, number: int) -> Floats:
    """Return the covariance (2, 2) of where a marker that was held out is predicted to be seen.

    Camera and survey, with what they share: the covariance of the camera's unknowns with the
    survey's deviates.
    """
    seen = look(station, joint.state, marker.xyz_m[None, :])
    row = np.zeros((2, joint.network.ledger.size))
    row[:, station.position] = -seen.by_point[0]
    row[:, station.turn] = seen.by_turn[0]
    row[:, station.lens] = seen.by_lens[0]
    if station.focal is not None:
        row[:, station.focal] = seen.by_focal[0]
    at = joint.network.markers_at
    survey = joint.network.marker_slopes(seen.by_point[0], number)
    camera = row @ joint.adjustment.covariance @ row.T
    shared = row @ joint.adjustment.covariance[:, at] @ survey.T
    return np.asarray(camera + shared + shared.T + survey @ survey.T)


def worst(rows: Sequence[Trusted]) -> list[Trusted]:
    """Return one row for each marker or pick that is named, the most improbable axis of each."""
    found: dict[str, Trusted] = {}
    for row in rows:
        if not row.named:
            continue
        key = f"{row.what} {row.marker} {row.camera}"
        held = found.get(key)
        if held is None or abs(row.normalised or 0.0) > abs(held.normalised or 0.0):
            found[key] = row
    return sorted(found.values(), key=lambda row: -abs(row.normalised or 0.0))
