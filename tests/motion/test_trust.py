"""Which wrong marker or pick is named, and what an unnamed one does to a speed."""

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import PLACES_M, evening
from vidspeed.assembly.forecast import _lights, forecast
from vidspeed.errors import CalibrationError
from vidspeed.geometry.lens import project
from vidspeed.motion.calibration import calibrate_camera
from vidspeed.motion.choose import solve_tracks
from vidspeed.motion.doubtful import doubtful
from vidspeed.motion.sift import Seen
from vidspeed.motion.trust import trust
from vidspeed.values import Clip


def stands_of(session):
    return [calibrate_camera(session, camera, 1.0 / 60.0)[0] for camera in session.cameras]


def with_pick(session, camera, marker, by_px):
    """Return the session with one pick moved."""
    cameras = list(session.cameras)
    picks = list(cameras[camera].picks)
    at = next(number for number, pick in enumerate(picks) if pick.name == marker)
    picks[at] = replace(picks[at], xy_px=picks[at].xy_px + np.asarray(by_px, float))
    cameras[camera] = replace(cameras[camera], picks=tuple(picks))
    return replace(session, cameras=tuple(cameras))


def with_marker(session, marker, by_m):
    """Return the session with one marker surveyed elsewhere."""
    return replace(
        session,
        markers=tuple(
            replace(row, xyz_m=row.xyz_m + np.asarray(by_m, float)) if row.name == marker else row
            for row in session.markers
        ),
    )


def exact(cameras=2):
    """Return a session whose stated figures are all true, so that errors can be put in alone."""
    scene = evening(1, cameras)
    markers = tuple(
        replace(row, xyz_m=place)
        for row, place in zip(scene.session.markers, PLACES_M, strict=True)
    )
    entries = []
    for camera, pose, lens in zip(scene.session.cameras, scene.poses, scene.lenses, strict=True):
        picks = tuple(
            replace(pick, xy_px=xy)
            for pick, xy in zip(camera.picks, project(PLACES_M, pose, lens), strict=True)
        )
        entries.append(replace(camera, picks=picks, lens=replace(camera.lens, parameters=lens)))
    return replace(scene.session, markers=markers, cameras=tuple(entries))


def row_of(rows, what, marker, axis, camera=None):
    (row,) = [
        row
        for row in rows
        if (row.what, row.marker, row.axis, row.camera) == (what, marker, axis, camera)
    ]
    return row


def test_an_error_of_the_printed_size_lies_as_far_off_as_it_should():
    session = exact()
    rows = trust(session, stands_of(session))
    assert max(abs(row.normalised or 0.0) for row in rows) < 1e-3
    marker = row_of(rows, "marker", "m5", "x")
    pick = row_of(rows, "pick", "m2", "down", "s")
    moved = with_marker(session, "m5", [-marker.detectable, 0.0, 0.0])
    shifted = with_pick(session, 1, "m2", [0.0, pick.detectable])
    far = row_of(trust(moved, stands_of(moved)), "marker", "m5", "x").normalised
    low = row_of(trust(shifted, stands_of(shifted)), "pick", "m2", "down", "s").normalised
    assert far == pytest.approx(low, rel=0.05)
    assert far == pytest.approx(5.2, abs=0.3)  # a bound of about 3.5, and 1.645 for 95 %


def test_what_an_unnamed_error_does_is_what_the_solver_does_with_it():
    session = exact()
    stands = stands_of(session)
    clean = forecast(session, stands)
    row = row_of(trust(session, stands, clean), "marker", "m0", "x")
    moved = with_marker(session, "m0", [-row.detectable, 0.0, 0.0])
    tracks = [_lights(session, stand) for stand in stands]  # those of the true session
    seen = [
        Seen(
            clip=Clip(file=f"{stand.camera.name}.mp4", camera=stand.camera.name),
            stand=stand,
            tracks=(track,),
        )
        for stand, track in zip(stands_of(moved), tracks, strict=True)
    ]
    wrong = solve_tracks(moved, seen, tracks, "1")
    assert wrong.speed_mps - clean.speed_mps == pytest.approx(row.speed_mps, rel=0.15)


def test_with_one_camera_nothing_checks_a_marker_along_the_line_of_sight():
    session = exact(1)
    rows = trust(session, stands_of(session))
    assert row_of(rows, "marker", "m4", "y").detectable is None
    assert row_of(rows, "marker", "m4", "z").detectable is not None


def test_check_markers_are_tested_and_do_nothing_to_a_speed():
    session = exact()
    markers = tuple(
        replace(row, use="check") if row.name == "m8" else row for row in session.markers
    )
    session = replace(session, markers=markers)
    stands = stands_of(session)
    rows = [row for row in trust(session, stands, forecast(session, stands)) if row.marker == "m8"]
    assert rows and all(row.held_out and row.speed_mps in (0.0, None) for row in rows)
    moved = with_marker(session, "m8", [0.6, 0.0, 0.0])
    assert any(row.named and row.held_out for row in trust(moved, stands_of(moved)))


def test_sound_sessions_seldom_raise_an_alarm():
    alarms = 0
    for seed in range(30):
        session = evening(seed, 2).session
        alarms += bool(doubtful(session, stands_of(session)))
    assert alarms <= 5  # 5 % or less of 30: more than 5 has probability 0.003


def test_a_marker_picked_wrongly_is_named():
    session = with_pick(evening(2, 1).session, 0, "m4", [12.0, 0.0])
    (problem,) = doubtful(session, stands_of(session))
    assert problem.message.startswith('marker "m4" lies')
    assert 'its pick in camera "n"' in problem.message and "would be named" in problem.message


def test_a_marker_surveyed_wrongly_is_named_as_such_with_two_cameras():
    session = with_marker(evening(2, 2).session, "m5", [0.4, 0.0, 0.0])
    (problem,) = doubtful(session, stands_of(session))
    assert problem.message.startswith('marker "m5" lies')
    assert "its survey" in problem.message and "its pick" not in problem.message


@pytest.mark.parametrize("pair", [("m4", "m7"), ("m0", "m1")])
def test_two_exchanged_picks_are_named(pair):
    session = evening(2, 1).session
    camera = session.cameras[0]
    other = {pair[0]: pair[1], pair[1]: pair[0]}
    picks = tuple(replace(pick, name=other.get(pick.name, pick.name)) for pick in camera.picks)
    session = replace(session, cameras=(replace(camera, picks=picks),))
    try:
        (problem,) = doubtful(session, stands_of(session))
        message = problem.message
    except CalibrationError as error:
        message = str(error)
    assert "look exchanged" in message and all(f'"{name}"' in message for name in pair)


def test_a_marker_surveyed_to_a_millimetre_is_checked_by_its_picks_all_the_same():
    session = exact()
    fine = tuple(replace(row, u_m=0.001) for row in session.markers)
    rows = trust(replace(session, markers=fine), stands_of(session))
    assert row_of(rows, "marker", "m0", "x").detectable < 0.4
    moved = with_marker(replace(session, markers=fine), "m0", [0.5, 0.0, 0.0])
    assert any(row.named and row.marker == "m0" for row in trust(moved, stands_of(moved)))
