"""How long each light of a solved pass was exposed, from its streak and how fast it moved.

The lamp draws a streak while the shutter is open. The solved flight says how fast the lamp moved
in the picture there, perspective included; whether it was near and slow or far and fast does not
matter, since only pixels and the clip's own seconds take part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.geometry.lens import project
from vidspeed.motion.flight import Flight, light_times
from vidspeed.values import Floats, Value

HALF_STEP_S = 1e-5  # for the lamp's speed in the picture, by differences


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Streaks(Value):
    """The used lights of one clip of a pass, n of them, as streaks.

    `time_s` (n,) are the stamps, `length_px` and `length_u_px` (n,) the streaks, NaN where a
    light is a point. `speed_px_s` (n,) is how fast the lamp moved in the picture, by the clip's
    clock, `held` (n,) the share of a streak's duration for which a row is exposed: 1 with a
    global shutter, less where the lamp moves with the read-out. `interval_s` is the time between
    frames.
    """

    clip: str
    camera: str
    time_s: Floats
    length_px: Floats
    length_u_px: Floats
    speed_px_s: Floats
    held: Floats
    interval_s: float


def streaks(flight: Flight, order: int) -> Streaks:
    """Return the used lights of a clip of a solved pass as streaks."""
    lit, used = flight.lit[order], flight.used[order]
    track = lit.track
    station = flight.network.stations[flight.network.traverses[0].clips[order].station]
    velocity = picture_velocity(flight, order)[used]
    row = track.row[used]
    rate = _row_rate(track.time_s[used], row)
    interval_s = track.interval_s
    if interval_s is None:
        steps = np.diff(track.time_s) / np.maximum(np.diff(track.frame), 1)
        interval_s = float(np.median(steps))
    return Streaks(
        clip=lit.clip,
        camera=lit.stand.camera.name,
        time_s=track.time_s[used],
        length_px=track.streak_px[used],
        length_u_px=track.streak_u_px[used],
        speed_px_s=np.linalg.norm(velocity, axis=1) * station.clock_scale(flight.state),
        held=1.0 - station.readout_at(flight.state) * rate,
        interval_s=interval_s,
    )


def picture_velocity(flight: Flight, order: int) -> Floats:
    """Return how the lamp moves in the picture (n, 2), px/s, at all lights of a clip."""
    traverse = flight.network.traverses[0]
    station = flight.network.stations[traverse.clips[order].station]
    pose, lens = station.pose(flight.state), station.lens_at(flight.state)
    time = light_times(flight, order)
    after, before = (
        project(traverse.smooth(flight.state, time + step), pose, lens)
        for step in (HALF_STEP_S, -HALF_STEP_S)
    )
    return np.asarray((after - before) / (2.0 * HALF_STEP_S))


def _row_rate(time_s: Floats, row: Floats) -> Floats:
    """Return how fast the lights move through the read-out's rows (n,), pictures a second."""
    degree = 3 if len(row) >= 4 * 3 else 1
    centre, span = float(time_s.mean()), max(float(np.ptp(time_s)), 1e-9)
    smooth = np.polynomial.Polynomial.fit((time_s - centre) / span, row, degree)
    return np.asarray(smooth.deriv()((time_s - centre) / span) / span)
