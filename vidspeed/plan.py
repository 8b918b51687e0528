"""Forecast: the solver on lights that do not exist yet.

Lights are put where a craft on the flight line at the expected speed would be seen, without
noise, and solved by the very functions that measure a pass. What is forecast is therefore what a
pass would get, budget and all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidspeed.errors import VidspeedError
from vidspeed.geometry.aim import aimed, inside
from vidspeed.geometry.lens import project
from vidspeed.motion.choose import Seen, solve_tracks
from vidspeed.motion.stand import Stand
from vidspeed.motion.start import FALLBACK_HEIGHT_M
from vidspeed.values import (
    Camera,
    Clip,
    FlightLine,
    Floats,
    PassResult,
    Pick,
    Pose,
    Session,
    Track,
    Value,
)

LIGHT_U_PX = 0.3  # what a clear light in an ordinary clip is located to, each coordinate
BEYOND = 0.3  # parts of the course that the craft is seen before the start and after the finish
BETTER_LINE_M = 0.1  # the flight line that advice tries: flown along a taut string or between poles


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Advice(Value):
    """A change, and the U95 over speed that a pass would get with it (None: cannot be solved)."""

    change: str
    relative_U95: float | None


def expected_speed_mps(session: Session) -> float:
    """Return the speed to forecast for: as stated, or the middle of the craft's range."""
    low, high = session.craft.speed_mps
    return session.craft.expected_mps or (low + high) / 2.0


def forecast(session: Session, stands: Sequence[Stand]) -> PassResult:
    """Return the result that a pass at the expected speed would get from these cameras.

    Raises MotionError where the lights would not fix a flight, or none would be seen.
    """
    seen, tracks = [], []
    for stand in stands:
        track = _lights(session, stand)
        if len(track) < 4:
            continue
        clip = Clip(file=f"{stand.camera.name} (forecast)", camera=stand.camera.name)
        seen.append(Seen(clip=clip, stand=stand, tracks=(track,)))
        tracks.append(track)
    if not seen:
        raise VidspeedError(
            "no camera sees the flight line between the gates; aim at the middle of the course, "
            "move back or zoom out"
        )
    return solve_tracks(session, seen, tracks, "forecast")


def line_place(session: Session) -> tuple[float, float]:
    """Return y and z of the flight line, a low one down the middle where none is stated."""
    line = session.flight_line
    return (line.offset_m, line.height_m) if line.stated else (0.0, FALLBACK_HEIGHT_M)


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
    unknown = np.full(count, np.nan)
    return Track(
        frame=np.flatnonzero(there),
        time_s=time[there] - readout * row,
        xy_px=xy_px[there],
        cov_px2=np.tile(LIGHT_U_PX**2 * np.eye(2), (count, 1, 1)),
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
    return min(stand.interval_s, 0.035) / 2.0


def relative_U95(result: PassResult) -> float:
    """Return U95 over the speed."""
    assert result.speed_mps is not None and result.speed_U95_mps is not None
    return result.speed_U95_mps / result.speed_mps


def advice(session: Session, stands: Sequence[Stand]) -> tuple[Advice, ...]:
    """Return what single changes would bring, best first: solved, not looked up in a rule."""
    rows = []
    if len(stands) > 1:
        rows += [
            _tried(f'camera "{stand.camera.name}" alone', session, [stand]) for stand in stands
        ]
    for change, position_m in _second_places(session, stands[0]):
        other = _imagined(session, stands[0], position_m)
        what = "a second camera" if len(stands) == 1 else f'"{stands[0].camera.name}" and one'
        rows.append(_tried(f"{what} {change}", session, [stands[0], other]))
    if session.flight_line.stated and _loose(session.flight_line):
        line = session.flight_line
        better = replace(
            line,
            offset_u_m=min(line.offset_u_m, BETTER_LINE_M),
            height_u_m=min(line.height_u_m, BETTER_LINE_M),
            offset_shared_u_m=None,
            height_shared_u_m=None,
        )
        change = f"flight line known to {BETTER_LINE_M:g} m, sideways and up"
        rows.append(_tried(change, replace(session, flight_line=better), stands))
    return tuple(sorted(rows, key=lambda row: row.relative_U95 or np.inf))


def _loose(line: FlightLine) -> bool:
    """Tell whether the flight line is known less well than advice could make it."""
    return max(line.offset_u_m, line.height_u_m) > BETTER_LINE_M


def _tried(change: str, session: Session, stands: Sequence[Stand]) -> Advice:
    try:
        return Advice(change=change, relative_U95=relative_U95(forecast(session, stands)))
    except VidspeedError:
        return Advice(change=change, relative_U95=None)


def _second_places(session: Session, first: Stand) -> list[tuple[str, Floats]]:
    """Return places where a camera might stand beside the first, with a name each."""
    x, y, z = first.pose.position_m
    line_y, _ = line_place(session)
    away = y - line_y
    choices = {
        "on the opposite side": np.array([x, line_y - away, z]),
        "on the same side, a third farther away": np.array([x, line_y + 4.0 * away / 3.0, z]),
        "at the same place, 4 m higher": np.array([x, y, z + 4.0]),
    }
    return [
        (f"{name}, at ({place[0]:.0f}, {place[1]:.0f}, {place[2]:.1f}) m", place)
        for name, place in choices.items()
    ]


def _imagined(session: Session, first: Stand, position_m: Floats) -> Stand:
    """Return a camera like the first one elsewhere, with the markers that it would see picked."""
    y, z = line_place(session)
    pose = aimed(position_m, np.array([session.course.length_m / 2.0, y, z]))
    lens = first.lens()
    seen = project(np.array([marker.xyz_m for marker in session.markers]), pose, lens)
    there = inside(seen, first.camera.image_size_px)
    u_px = float(np.median([pick.u_px for pick in first.camera.picks]))
    picks = tuple(
        Pick(name=marker.name, xy_px=xy_px, u_px=u_px)
        for marker, xy_px, within in zip(session.markers, seen, there, strict=True)
        if within
    )
    camera = replace(first.camera, name="second", picks=picks, position_m=None, position_u_m=None)
    return _stand_at(camera, pose, first)


def _stand_at(camera: Camera, pose: Pose, first: Stand) -> Stand:
    return Stand(
        camera=camera,
        pose=pose,
        lens_deviates=first.lens_deviates,
        focal_log=first.focal_log,
        interval_s=first.interval_s,
    )
