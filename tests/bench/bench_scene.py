"""What a bench case is made of: cameras, markers, the drawn truth and what the session states."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from bench_truth import Floats, TruePath

from vidspeed.geometry.lens import project
from vidspeed.values import Pose


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueCamera:
    """One camera as it truly is, and the noise of its lights."""

    name: str
    placement: str
    size_px: tuple[int, int]
    pose: Pose
    lens: Floats  # (9,) in the order of OpenCV
    rate_hz: float
    readout_s: float
    clock_scale: float  # true seconds for a second of the camera's clock
    exposure_s: float
    across_px: float  # standard deviation of a light across its motion
    along_px: float  # ... and along it
    noise: str  # of its lights: "measured", or "normal" with the three figures around this one
    understated: float  # the stated u is the true one over this
    dropped: float  # share of the lights that are missing
    stamp_base_s: float  # stamps are multiples of this; 0: exact

    def see(self, course_m: Floats) -> Floats:
        """Return the pixels (n, 2) of points of the course frame (n, 3).

        NaN where a point is not in front, or so far off the axis that only a lens model folded
        over could put it into the picture.
        """
        xy = project(course_m, self.pose, self.lens)
        seen = (course_m - self.pose.position_m) @ self.pose.camera_from_course.T
        radius = np.linalg.norm(seen[:, :2], axis=1) / np.maximum(seen[:, 2], 1e-9)
        xy[radius > 1.25 * self.corner] = np.nan
        return xy

    @property
    def corner(self) -> float:
        """Return how far off the axis a corner of the picture is, tangent units."""
        return float(np.hypot(*self.size_px)) / 2.0 / float(self.lens[0])

    def inside(self, xy_px: Floats, border_px: float = 3.0) -> Any:
        """Return which pixels (n,) lie in the picture, a border kept free."""
        width, height = self.size_px
        limit = np.array([width - 1.0, height - 1.0]) - border_px
        return np.all((xy_px >= border_px) & (xy_px <= limit), axis=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One simulated session: `stated` is what its files will say, the rest is the truth.

    `stated` holds the tables of session.toml as plain dictionaries in the order in which they
    are written, `markers` and `picks` the rows of the CSV files, `lens_files` the lens files.
    """

    name: str
    regime: str
    kind: str
    tags: tuple[str, ...]
    cameras: tuple[TrueCamera, ...]
    paths: tuple[TruePath, ...]
    starts_s: Floats  # (passes, cameras): camera's clock at the craft's tau = 0
    lamp_m: Floats  # (passes, cameras, 2): where each camera sees the light, y and z
    stated: dict[str, Any]
    true_markers: list[Floats]
    markers: list[tuple[str, Floats, float, str]]
    picks: dict[str, list[tuple[str, Floats, float | None]]]
    lens_files: dict[str, dict[str, Any]] = field(default_factory=dict)
    one_clip: bool = False  # one clip of each camera holds all passes
    line_part: float = 0.0  # of the variance of the flight line: common to all passes


def look(position_m: Floats, target_m: Floats, roll_rad: float) -> Pose:
    """Return the pose of a camera that looks from one point at another, rolled about its axis."""
    forward = target_m - position_m
    forward = forward / np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right = right / np.linalg.norm(right)
    down = np.cross(forward, right)
    c, s = np.cos(roll_rad), np.sin(roll_rad)
    return Pose(
        camera_from_course=np.stack([c * right + s * down, c * down - s * right, forward]),
        position_m=position_m,
    )


def frame_course(
    position_m: Floats, points_m: Floats, size_px: tuple[int, int], roll_rad: float, fill: float
) -> tuple[Pose, float] | None:
    """Aim a camera and choose its focal length (pixels) so that all points are in the picture.

    `fill` is the share of the picture that they take. None where a point is not in front.
    """
    target = points_m.mean(axis=0)
    half = np.array(size_px) / 2.0
    for _ in range(8):
        pose = look(position_m, target, roll_rad)
        seen = (points_m - position_m) @ pose.camera_from_course.T
        if np.any(seen[:, 2] < 1.0):
            return None
        plane = seen[:, :2] / seen[:, 2:]
        low, high = plane.min(axis=0), plane.max(axis=0)
        middle = np.append((low + high) / 2.0, 1.0)
        target = position_m + 50.0 * middle @ pose.camera_from_course
    focal = fill * float(np.min(half / np.maximum((high - low) / 2.0, 1e-6)))
    return pose, focal


def sees_all(camera: TrueCamera, points_m: Floats, border_px: float) -> bool:
    """Say whether all points are in the picture and the lens does not fold over before its edge."""
    r2 = np.linspace(0.0, (1.25 * camera.corner) ** 2, 40)
    k1, k2, k3 = camera.lens[[4, 5, 8]]
    slope = 1.0 + r2 * (3.0 * k1 + r2 * (5.0 * k2 + 7.0 * k3 * r2))
    if slope.min() < 0.25:
        return False
    xy = camera.see(points_m)
    return bool(np.all(np.isfinite(xy)) and np.all(camera.inside(xy, border_px)))


def chart_covariance(rng: np.random.Generator, size_px: tuple[int, int], lens: Floats) -> Floats:
    """Return the covariance (9, 9) that a lens calibration from a flat chart would give.

    A dozen views of a 9 x 6 chart, corners to 0.15 px; the poses are taken out.
    """
    grid = np.stack(np.meshgrid(np.arange(9) - 4.0, np.arange(6) - 2.5), axis=-1).reshape(-1, 2)
    board = np.column_stack([0.12 * grid, np.zeros(len(grid))])
    width = size_px[0] / lens[0]
    information = np.zeros((9, 9))
    for _ in range(12):
        spread = 0.96 / width
        shift = np.array([*rng.uniform(-0.3, 0.3, 2) * width * spread, spread * 1.3])
        tilt = rng.uniform(-0.6, 0.6, 3)
        slopes = _chart_slopes(board, np.concatenate([tilt, shift]), lens)
        by_lens, by_pose = slopes[:, :9], slopes[:, 9:]
        left = by_lens - by_pose @ np.linalg.lstsq(by_pose, by_lens, rcond=None)[0]
        information += left.T @ left / 0.15**2
    prior = np.diag(1.0 / np.array([100, 100, 100, 100, 1, 1, 0.1, 0.1, 1.0]) ** 2)
    return np.linalg.inv(information + prior)


def _chart_slopes(board: Floats, pose6: Floats, lens: Floats) -> Floats:
    """Return the derivatives of the chart's pixels by the lens (9) and the pose (6)."""
    unknown = np.concatenate([lens, pose6])
    step = np.concatenate([[1e-2] * 4, [1e-5] * 5, [1e-6] * 6])

    def pixels(value: Floats) -> Floats:
        axes = turn(value[9:12])
        pose = Pose(camera_from_course=axes, position_m=-axes.T @ value[12:15])
        return project(board, pose, value[:9]).ravel()

    columns = []
    for index in range(15):
        delta = np.zeros(15)
        delta[index] = step[index]
        columns.append((pixels(unknown + delta) - pixels(unknown - delta)) / (2 * step[index]))
    return np.stack(columns, axis=1)


def turn(vector: Floats) -> Floats:
    """Return the rotation matrix of a rotation vector (Rodrigues' formula)."""
    angle = float(np.linalg.norm(vector))
    if angle < 1e-12:
        return np.eye(3)
    x, y, z = vector / angle
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross
