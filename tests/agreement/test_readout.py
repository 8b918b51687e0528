"""The rows of a rolling shutter are taken for time as the sensor read them, however it was held.

The lamp crosses the rows during the pass, so that rows counted the wrong way round, or along the
other side of the picture, would move the speed by per cents.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.clip.test_read import with_matrix
from tests.motion.flown import PLACES_M, evening, solved
from vidspeed.agreement.readout import check_readout
from vidspeed.clip.write import write_clip
from vidspeed.geometry.lens import project
from vidspeed.measure import run
from vidspeed.render.clip import render_frames
from vidspeed.render.draw import draw_world

from .small import a_camera, a_scene, filmed

READOUT_S = 0.014
RIGHT = 8e-4  # of the speed: light positions and encoding
WRONG = 8e-3  # that the wrong rows would give, at least


def crossing(rotation_deg):
    """Return a camera whose sensor the lamp crosses from row to row, shown after a turn."""
    roll = 0.0 if rotation_deg % 180 else 90.0
    return a_camera(
        image_size_px=(320, 320), readout_s=READOUT_S, rotation_deg=rotation_deg, roll_deg=roll
    )


def turned_about(result, session_readout_s=READOUT_S):
    """Return by which share of the speed rows counted backwards would be wrong, at least."""
    (seen,) = result.sightings
    row, time = seen.track.row[seen.used], seen.track.time_s[seen.used]
    rate = np.polyfit(time, row, 1)[0]
    return 2.0 * session_readout_s * abs(rate)


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
def test_every_rotation_takes_the_rows_that_were_read(tmp_path, rotation_deg):
    truth = filmed(tmp_path / "day", crossing(rotation_deg))
    (result,) = run(tmp_path / "day").passes
    assert result.status == "measured"
    assert turned_about(result) > WRONG
    assert result.speed_mps == pytest.approx(truth, rel=RIGHT)


@pytest.mark.parametrize(
    ("rotation_deg", "matrix"), [(0, (-1, 0, 0, 1)), (90, (0, 1, 1, 0))], ids=["level", "upright"]
)
def test_a_mirrored_picture_takes_the_rows_that_were_read(tmp_path, rotation_deg, matrix):
    """The file holds the picture flipped within its rows, and asks for it to be flipped back."""
    filming = crossing(rotation_deg)
    truth = filmed(tmp_path / "day", filming)
    take = draw_world(a_scene(filming)).takes[0]
    path = tmp_path / "day" / take.file()
    pictures = render_frames(filming, [take.flight], take.plan, seed=3)
    write_clip(path, (picture[:, ::-1] for picture in pictures), stamps=take.plan.stored, crf=18)
    with_matrix(path, *matrix).replace(path)
    (result,) = run(tmp_path / "day").passes
    assert result.status == "measured"
    assert turned_about(result) > WRONG
    assert result.speed_mps == pytest.approx(truth, rel=RIGHT)


def test_a_readout_that_is_not_stated_is_carried_as_a_bound(tmp_path):
    filming = replace(crossing(90), unstated=frozenset({"readout"}))
    truth = filmed(tmp_path / "day", filming)
    (result,) = run(tmp_path / "day").passes
    (row,) = [row for row in result.budget if row.source == "read-out"]
    assert row.assumed
    assert row.input_u == pytest.approx(1e3 / 60.0 / np.sqrt(12.0), rel=1e-3)  # GUM 4.3.7
    assert row.contribution_mps > 0.003 * truth
    low, high = result.interval95_mps
    assert low < truth < high


def upright(scene, index):
    """Turn a camera of a scene about its own axis, and pick anew: the lamp crosses its rows."""
    quarter = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    pose = scene.poses[index]
    pose = replace(pose, camera_from_course=quarter @ pose.camera_from_course)
    scene.poses[index] = pose
    seen = project(PLACES_M, pose, scene.lenses[index])
    entry = scene.session.cameras[index]
    picks = tuple(
        replace(pick, xy_px=xy + pick.u_px * scene.rng.standard_normal(2))
        for pick, xy in zip(entry.picks, seen, strict=True)
    )
    return with_camera(scene, index, replace(entry, picks=picks))


def with_camera(scene, index, entry):
    cameras = list(scene.session.cameras)
    cameras[index] = entry
    scene.session = replace(scene.session, cameras=tuple(cameras))
    return scene


def readouts(scene, true_s):
    """Fly with read-outs of which nothing is stated.

    Return z and how narrow each has become, and what is told of them.
    """
    for index, entry in enumerate(scene.session.cameras):
        scene = with_camera(scene, index, replace(entry, readout_s=None, readout_u_s=0.0))
    flight = solved(scene, clocks=[(true_s, 0.0)] * 2, speed_mps=120.0, around=0.6).flight
    deviates_u = np.sqrt(np.diag(flight.adjustment.covariance))
    found = []
    for station in flight.network.stations:
        share = float(deviates_u[station.readout][0])
        off = station.readout_at(flight.state) - true_s
        found.append((off / (share * station.readout_u_s), share))
    return found, check_readout(flight).detail.split("; ")


SURE = {
    "stands": ([40.0, -125.0, 1.7], [45.0, 90.0, 1.7]),
    "focal_u_px": 2.0,
    "pick_u_px": 0.2,
    "marker_u_m": 0.005,
}


def test_two_cameras_tell_a_readout_that_the_lamp_crosses():
    """One held upright, one level: the first's rows are time along the course, the other's not."""
    z, share = [], []
    for seed in range(6):
        scene = evening(60 + seed, 2, **SURE)
        (first, second), _ = readouts(upright(scene, 0), 0.013)
        z.append(first[0])
        share.append(first[1])
        assert second[1] > 0.97  # its rows hardly change: nothing tells
    assert max(share) < 0.7
    assert float(np.sqrt(np.mean(np.square(z)))) < 1.75  # 99 % of the RMS of six normal deviates


def test_two_level_cameras_tell_no_readout():
    found, told = readouts(evening(61, 2, **SURE), 0.013)
    assert min(share for _, share in found) > 0.97
    assert all("does not tell" in row for row in told)


def test_what_a_pass_tells_of_a_readout_is_said():
    _, told = readouts(upright(evening(62, 2, **SURE), 0), 0.013)
    assert told[0].startswith("n: not stated, and this pass puts it at 1") and "u " in told[0]
    assert "does not tell" in told[1]
    assert check_readout(solved(evening(63, 1)).flight) is None  # stated
