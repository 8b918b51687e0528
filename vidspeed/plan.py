"""Plan a course before the day: what planned cameras would see, and how well a pass be known.

Planned cameras get the picks that they would have, and the solver that measures a pass is asked
what it would then know. So a plan says what a session will get, budget and all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np

from vidspeed.assembly.advice import advice, markers_seen
from vidspeed.assembly.cameras import USUAL_RATE_HZ
from vidspeed.assembly.carried import beside_course, failing, far_gate, gates, too_few
from vidspeed.assembly.forecast import (
    expected_speed_mps,
    forecast,
    gates_missing,
    line_place,
    relative_U95,
)
from vidspeed.assembly.reading import read_session
from vidspeed.errors import CalibrationError, SessionError, VidspeedError
from vidspeed.geometry.aim import aimed, inside
from vidspeed.geometry.course import drawing
from vidspeed.geometry.lens import project
from vidspeed.motion.calibration import calibrate_camera
from vidspeed.motion.stand import Stand
from vidspeed.record.planview import plan_picture
from vidspeed.session.keys import keys_of
from vidspeed.values import Camera, Failing, Floats, PassResult, Plan, Prospect, Session

STEPS = (0.0, 0.25, 0.5, 0.75, 1.0)  # of the room along each axis that a search tries first
ROUNDS = 2  # halvings of that grid around the best place
WORTH_MOVING = 0.02  # a place must be better by this part before a camera is moved


def plan(folder: Path, *, optimise: bool = False) -> Plan:
    """Plan the session in `folder`; nothing is written.

    Parameters
    ----------
    optimise
        Search for the best place of every planned camera within its `from_m` and `to_m`, one
        camera after the other.

    Raises
    ------
    VidspeedError
        Where the session is wrong, a planned camera has no focal length, or a search is asked for
        and none may be moved.
    """
    session = read_session(folder)
    if optimise:
        _refuse_rooted(session)
    stands = [_stand(session, camera) for camera in session.cameras]
    if optimise:
        session, stands = _optimised(session, stands)
    able, unable = _parted(session, stands)
    amiss = _course_amiss(session, sure=not unable and not any(gates_missing(session, stands)))
    predicted, failed = _forecast(session, able)
    return Plan(
        session=session,
        prospects=tuple(_prospect(session, stand) for stand in stands),
        forecast=predicted,
        advice=advice(session, able) if able else (),
        failing=(*amiss, *unable, *failed),
        pictures={
            f"{stand.camera.name}.png": plan_picture(
                _prospect(session, stand),
                drawing(session.course, session.flight_line, stand.pose, stand.lens()),
            )
            for stand in stands
        },
    )


def _refuse_rooted(session: Session) -> None:
    """Refuse a search in a session of which no camera may be moved."""
    if any(row.planned is not None and row.planned.from_m is not None for row in session.cameras):
        return
    keys = keys_of("camera.planned")
    example = ", ".join(f"{name} = {keys[name].example}" for name in ("from_m", "to_m"))
    raise SessionError(
        "session.toml: no camera states from_m and to_m in planned, the box in which --optimise "
        f"looks for its place; state both for each that may be moved, for example {example}"
    )


def _course_amiss(session: Session, *, sure: bool) -> list[Failing]:
    """Name what of the course lies far from the markers; `sure`: cameras see gates and markers."""
    beside = beside_course(session)
    if beside is not None or sure:
        return [] if beside is None else [beside]
    found = (far_gate(session, name, x_m) for name, x_m in gates(session))
    return [row for row in found if row is not None]


def _parted(session: Session, stands: Sequence[Stand]) -> tuple[list[Stand], list[Failing]]:
    """Return the cameras that could be calibrated on the day, and why others could not."""
    able, unable = [], []
    for stand in stands:
        fault = too_few(session, stand) or _unfixed(session, stand)
        if fault is None:
            able.append(stand)
        else:
            unable.append(fault)
    return able, unable


def _unfixed(session: Session, stand: Stand) -> Failing | None:
    """Say that the markers in its picture would not fix a camera, None where they do."""
    if stand.camera.planned is None:
        return None
    try:
        calibrate_camera(session, stand.camera, stand.interval_s)
    except CalibrationError as error:
        return failing(error.messages[0])
    return None


def _forecast(session: Session, able: Sequence[Stand]) -> tuple[PassResult | None, list[Failing]]:
    if not able:
        return None, []
    try:
        return forecast(session, able), []
    except VidspeedError as error:
        return None, [failing(message) for message in error.messages]


def _stand(session: Session, camera: Camera) -> Stand:
    """Return a camera as calibrated from its picks, or as it is planned."""
    interval_s = 1.0 / (camera.rate_hz or USUAL_RATE_HZ)
    if camera.planned is None:
        return calibrate_camera(session, camera, interval_s)[0]
    if camera.lens.focal_free:
        raise SessionError(
            f'session.toml: camera "{camera.name}": focal_px or a lens file is needed to plan; '
            "state it, for example focal_px = 1480.0"
        )
    return _placed(session, camera, camera.planned.position_m, interval_s)


def _placed(session: Session, camera: Camera, position_m: Floats, interval_s: float) -> Stand:
    """Return a planned camera at a place, with the picks that it would have there."""
    assert camera.planned is not None
    y, z = line_place(session)
    aim_m = camera.planned.aim_m
    if aim_m is None:
        aim_m = np.array([session.course.length_m / 2.0, y, z])
    if np.hypot(*(aim_m - position_m)[:2]) < 0.1:
        raise CalibrationError(
            f'session.toml: camera "{camera.name}": position_m and aim_m lie above one another; '
            "a camera that looks along the ground is needed"
        )
    stand = Stand(
        camera=replace(camera, planned=replace(camera.planned, position_m=position_m)),
        pose=aimed(position_m, aim_m),
        lens_deviates=np.zeros(camera.lens.factor.shape[1]),
        focal_log=0.0,
        interval_s=interval_s,
    )
    picks = markers_seen(stand, session.markers, camera.planned.pick_u_px)
    return replace(stand, camera=replace(stand.camera, picks=picks))


def _prospect(session: Session, stand: Stand) -> Prospect:
    """Return what a camera would see of the course and of a pass."""
    length_m, speed_mps = session.course.length_m, expected_speed_mps(session)
    y, z = line_place(session)
    places = np.array([[x_m, y, z] for x_m in (0.0, length_m / 2.0, length_m)])
    seen = project(places, stand.pose, stand.lens())
    ahead = project(places + np.array([0.01, 0.0, 0.0]), stand.pose, stand.lens())
    per_m = np.linalg.norm(ahead - seen, axis=1) / 0.01
    there = inside(seen, stand.camera.image_size_px)
    x_m = np.arange(0.0, length_m, speed_mps * stand.interval_s)
    path = np.column_stack([x_m, np.full(len(x_m), y), np.full(len(x_m), z)])
    lit = inside(project(path, stand.pose, stand.lens()), stand.camera.image_size_px)
    planned = stand.camera.planned
    exposure_s = stand.interval_s / 2.0
    if planned is not None and planned.exposure_s is not None:
        exposure_s = planned.exposure_s
    return Prospect(
        camera=stand.camera,
        position_m=stand.pose.position_m,
        pixels_per_m=per_m,
        gates_inside=(bool(there[0]), bool(there[2])),
        frames=int(lit.sum()),
        streak_px=float(per_m[1] * speed_mps * exposure_s),
    )


def _optimised(session: Session, stands: Sequence[Stand]) -> tuple[Session, list[Stand]]:
    """Move each planned camera that may be moved to where a pass would be known best."""
    found = list(stands)
    for order, stand in enumerate(stands):
        planned = stand.camera.planned
        if planned is not None and planned.from_m is not None and planned.to_m is not None:
            found[order] = _best_place(session, found, order, planned.from_m, planned.to_m)
    cameras = tuple(stand.camera for stand in found)
    return replace(session, cameras=cameras), found


def _best_place(
    session: Session, stands: Sequence[Stand], order: int, low_m: Floats, high_m: Floats
) -> Stand:
    best, width = stands[order], _width(session, stands)
    limit = (1.0 - WORTH_MOVING) * width if np.isfinite(width) else np.inf
    middle, reach = (low_m + high_m) / 2.0, (high_m - low_m) / 2.0
    for _ in range(1 + ROUNDS):
        grid = np.clip(middle + np.outer(2.0 * np.array(STEPS) - 1.0, reach), low_m, high_m)
        for place in product(*(np.unique(axis) for axis in grid.T)):
            tried = _at(session, stands[order], np.array(place))
            if tried is None:
                continue
            found = _width(session, [*stands[:order], tried, *stands[order + 1 :]])
            if found < limit:
                best, limit = tried, found
        middle, reach = best.pose.position_m, reach / 2.0
    return best


def _at(session: Session, stand: Stand, position_m: Floats) -> Stand | None:
    try:
        return _placed(session, stand.camera, position_m, stand.interval_s)
    except VidspeedError:
        return None


def _width(session: Session, stands: Sequence[Stand]) -> float:
    """Return U95 over the speed, infinite where the pass would not be measured."""
    try:
        result = forecast(session, stands)
    except VidspeedError:
        return float("inf")
    return relative_U95(result) if result.status == "measured" else float("inf")
