"""Where it was seen from: poses, fitted cameras and the course in their pictures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from vidspeed.values.base import Floats, Value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose(Value):
    """Where a camera stands and how it looks.

    `camera_from_course` (3, 3) turns course axes into camera axes (x right, y down, z forward);
    `position_m` (3,) is the lens in the course frame.
    """

    camera_from_course: Floats
    position_m: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Movement(Value):
    """How a picture lies against another one of the same camera, as a turned and zoomed view.

    `shift_px` (2,) at the lens centre, `turn_rad` from +x towards +y, `zoom` (1: none).
    `covariance` (4, 4) is of shift x, shift y, turn and the logarithm of the zoom. `matches`
    points of both pictures agree on it, with the RMS `rms_px` of a coordinate about it.
    """

    shift_px: Floats
    turn_rad: float
    zoom: float
    covariance: Floats
    method: Literal["features", "lamps"]
    matches: int
    rms_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem(Value):
    """A row of `problems`."""

    level: Literal["warn", "error"]
    where: str
    message: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MarkerResidual(Value):
    """What is left of one marker after the fit.

    `residual_px` (2,) is picked less re-projected; `residual_m` its size on the ground (across
    the line of sight at the marker); `normalised` is the largest coordinate over its own
    standard uncertainty, `u_px` (2,) those of both.
    """

    name: str
    use: Literal["fit", "check"]
    picked_px: Floats
    projected_px: Floats
    residual_px: Floats
    residual_m: float
    u_m: float  # standard uncertainty of residual_m's larger direction
    normalised: float
    u_px: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CameraFit(Value):
    """A calibrated camera: best estimate, and what is left of each marker.

    `check_rms_m` and `check_rms_of_u` are root mean squares over the check markers: of their
    distance on the ground, and of their coordinates over their own standard uncertainties. None
    where no check marker is picked.
    """

    camera: str
    pose: Pose
    lens: Floats  # (9,) fitted parameters
    position_u_m: Floats  # (3,)
    focal_u_px: float
    rms_px: float
    check_rms_m: float | None
    markers: tuple[MarkerResidual, ...]
    problems: tuple[Problem, ...]
    check_rms_of_u: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CourseDrawing(Value):
    """The course as one camera sees it, in pixels, so that a figure needs no geometry.

    Each line is (n, 2), NaN where it is behind the camera. `gates_px` are the outlines of the start
    gate and of the finish gate: up one post, across above the flight line, down the other.
    """

    course_line_px: Floats
    flight_line_px: Floats
    gates_px: tuple[Floats, Floats]
