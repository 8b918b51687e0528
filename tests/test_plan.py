"""Plans: what cameras that do not stand yet would see, and where they should stand."""

import re

import numpy as np
import pytest

from tests.tiny import command
from vidspeed.assembly.forecast import relative_U95
from vidspeed.errors import VidspeedError
from vidspeed.plan import plan

COURSE = """\
[course]
length_m = 80.0
length_u_m = 0.02
markers = "markers.csv"

[flight_line]
offset_m = 0.0
offset_u_m = 2.0
height_m = 4.0
height_u_m = 2.0

[craft]
expected_kmh = 400.0
"""
CAMERA = """
[[camera]]
name = "{name}"
image_size_px = [1920, 1080]
focal_px = 1480.0
focal_u_px = 15.0
readout_ms = 12.0
rate_hz = 60.0
planned = {{position_m = [40.0, {y}, 1.7], aim_m = [40.0, 0.0, 3.0], exposure_ms = 2.0{more}}}
"""
MARKERS = """\
name,x_m,y_m,z_m,u_m,use
A1,0,0,0,0.02,fit
A2,80,0,0,0.02,fit
B1,0,0,2,0.02,fit
B2,80,0,2,0.02,fit
C1,20,5,0,0.02,fit
C2,60,6,0,0.02,fit
C3,40,-6,2,0.02,fit
C4,50,8,2,0.02,fit
"""
NORTH = {"name": "north", "y": -75.0, "more": ""}
SOUTH = {"name": "south", "y": 80.0, "more": ""}


def planned(folder, *cameras):
    (folder / "markers.csv").write_text(MARKERS, encoding="utf-8")
    text = COURSE + "".join(CAMERA.format(**row) for row in cameras)
    (folder / "session.toml").write_text(text, encoding="utf-8")
    return folder


def without(folder, pattern):
    path = folder / "session.toml"
    path.write_text(re.sub(pattern, "", path.read_text(encoding="utf-8")), encoding="utf-8")
    return folder


def test_what_a_planned_camera_would_see(tmp_path):
    found = plan(planned(tmp_path, NORTH))
    (north,) = found.prospects
    assert north.pixels_per_m[1] == pytest.approx(1480.0 / 75.0, rel=2e-3)  # f over the range
    assert north.streak_px == pytest.approx(1480.0 / 75.0 * 400.0 / 3.6 * 2e-3, rel=2e-3)
    assert north.frames == int(80.0 / (400.0 / 3.6) * 60.0) + 1
    assert north.gates_inside == (True, True)
    assert {pick.name for pick in north.camera.picks} >= {"A1", "A2", "C3"}
    assert found.pictures["north.png"].startswith(b"\x89PNG")


def test_a_camera_too_near_has_the_gates_outside(tmp_path):
    near = plan(planned(tmp_path, {**NORTH, "y": -50.0})).prospects[0]
    assert near.gates_inside == (False, False)


def test_two_planned_cameras_on_opposite_sides(tmp_path):
    one = relative_U95(plan(planned(tmp_path, NORTH)).forecast)
    both = relative_U95(plan(planned(tmp_path, NORTH, SOUTH)).forecast)
    assert both < 0.1 * one


def test_a_search_finds_a_better_place_within_its_room(tmp_path):
    room = ", from_m = [40, -80, 1.7], to_m = [40, 80, 1.7]"
    folder = planned(tmp_path, NORTH, {"name": "second", "y": -75.0, "more": room})
    before, after = plan(folder), plan(folder, optimise=True)
    assert relative_U95(after.forecast) < 0.1 * relative_U95(before.forecast)
    moved = after.prospects[1].position_m
    assert moved[1] > 40.0
    assert np.all(moved >= [40.0, -80.0, 1.7]) and np.all(moved <= [40.0, 80.0, 1.7])
    assert after.prospects[0].position_m.tolist() == [40.0, -75.0, 1.7]


def test_a_camera_that_sees_no_marker_is_told_where_to_put_some(tmp_path):
    folder = planned(tmp_path, {**NORTH, "y": -30.0})
    pegs = ["A,0,5,0", "B,0,-5,0", "C,80,5,0", "D,80,-5,0"]
    rows = [MARKERS.splitlines()[0], *(f"{peg},0.02,fit" for peg in pegs)]
    (folder / "markers.csv").write_text("\n".join(rows), encoding="utf-8")
    said = command("plan", folder)
    assert said.status == 1
    assert "what the cameras would see" in said.out
    assert said.err.splitlines()[-1] == (
        'not ready: camera "north": none of the 4 markers with use = fit would be in its picture, '
        "at least 4 are needed; put markers into its picture, which holds the course line from "
        "x = 21 to 59 m, some off the line and some on poles; or aim it elsewhere (aim_m), move "
        "it back (position_m) or zoom out (focal_px)"
    )


def test_a_camera_that_looks_past_the_course_is_told_to_be_aimed_at_it(tmp_path):
    folder = planned(tmp_path, NORTH)
    path = folder / "session.toml"
    text = path.read_text(encoding="utf-8").replace("focal_px = 1480.0", "focal_px = 3000.0")
    path.write_text(text.replace("aim_m = [40.0,", "aim_m = [-60.0,"), encoding="utf-8")
    (row,) = plan(folder).failing
    assert 'camera "north": none of the 8 markers' in row.item
    assert "nor is any of the course line: aim it at the course (aim_m)" in row.mend
    path.write_text(text.replace("aim_m = [40.0,", "aim_m = [-30.0,"), encoding="utf-8")
    (row,) = plan(folder).failing
    assert 'camera "north": 2 of the 8 markers' in row.item
    assert "aim it elsewhere (aim_m)" in row.mend


def test_a_pass_is_forecast_for_the_cameras_that_see_enough_markers(tmp_path):
    found = plan(planned(tmp_path, NORTH, {**SOUTH, "y": 20.0}))
    owners = {entry.owner for entry in found.forecast.inputs}
    assert "camera north" in owners and "camera south" not in owners
    assert [row.item.split(":")[0] for row in found.failing] == ['camera "south"']
    assert found.prospects[1].frames > 0


def test_markers_on_one_line_would_not_fix_a_planned_camera(tmp_path):
    folder = planned(tmp_path, NORTH)
    rows = [MARKERS.splitlines()[0], *(f"L{x},{x},0,0,0.02,fit" for x in (5, 20, 40, 60, 75))]
    (folder / "markers.csv").write_text("\n".join(rows), encoding="utf-8")
    found = plan(folder)
    assert found.forecast is None
    assert 'camera "north": all 5' in found.failing[0].item
    assert "stand on one line" in found.failing[0].item


def test_a_course_far_longer_than_its_markers_is_named(tmp_path):
    folder = planned(tmp_path, NORTH)
    path = folder / "session.toml"
    text = path.read_text(encoding="utf-8").replace("length_m = 80.0", "length_m = 900.0")
    path.write_text(text.replace("aim_m = [40.0, 0.0, 3.0], ", ""), encoding="utf-8")
    first = plan(folder).failing[0]
    assert "the finish gate" in first.item and "length_m = 900 m" in first.item
    assert "compare length_m with the x_m of the markers" in first.mend


def test_a_plan_without_a_focal_length_is_refused(tmp_path):
    folder = without(planned(tmp_path, NORTH), "focal.*\n")
    with pytest.raises(VidspeedError, match="focal_px or a lens file is needed to plan"):
        plan(folder)


def test_a_search_without_a_room_is_refused_with_the_keys_to_state(tmp_path):
    said = command("plan", planned(tmp_path, NORTH, SOUTH), "--optimise")
    assert said.status == 1
    assert "no camera states from_m and to_m in planned" in said.err
    assert "for example from_m = [0.0, -80.0, 1.0], to_m = [80.0, -40.0, 4.0]" in said.err


def test_a_room_that_is_turned_round_is_refused(tmp_path):
    wrong = {**NORTH, "more": ", from_m = [40, -60, 1.7], to_m = [40, -80, 1.7]"}
    with pytest.raises(VidspeedError, match="each of from_m must be the lower"):
        plan(planned(tmp_path, wrong))


def test_a_camera_without_picks_or_plan_is_refused(tmp_path):
    folder = without(planned(tmp_path, NORTH), "planned.*\n")
    with pytest.raises(VidspeedError, match="picks is missing"):
        plan(folder)


def test_a_planned_exposure_longer_than_from_frame_to_frame_is_refused(tmp_path):
    folder = planned(tmp_path, NORTH)
    text = (folder / "session.toml").read_text(encoding="utf-8").replace("= 2.0}", "= 350.0}")
    (folder / "session.toml").write_text(text, encoding="utf-8")
    with pytest.raises(
        VidspeedError, match=r'"north": planned: exposure_ms is 350, at most .* 2\.86'
    ):
        plan(folder)
