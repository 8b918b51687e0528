"""Forecast: the solver on lights that do not exist yet.

Lights are put where a craft on the flight line at the expected speed would be seen, without
noise, and solved by the very functions that measure a pass. What is forecast is therefore what a
pass would get, budget and all.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from vidspeed.assembly.carried import gates, too_few
from vidspeed.errors import CalibrationError, VidspeedError
from vidspeed.geometry.aim import inside
from vidspeed.geometry.lens import project
from vidspeed.motion.choose import solve_tracks
from vidspeed.motion.sift import Seen
from vidspeed.motion.stand import Stand
from vidspeed.motion.start import FALLBACK_HEIGHT_M
from vidspeed.values import (
    Clip,
    PassResult,
    Session,
    Track,
)
from vidspeed.values.entered import MOST_READOUT_S

LIGHT_U_PX = 0.1  # what a clear light in an ordinary clip is located to, each coordinate
BEYOND = 0.3  # parts of the course that the craft is seen before the start and after the finish


def expected_speed_mps(session: Session) -> float:
    """Return the speed to forecast for: as stated, or the middle of the craft's range."""
    low, high = session.craft.speed_mps
    return session.craft.expected_mps or (low + high) / 2.0


def forecast(session: Session, stands: Sequence[Stand]) -> PassResult:
    """Return the result that a pass at the expected speed would get from these cameras.

    Raises MotionError where the lights would not fix a flight, or none would be seen, and
    CalibrationError where a camera has too few markers in its picture.
    """
    lacking = [row for row in (too_few(session, stand) for stand in stands) if row is not None]
    if lacking:
        raise CalibrationError(*(f"{row.item}; {row.mend}" for row in lacking))
    seen, tracks = [], []
    for stand in stands:
        track = _lights(session, stand)
        if len(track) < 4:
            continue
        seen.append(Seen(clip=forecast_clip(stand), stand=stand, tracks=(track,)))
        tracks.append(track)
    if not seen:
        raise VidspeedError(
            "no camera sees the flight line between the gates; aim at the middle of the course, "
            "move back or zoom out"
        )
    return solve_tracks(session, seen, tracks, "forecast")


def forecast_clip(stand: Stand) -> Clip:
    """Return the clip that a camera's forecast lights would be in."""
    return Clip(file=f"{stand.camera.name} (forecast)", camera=stand.camera.name)


def line_place(session: Session) -> tuple[float, float]:
    """Return y and z of the flight line, a low one down the middle where none is stated."""
    line = session.flight_line
    return (line.offset_m, line.height_m) if line.stated else (0.0, FALLBACK_HEIGHT_M)


def gates_missing(session: Session, stands: Sequence[Stand]) -> Iterator[tuple[str, float]]:
    """Yield name and x of each gate that no camera has in its picture at flying height."""
    y, z = line_place(session)
    for name, x_m in gates(session):
        place = np.array([[x_m, y, z]])
        if not any(
            inside(project(place, stand.pose, stand.lens()), stand.camera.image_size_px)[0]
            for stand in stands
        ):
            yield name, x_m


def _lights(session: Session, stand: Stand) -> Track:
    """Return the lights of a uniform pass down the flight line, as one camera would see them."""
    length_m, speed = session.course.length_m, expected_speed_mps(session)
    time = np.arange(
        -BEYOND * length_m / speed, (1.0 + BEYOND) * length_m / speed, stand.interval_s
    )
    y, z = line_place(session)
    path = np.column_stack([speed * time, np.full(len(time), y), np.full(len(time), z)])
    xy_px = project(path, stand.pose, stand.lens())
    there = inside(xy_px, stand.camera.image_size_px)
    row = xy_px[there, 1] / stand.camera.image_size_px[1]
    readout = _forecast_readout(stand)
    count = int(there.sum())
    planned = stand.camera.planned
    light_u_px = LIGHT_U_PX if planned is None else planned.light_u_px
    unknown = np.full(count, np.nan)
    return Track(
        frame=np.flatnonzero(there),
        time_s=time[there] - readout * row,
        xy_px=xy_px[there],
        cov_px2=np.tile(light_u_px**2 * np.eye(2), (count, 1, 1)),
        row=row,
        time_u_s=np.zeros(count),
        streak_px=unknown,
        streak_u_px=unknown,
        streak_angle_rad=unknown,
        peak=unknown,
        snr=unknown,
    )


def _forecast_readout(stand: Stand) -> float:
    """Return the read-out that the solver begins with, so that the forecast has no misfit."""
    if stand.camera.readout_s is not None:
        return stand.camera.readout_s
    return min(stand.interval_s, MOST_READOUT_S) / 2.0


def relative_U95(result: PassResult) -> float:
    """Return U95 over the speed."""
    assert result.speed_mps is not None and result.speed_U95_mps is not None
    return result.speed_U95_mps / result.speed_mps
