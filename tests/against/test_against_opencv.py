"""Projection, undistortion and pose against OpenCV, a general-purpose reference library."""

import cv2
import numpy as np
import pytest

from tests.motion.flown import evening
from vidspeed.geometry.lens import project, project_camera, projection_slopes, undistort
from vidspeed.geometry.pose import guesses

LENSES = [
    [1480.0, 1480.0, 959.5, 539.5, 0.0, 0.0, 0.0, 0.0, 0.0],
    [1000.0, 1010.0, 500.0, 300.0, -0.2, 0.05, 0.002, -0.001, 0.01],
    [535.9, 535.9, 342.3, 235.6, -0.266, -0.0386, 0.00178, -0.00028, 0.238],
]
ROUND_OFF_PX = 1e-9


def camera_matrix(lens):
    return np.array([[lens[0], 0, lens[2]], [0, lens[1], lens[3]], [0, 0, 1.0]])


@pytest.mark.parametrize("lens", LENSES)
def test_projection_is_that_of_project_points(lens):
    lens = np.array(lens)
    rng = np.random.default_rng(1)
    points = rng.uniform([-1, -1, 3], [1, 1, 5], (50, 3))
    turn = np.array([0.1, -0.2, 0.3])
    shift = np.array([0.2, 0.1, 0.5])
    seen, _ = cv2.projectPoints(points, turn, shift, camera_matrix(lens), lens[4:])
    matrix = cv2.Rodrigues(turn)[0]
    ours = project_camera(points @ matrix.T + shift, lens)
    assert np.abs(ours - seen.reshape(-1, 2)).max() < ROUND_OFF_PX


@pytest.mark.parametrize("lens", LENSES)
def test_derivatives_are_those_of_project_points(lens):
    lens = np.array(lens)
    points = np.random.default_rng(2).uniform([-1, -1, 3], [1, 1, 5], (20, 3))
    _, by_point, by_lens = projection_slopes(points, lens)
    _, slopes = cv2.projectPoints(points, np.zeros(3), np.zeros(3), camera_matrix(lens), lens[4:])
    # OpenCV: turn 3, shift 3, fx, fy, cx, cy, distortion; at no turn the shift moves the point.
    assert by_point.reshape(-1, 3) == pytest.approx(slopes[:, 3:6], abs=1e-7)
    assert by_lens.reshape(-1, 9) == pytest.approx(slopes[:, 6:15], abs=1e-7)


@pytest.mark.parametrize("lens", LENSES)
def test_undistort_undoes_the_lens(lens):
    lens = np.array(lens)
    plane = np.random.default_rng(3).uniform(-0.3, 0.3, (50, 2))
    pixels = project_camera(np.column_stack([plane, np.ones(50)]), lens)
    assert undistort(pixels, lens) == pytest.approx(plane, abs=1e-12)


def test_first_pose_is_that_of_solve_pnp():
    scene = evening(seed=5, cameras=1, pick_u_px=0.0001, marker_u_m=0.0)
    camera = scene.session.cameras[0]
    best = guesses(camera, scene.session.markers)[0]
    places = np.array([marker.xyz_m for marker in scene.session.markers])
    picks = np.array([pick.xy_px for pick in camera.picks])
    lens = camera.lens.parameters
    done, turn, shift = cv2.solvePnP(places, picks, camera_matrix(lens), lens[4:])
    assert done
    matrix = cv2.Rodrigues(turn)[0]
    assert best.pose.position_m == pytest.approx((-matrix.T @ shift).ravel(), abs=2e-3)
    seen = project(places, best.pose, lens)
    theirs, _ = cv2.projectPoints(places, turn, shift, camera_matrix(lens), lens[4:])
    assert seen == pytest.approx(theirs.reshape(-1, 2), abs=0.02)
