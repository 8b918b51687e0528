"""Cameras from their markers."""

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import evening
from vidspeed.errors import CalibrationError
from vidspeed.motion.calibration import calibrate_camera


def fitted(scene, index=0):
    return calibrate_camera(scene.session, scene.session.cameras[index], 1.0 / 60.0)[1]


@pytest.mark.parametrize("free_focal", [False, True])
def test_position_and_focal_length_are_as_sure_as_stated(free_focal):
    deviations = []
    for seed in range(20):
        scene = evening(seed, 1, free_focal=free_focal)
        fit = fitted(scene)
        place = (fit.pose.position_m - scene.poses[0].position_m) / fit.position_u_m
        focal = (fit.lens[0] - scene.lenses[0][0]) / fit.focal_u_px
        deviations.append([*place, focal])
    rms = np.sqrt(np.mean(np.square(deviations), axis=0))
    assert np.all((rms > 0.61) & (rms < 1.41))  # 99 % range of 20 (chi-square)


def test_check_markers_are_held_out():
    scene = evening(1, 1)
    markers = list(scene.session.markers)
    wrong = replace(markers[8], use="check", xyz_m=markers[8].xyz_m + np.array([3.0, 0.0, 0.0]))
    markers[8] = wrong
    fit = fitted(replace_session(scene, markers=tuple(markers)))
    row = next(row for row in fit.markers if row.name == "m8")
    assert row.residual_m == pytest.approx(3.0, rel=0.05)
    assert row.normalised > 10.0
    assert fit.check_rms_m == pytest.approx(row.residual_m)
    assert fit.rms_px < 2.0


def test_markers_on_one_line_are_refused_with_a_mend():
    scene = evening(3, 1)
    markers = tuple(
        replace(marker, xyz_m=np.array([8.0 * number, 0.0, 0.0]))
        for number, marker in enumerate(scene.session.markers)
    )
    with pytest.raises(CalibrationError, match=r"on one line.*add markers off the line"):
        fitted(replace_session(scene, markers=markers))


def test_markers_with_an_uncertainty_in_millimetres_are_not_said_to_stand_on_one_line():
    scene = evening(3, 1)
    markers = tuple(replace(marker, u_m=20.0) for marker in scene.session.markers)
    said = r"lie \S+ m \(RMS\) off one line and their u_m is 20 m .*u_m, which is in metres"
    with pytest.raises(CalibrationError, match=said):
        fitted(replace_session(scene, markers=markers))


def test_a_free_focal_length_on_a_plane_square_on_is_refused():
    scene = evening(4, 1, free_focal=True)
    places = np.array([[x, 0.0, z] for x in (0.0, 25.0, 55.0, 80.0) for z in (0.0, 2.0, 5.0)])
    markers, picks = [], []
    from vidspeed.geometry.lens import project

    seen = project(places, scene.poses[0], scene.lenses[0])
    for number, (place, xy) in enumerate(zip(places, seen, strict=True)):
        markers.append(replace(scene.session.markers[0], name=f"q{number}", xyz_m=place))
        picks.append(replace(scene.session.cameras[0].picks[0], name=f"q{number}", xy_px=xy + 0.3))
    camera = replace(scene.session.cameras[0], picks=tuple(picks))
    with pytest.raises(CalibrationError, match="focal_px"):
        fitted(replace_session(scene, markers=tuple(markers), cameras=(camera,)))


def replace_session(scene, **changes):
    scene.session = replace(scene.session, **changes)
    return scene
