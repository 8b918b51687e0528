"""A first pose from markers and picks: where the adjustment may begin.

Several closed-form solutions are tried, because a plane of markers seen obliquely has a second
pose that looks almost alike (D. Oberkampf, D. DeMenthon, L. Davis, CVIU 63 (1996) 495-511).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vidspeed.errors import CalibrationError
from vidspeed.geometry.lens import project, undistort
from vidspeed.geometry.survey import on_one_line
from vidspeed.values import Camera, Floats, Marker, Pose, Value

FOCAL_GRID = np.geomspace(0.35, 6.0, 40)  # focal lengths tried, in picture widths


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Guess(Value):
    """A pose to begin from; `focal_ratio` multiplies the lens's focal lengths; `rms_px`."""

    pose: Pose
    focal_ratio: float
    rms_px: float


def fitted_picks(camera: Camera, markers: tuple[Marker, ...]) -> tuple[list[int], Floats, Floats]:
    """Return index of the marker, picked pixels (k, 2) and u_px (k,) of the markers to fit."""
    by_name = {marker.name: index for index, marker in enumerate(markers)}
    rows = [
        (by_name[pick.name], pick.xy_px, pick.u_px)
        for pick in camera.picks
        if markers[by_name[pick.name]].use == "fit"
    ]
    index = [row[0] for row in rows]
    xy_px = np.array([row[1] for row in rows]).reshape(-1, 2)
    return index, xy_px, np.array([row[2] for row in rows])


def guesses(camera: Camera, markers: tuple[Marker, ...]) -> list[Guess]:
    """Return first poses of a camera, best first, at most four, each unlike the others.

    Raises CalibrationError where the layout cannot carry a pose.
    """
    index, xy_px, _ = fitted_picks(camera, markers)
    places = np.array([markers[i].xyz_m for i in index])
    u_m = np.array([markers[i].u_m for i in index])
    where = f'camera "{camera.name}"'
    if len(index) < 4:
        raise CalibrationError(
            f"{where}: {len(index)} markers picked, at least 4 needed; pick more"
        )
    lined = on_one_line(places, u_m)
    if lined is not None:
        raise CalibrationError(f"{where}: all {len(index)} picked markers {lined}")
    ratios = FOCAL_GRID if camera.lens.focal_free else np.ones(1)
    found: list[Guess] = []
    for ratio in ratios:
        lens = camera.lens.parameters.copy()
        lens[0:2] *= ratio
        found += [
            Guess(pose=pose, focal_ratio=float(ratio), rms_px=_rms(places, xy_px, pose, lens))
            for pose in _closed_form(places, xy_px, lens)
        ]
    found = sorted((guess for guess in found if np.isfinite(guess.rms_px)), key=lambda g: g.rms_px)
    if not found:
        raise CalibrationError(
            f"{where}: no camera position sees the markers where they were picked; "
            "compare the names in the picks with those of the markers"
        )
    return _unlike(found)[:4]


def upright(pose: Pose) -> bool:
    """Tell whether a camera does not stand on its head: whether down in its picture is down."""
    return bool(pose.camera_from_course[1, 2] < 0.0)


def _rms(places_m: Floats, xy_px: Floats, pose: Pose, lens: Floats) -> float:
    """Return the RMS distance of picks and projection; infinite where one is behind the camera."""
    error = np.linalg.norm(project(places_m, pose, lens) - xy_px, axis=1)
    return float(np.sqrt(np.mean(error**2))) if np.all(np.isfinite(error)) else float("inf")


def _unlike(found: list[Guess]) -> list[Guess]:
    """Keep the best of those that stand in about the same place."""
    kept: list[Guess] = []
    for guess in found:
        away = [
            np.linalg.norm(guess.pose.position_m - other.pose.position_m)
            / (1.0 + np.linalg.norm(other.pose.position_m))
            for other in kept
        ]
        if not away or min(away) > 0.05:
            kept.append(guess)
    return kept


def _closed_form(places_m: Floats, xy_px: Floats, lens: Floats) -> list[Pose]:
    """Return poses by OpenCV's closed-form solvers, each refined."""
    plane = undistort(xy_px, lens)
    if not np.all(np.isfinite(plane)):
        return []
    middle = places_m.mean(axis=0)
    centred = np.ascontiguousarray(places_m - middle)
    poses = []
    for method in (cv2.SOLVEPNP_SQPNP, cv2.SOLVEPNP_EPNP, cv2.SOLVEPNP_ITERATIVE):
        try:
            count, turns, shifts, _ = cv2.solvePnPGeneric(
                centred, plane[:, None, :], np.eye(3), np.zeros(5), flags=method
            )
        except cv2.error:
            continue
        for turn, shift in zip(turns[:count], shifts[:count], strict=True):
            poses += _refined(centred, plane, np.asarray(turn), np.asarray(shift), middle)
    return poses


def _refined(
    centred_m: Floats, plane: Floats, turn: Floats, shift: Floats, middle_m: Floats
) -> list[Pose]:
    if not (np.all(np.isfinite(turn)) and np.all(np.isfinite(shift))):
        return []
    try:
        fine_turn, fine_shift = cv2.solvePnPRefineLM(
            centred_m, plane[:, None, :], np.eye(3), np.zeros(5), turn.copy(), shift.copy()
        )
    except cv2.error:
        return []
    matrix = np.asarray(cv2.Rodrigues(fine_turn)[0], dtype=float)
    position = -matrix.T @ np.asarray(fine_shift, dtype=float).ravel() + middle_m
    if not np.all(np.isfinite(position)):
        return []
    return [Pose(camera_from_course=matrix, position_m=position)]
