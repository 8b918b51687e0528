"""One mistake in what was written is named as such, and what is no such mistake is not."""

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import LENGTH_M, evening
from vidspeed.errors import CalibrationError
from vidspeed.motion.calibration import calibrate_camera
from vidspeed.motion.doubtful import doubtful

INTERVAL_S = 1.0 / 60.0
FLAT = [1.0, 1.0, 0.05]
MIRRORED = "with x_m counted from the other gate or y_m of the other sign everything fits"
WRITTEN = {
    "x and y exchanged": (lambda x, y, z: (y, x, z), "with x_m and y_m exchanged everything fits"),
    "y to the right": (lambda x, y, z: (x, -y, z), MIRRORED),
    "x from the finish": (lambda x, y, z: (LENGTH_M - x, y, z), MIRRORED),
    "z downwards": (lambda x, y, z: (x, y, -z), "with z_m of the other sign everything fits"),
    "heights in centimetres": (lambda x, y, z: (x, y, 100.0 * z), "with z_m in centimetres"),
    "y in feet": (lambda x, y, z: (x, y / 0.3048, z), "with y_m in feet everything fits"),
}


def named(session):
    """Return all that is said of the first camera of a session, by itself."""
    try:
        stand, _ = calibrate_camera(session, session.cameras[0], INTERVAL_S)
    except CalibrationError as error:
        return str(error)
    return "\n".join(problem.message for problem in doubtful(session, [stand]))


def written(session, how):
    """Return the session with its markers written in another way."""
    markers = tuple(replace(row, xyz_m=np.array(how(*row.xyz_m))) for row in session.markers)
    return replace(session, markers=markers)


@pytest.mark.parametrize("case", WRITTEN)
def test_coordinates_written_wrongly_are_named(case):
    how, words = WRITTEN[case]
    said = named(written(evening(1, 1).session, how))
    assert f"the markers' coordinates look wrong: {words}" in said
    assert len(said.splitlines()) == 1


@pytest.mark.parametrize("focal_px", [26.0, 600.0, 3000.0])
def test_a_wrong_focal_length_is_named_and_no_marker_for_it(focal_px):
    session = evening(1, 1).session
    camera = session.cameras[0]
    parameters = camera.lens.parameters.copy()
    parameters[:2] = focal_px
    camera = replace(camera, lens=replace(camera.lens, parameters=parameters))
    said = named(replace(session, cameras=(camera,)))
    assert f"focal_px looks wrong: it is {focal_px:g}, with 14" in said
    assert "marker" not in said


def test_mirrored_markers_in_a_plane_put_the_camera_on_its_head_and_are_named(monkeypatch):
    monkeypatch.setattr("tests.motion.flown.PLACES_M", flat_places())
    session = evening(1, 1).session
    assert named(session) == ""
    assert MIRRORED in named(written(session, lambda x, y, z: (x, -y, z)))


def test_one_wrong_marker_of_a_plane_is_not_called_a_column_in_another_unit(monkeypatch):
    places = flat_places()[:6]
    monkeypatch.setattr("tests.motion.flown.PLACES_M", places)
    session = evening(0, 1).session
    raised = replace(session.markers[4], xyz_m=session.markers[4].xyz_m + np.array([0.0, 0.0, 1.0]))
    markers = (*session.markers[:4], raised, *session.markers[5:])
    said = named(replace(session, markers=markers))
    assert 'marker "m4"' in said and "look wrong" not in said


def flat_places():
    from tests.motion.flown import PLACES_M

    return PLACES_M * FLAT
