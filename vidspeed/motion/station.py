"""A camera in the adjustment: where its unknowns stand, and how they move a pixel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from vidspeed.geometry.lens import projection_slopes
from vidspeed.motion.unknowns import Ledger, State, entered
from vidspeed.values import Camera, Floats, Input, Pose, Value
from vidspeed.values.entered import MOST_READOUT_S


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Station(Value):
    """A camera's places in theta, and the figures that its deviates are multiplied by."""

    camera: Camera
    index: int
    position: slice
    turn: slice
    focal: slice | None  # only where the focal length is free
    lens: slice
    clock: slice
    readout: slice
    readout_s: float
    readout_u_s: float

    def pose(self, state: State) -> Pose:
        """Return the pose in `state`."""
        return Pose(
            camera_from_course=state.turns[self.index], position_m=state.theta[self.position]
        )

    def lens_at(self, state: State) -> Floats:
        """Return the nine lens parameters (..., 9) in `state`."""
        lens = self.camera.lens
        values = lens.parameters + state.theta[..., self.lens] @ lens.factor.T
        if self.focal is not None:
            values[..., 0:2] *= np.exp(state.theta[..., self.focal])
        return np.asarray(values)

    def clock_scale(self, state: State) -> Floats:
        """Return seconds of the course for one second of the clip, (...)."""
        camera = self.camera
        ppm = camera.clock_ppm + camera.clock_u_ppm * state.theta[..., self.clock.start]
        return np.asarray(1.0 + 1e-6 * ppm)

    def readout_at(self, state: State) -> Floats:
        """Return the time from the first row to the last in `state`, seconds, (...)."""
        return np.asarray(self.readout_s + self.readout_u_s * state.theta[..., self.readout.start])


def join(ledger: Ledger, camera: Camera, index: int, interval_s: float) -> Station:
    """Enter a camera into the ledger; `interval_s` is the frame interval at the capture rate."""
    owner = f"camera {camera.name}"
    readout_s, readout_u_s = _readout(camera, interval_s)
    return Station(
        camera=camera,
        index=index,
        position=ledger.free(3),
        turn=ledger.free(3),
        focal=ledger.free(1) if camera.lens.focal_free else None,
        lens=ledger.known(*_lens_inputs(camera)),
        clock=ledger.known(
            entered(
                owner,
                "clock",
                "clock",
                camera.clock_u_ppm,
                "ppm",
                assumed="clock" in camera.assumed,
            )
        ),
        readout=ledger.known(
            entered(
                owner,
                "read-out",
                "read-out",
                1e3 * readout_u_s,
                "ms",
                assumed=camera.readout_s is None or "readout" in camera.assumed,
                rectangular=camera.readout_s is None,
            )
        ),
        readout_s=readout_s,
        readout_u_s=readout_u_s,
    )


def _readout(camera: Camera, interval_s: float) -> tuple[float, float]:
    """Return read-out and its standard uncertainty; unknown is rectangular (GUM 4.3.7)."""
    if camera.readout_s is not None:
        return camera.readout_s, camera.readout_u_s
    most = min(interval_s, MOST_READOUT_S)
    return most / 2.0, most / np.sqrt(12.0)


LENS_SOURCES = {
    "focal length": ("focal length", "px"),
    "centre x": ("lens centre", "px"),
    "centre y": ("lens centre", "px"),
    "k1": ("distortion", "1"),
}


def _lens_inputs(camera: Camera) -> list[Input]:
    """Return an input for each column of the lens factor."""
    inputs = []
    for name, column in zip(camera.lens.names, camera.lens.factor.T, strict=True):
        source, unit = LENS_SOURCES.get(name, ("lens file", "1"))
        size = float(np.max(np.abs(column))) if source != "lens file" else 1.0
        assumed = name in camera.lens.assumed
        inputs.append(entered(f"camera {camera.name}", name, source, size, unit, assumed=assumed))
    return inputs


class Seen(NamedTuple):
    """Computed pixels (..., n, 2) and their derivatives by point and by the station's own.

    By point (..., n, 2, 3), by the turn likewise, by the k deviates of the lens (..., n, 2, k),
    by the logarithm of the focal length (..., n, 2, 1).
    """

    pixels: Floats
    by_point: Floats
    by_turn: Floats
    by_lens: Floats
    by_focal: Floats

    def whitened(self, white: Floats) -> Seen:
        """Return the same with the derivatives multiplied by `white` (n, 2, 2)."""
        return Seen(
            pixels=self.pixels,
            by_point=times(white, self.by_point),
            by_turn=times(white, self.by_turn),
            by_lens=times(white, self.by_lens),
            by_focal=times(white, self.by_focal),
        )


def times(white: Floats, rows: Floats) -> Floats:
    """Return the products (..., n, 2, k) of matrices (n, 2, 2) and (..., n, 2, k).

    Written out: for so small matrices a product of each costs more than the sums.
    """
    first, second = rows[..., 0:1, :], rows[..., 1:2, :]
    return np.asarray(white[..., 0:1] * first + white[..., 1:2] * second)


def look(station: Station, state: State, points_m: Floats) -> Seen:
    """Project points of the course frame (..., n, 3) through a station, with derivatives."""
    turn = state.turns[..., station.index, :, :]
    seen_from = (points_m - state.theta[..., None, station.position]) @ np.swapaxes(turn, -1, -2)
    lens = station.lens_at(state)
    pixels, by_camera_point, by_parameter = projection_slopes(seen_from, lens)
    return Seen(
        pixels=pixels,
        by_point=_rows_times(by_camera_point, turn),
        by_turn=_turned(seen_from, by_camera_point),
        by_lens=by_parameter @ station.camera.lens.factor,
        by_focal=np.sum(by_parameter[..., 0:2] * lens[..., None, None, 0:2], axis=-1)[..., None],
    )


def _turned(points_m: Floats, by_point: Floats) -> Floats:
    """Return the derivative (..., n, 2, 3) by a turn omega, which moves points by omega x p."""
    x, y, z = (points_m[..., None, axis] for axis in range(3))
    a, b, c = (by_point[..., axis] for axis in range(3))
    turned = np.empty_like(by_point)
    turned[..., 0], turned[..., 1], turned[..., 2] = y * c - z * b, z * a - x * c, x * b - y * a
    return turned


def _rows_times(rows: Floats, turn: Floats) -> Floats:
    """Return rows (..., n, 2, 3) times a matrix (..., 3, 3), in one product of a state."""
    flat = rows.reshape(*rows.shape[:-3], -1, 3) @ turn
    return flat.reshape(rows.shape)


def fill(rows: Floats, station: Station, seen: Seen) -> None:
    """Write the derivatives by the station's unknowns into Jacobian rows (..., n, 2, size)."""
    rows[..., station.position] = -seen.by_point
    rows[..., station.turn] = seen.by_turn
    rows[..., station.lens] = seen.by_lens
    if station.focal is not None:
        rows[..., station.focal] = seen.by_focal
