"""Where the flight line lies in the picture, and how far from it the craft may fly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vidspeed.geometry.corridor import MORE_PX, WIDE, corridor
from vidspeed.geometry.lens import project
from vidspeed.values import Course, Craft, FlightLine, Pose

SIZE = (960, 540)
LENS = np.array([600.0, 600.0, 479.5, 269.5, 0.05, 0.0, 0.0, 0.0, 0.0])
POSE = Pose(
    camera_from_course=np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]]),
    position_m=np.array([20.0, -35.0, 2.0]),
)
LINE = FlightLine(
    offset_m=0.0, offset_u_m=0.2, height_m=4.0, height_u_m=0.3, drift_u_m=0.2, climb_u_m=0.4,
    weave_u_m=0.02, accel_u_mps2=np.array([10.0, 3.0, 3.0]),
)  # fmt: skip
COURSE = Course(length_m=40.0, length_u_m=0.01)
CRAFT = Craft(speed_mps=(40.0, 120.0))


def seen(line=LINE, pose=POSE):
    return corridor(COURSE, line, CRAFT, pose, LENS, SIZE)


def test_the_line_is_where_the_camera_equation_puts_it():
    found = seen()
    line = np.column_stack([found.x_m, np.zeros_like(found.x_m), np.full_like(found.x_m, 4.0)])
    assert np.allclose(found.middle_px, project(line, POSE, LENS))
    assert found.middle_px.min() >= 0.0 and found.middle_px[:, 0].max() <= 959.0
    assert np.ptp(np.diff(found.x_m)) < 1e-9
    assert np.linalg.norm(np.diff(found.middle_px, axis=0), axis=1) == pytest.approx(2.0, abs=0.4)


def test_the_reach_holds_the_flight_line_s_uncertainty():
    middle = int(np.argmin(np.abs(seen().x_m - 20.0)))
    height_u = np.hypot(0.3, 0.2)  # climb halves from the middle of the course to its ends
    across = WIDE * height_u * 600.0 / 35.0  # the offset is along the line of sight, nearly
    assert seen().reach_px[middle] == pytest.approx(across + MORE_PX, rel=0.03)


def test_no_corridor_without_a_flight_line_or_where_it_is_not_seen():
    assert seen(replace(LINE, stated=False)) is None
    away = replace(POSE, camera_from_course=POSE.camera_from_course * [[-1.0], [1.0], [-1.0]])
    assert seen(pose=away) is None
