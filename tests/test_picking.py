"""Picks without clicking, through the command: boards by day, lamps after dark."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.geometry.charted import developed, paint, sheet
from tests.session.good import SESSION
from tests.tiny import invoked
from vidspeed.errors import SessionError
from vidspeed.geometry.aim import aimed
from vidspeed.geometry.chart import runs
from vidspeed.geometry.codes import cells
from vidspeed.geometry.lens import project
from vidspeed.picking import pick_boards
from vidspeed.session.tables import read_picks

SIZE = (1280, 720)
LENS = np.array([800.0, 800.0, 639.5, 359.5, 0.0, 0.0, 0.0, 0.0, 0.0])
POSE = aimed(np.array([18.0, -32.0, 1.7]), np.array([22.0, 0.0, 1.5]))
PLACES = {"A1": (2.0, -5.0, 0.8), "A2": (38.0, -5.5, 1.2), "A3": (0.0, 6.0, 0.9), "A4": (40, 7, 2),
          "A5": (21.0, 2.0, 3.0), "A6": (12.0, -3.0, 0.7), "C1": (30.0, 3.0, 1.0)}  # fmt: skip
SIDE_M = 0.9
LAMP_U_PX = 0.03  # of a round lamp; what a coder does to it is seen in its halves


@pytest.fixture
def folder(tmp_path):
    text = SESSION.replace("1920, 1080", "1280, 720").replace("80.0", "40.0", 1)
    text = text.replace("1480.0", "800.0").replace("[959.5, 539.5]", "[639.5, 359.5]")
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    rows = [
        f"{name},{x},{y},{z},0.02,{'check' if name[0] == 'C' else 'fit'},{number}"
        for number, (name, (x, y, z)) in enumerate(PLACES.items())
    ]
    lines = ["name,x_m,y_m,z_m,u_m,use,board", *rows, ""]
    (tmp_path / "markers.csv").write_text("\n".join(lines), encoding="utf-8")
    return tmp_path


def truth():
    return dict(zip(PLACES, project(np.array(list(PLACES.values())), POSE, LENS), strict=True))


def still(folder, picture):
    path = folder / "still.png"
    path.write_bytes(cv2.imencode(".png", picture)[1].tobytes())
    return path


def by_day():
    signal = np.full(SIZE[::-1], 0.25)
    for number, place in enumerate(PLACES.values()):
        dark = cells("4x4_50", number)
        cell = SIDE_M / len(dark)
        bitmap = sheet(runs(dark) * cell, (SIDE_M, SIDE_M), 24 / cell, cell)
        axes = POSE.camera_from_course @ np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]]).T
        middle = POSE.camera_from_course @ (np.array(place) - POSE.position_m)
        shift = middle - axes[:, :2] @ np.array([SIDE_M / 2, SIDE_M / 2])
        paint(signal, bitmap, 24 / cell, np.array([-cell, -cell]), axes, shift, LENS, 0.7)
    return developed(signal, np.random.default_rng(1), 2.0)


def after_dark(extra=((200.0, 300.0), (900.0, 420.0))):
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    signal = np.full(SIZE[::-1], 0.002)
    for px, py in [*truth().values(), *extra]:
        signal += 0.5 * np.exp(-((x - px) ** 2 + (y - py) ** 2) / (2 * 1.2**2))
    return developed(signal, np.random.default_rng(2), 1.5)


def run(*words):
    return invoked([str(word) for word in words])


def held_to_truth(path, most_u_px=0.1):
    picks = read_picks(path)
    for pick in picks:
        assert np.abs(pick.xy_px - truth()[pick.name]).max() < 5.0 * pick.u_px, pick.name
        assert pick.u_px < most_u_px, pick.name
    return picks


def test_boards_are_picked_by_day(folder):
    done = run("picks", folder, "north", still(folder, by_day()))
    assert done.exit_code == 0, done.output
    assert {pick.name for pick in held_to_truth(folder / "picks-north.csv")} >= set(PLACES) - {"A3"}


def test_lamps_are_picked_after_dark_and_named_by_geometry(folder):
    path = still(folder, after_dark())
    done = run("picks", folder, "north", path, "--lamps")
    assert done.exit_code == 0, done.output
    assert len(held_to_truth(folder / "picks-north.csv", LAMP_U_PX)) == len(PLACES)
    assert "the camera then stands at about (1" in done.output
    done = run("picks", folder, "north", path, "--lamps")  # now from the picks that are there
    assert done.exit_code == 1
    assert "holds 7 picks already and was left as it is; say --replace" in done.output
    done = run("picks", folder, "north", path, "--lamps", "--replace")
    assert done.exit_code == 0, done.output
    assert len(held_to_truth(folder / "picks-north.csv", LAMP_U_PX)) == len(PLACES)


def test_a_board_on_two_markers_is_refused(folder):
    dark = still(folder, np.full(SIZE[::-1], 12, np.uint8))
    with pytest.raises(SessionError, match="board 1 stands on two markers, 'A1' and 'A2'"):
        pick_boards(folder, "north", dark, codes={"A1": 1, "A2": 1})


def test_what_cannot_be_picked_is_said(folder):
    dark = still(folder, np.full(SIZE[::-1], 12, np.uint8))
    for words, message, *status in (
        (("north", dark), "none of the 7 coded boards is seen"),
        (("north", dark, "--lamps"), "0 lights are seen, at least 4"),
        (("south", dark), 'no camera is named "south"; there is "north"'),
        (("north", dark, "--codes", "B9=1"), "no marker is named 'B9'"),
        (("north", dark, "--codes", "A1=1,A2=1"), "each number is named once", 2),
        (("north", dark, "--codes", "A1"), "A1=0,A2=1 or the like", 2),
        (("north", dark, "--family", "5x5"), "no family of codes", 2),
        (("north", folder / "markers.csv"), "this is not a picture"),
    ):
        done = run("picks", folder, *words)
        assert (done.exit_code, message in done.output) == (*(status or [1]), True), done.output
    assert not (folder / "picks-north.csv").exists()
    small = still(folder, np.zeros((100, 100), np.uint8))
    assert "100 x 100, camera 'north' states" in run("picks", folder, "north", small).output
