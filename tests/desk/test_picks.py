"""Picks while they are made: placed, taken back, kept in the session's own file."""

import os

import numpy as np
import pytest

from tests.desk.daylight import lamps, session_without_picks, true_picks
from vidspeed.assembly.reading import read_session
from vidspeed.desk.picks import Picking, fitted, picks_of
from vidspeed.desk.verdict import verdict
from vidspeed.errors import CalibrationError, ResultsError, SessionError
from vidspeed.geometry.snap import snap_corner, snap_lamp
from vidspeed.session.picksfile import picks_text


def picked(folder, names=None):
    picking = Picking(folder=folder, camera="north")
    for name, (x, y) in true_picks().items():
        if names is None or name in names:
            picking.place(name, x, y)
    return picking


def test_every_change_is_in_the_file_at_once(tmp_path):
    folder = session_without_picks(tmp_path)
    picking = picked(folder)
    session = read_session(folder)
    found = {pick.name: pick.xy_px for pick in session.cameras[0].picks}
    for name, place in true_picks().items():
        assert found[name] == pytest.approx(place, abs=0.006)
    picking.remove("A1")
    assert {pick.name for pick in read_session(folder).cameras[0].picks} == set(true_picks()) - {
        "A1"
    }


def test_undo_and_redo_go_back_and_forth(tmp_path):
    picking = picked(session_without_picks(tmp_path), {"A1", "A2"})
    both = dict(picking.placed)
    picking.place("A1", 10.0, 20.0)
    picking.undo()
    assert picking.placed == both
    picking.redo()
    assert picking.placed["A1"][:2] == (10.0, 20.0)
    picking.undo()
    picking.undo()
    picking.undo()
    assert picking.placed == {}
    picking.undo()
    assert picking.placed == {}


def test_a_pick_that_cannot_be_kept_is_said_and_is_none(tmp_path, monkeypatch):
    picking = picked(session_without_picks(tmp_path), {"A1", "A2"})
    before, both = picking.path.read_bytes(), dict(picking.placed)

    def full(_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as disk:
        disk.setattr(os, "fsync", full)
        for change in (lambda: picking.place("A1", 10.0, 20.0), picking.undo):
            with pytest.raises(ResultsError, match="No space left"):
                change()
    assert picking.path.read_bytes() == before
    assert picking.placed == both
    picking.undo()
    picking.redo()
    assert picking.placed == both


def test_a_file_that_somebody_else_changed_is_left_alone(tmp_path):
    folder = session_without_picks(tmp_path)
    one, other = Picking(folder=folder, camera="north"), Picking(folder=folder, camera="north")
    one.place("A1", 100.0, 200.0)
    before = one.path.read_bytes()
    with pytest.raises(SessionError, match="changed by somebody else"):
        other.place("A2", 5.0, 6.0)
    assert one.path.read_bytes() == before
    other.reload()
    other.place("A2", 5.0, 6.0)
    assert set(other.placed) == {"A1", "A2"}


def test_comments_and_notes_of_the_file_stay():
    old = "# by Ada\nname;x_px;y_px;u_px;note\nA1;1,5;2,5;0,5;on the post\n"
    text = picks_text(picks_of({"A1": (1.5, 2.5, 0.5), "A2": (3.0, 4.0, 0.5)}), old=old)
    assert text.splitlines() == [
        "# by Ada", "name,x_px,y_px,u_px,note", "A1,1.5000,2.5000,0.5000,on the post",
        "A2,3.0000,4.0000,0.5000",
    ]  # fmt: skip


def test_what_is_missing_is_said_and_then_the_rest_is_foretold(tmp_path):
    folder = session_without_picks(tmp_path)
    picking = picked(folder, {"A1", "A2", "B1"})
    assert "1 more marker to pick" in fitted(folder, "north", picking.placed).message
    picking = picked(folder, {"A1", "A2", "B1", "B2", "C2"})
    found = fitted(folder, "north", picking.placed)
    assert found.fit is not None and found.fit.rms_px < 0.01
    assert found.projected["C1"] == pytest.approx(true_picks()["C1"], abs=0.5)


def test_the_verdict_is_that_of_calibrate(tmp_path):
    folder = session_without_picks(tmp_path)
    assert verdict(folder).startswith("not ready: ")
    picked(folder)
    assert verdict(folder) == "ready"


def test_a_pick_outside_stays_at_the_edge_and_an_unknown_marker_is_refused(tmp_path):
    picking = Picking(folder=session_without_picks(tmp_path), camera="north")
    picking.place("A1", -50.0, 9999.0)
    assert picking.placed["A1"][:2] == (-0.5, 719.5)
    with pytest.raises(SessionError, match="no marker"):
        picking.place("Z9", 1.0, 1.0)


def test_a_lamp_is_found_to_a_hundredth_of_a_pixel():
    for place in ((40.3, 50.8), (700.05, 333.5)):
        found = snap_lamp(lamps([place]), np.add(place, (2.4, -1.9)))
        assert found == pytest.approx(place, abs=0.03)
    with pytest.raises(CalibrationError, match="no lamp"):
        snap_lamp(lamps([(40.0, 50.0)]), np.array([300.0, 300.0]))


def test_a_corner_of_a_board_is_found():
    # Four quarters about (100.25, 80.75), shaded by how much of each pixel they cover.
    x = np.clip(np.arange(200) + 0.5 - 100.25, 0.0, 1.0)
    y = np.clip(np.arange(160) + 0.5 - 80.75, 0.0, 1.0)
    share = np.outer(y, x) + np.outer(1.0 - y, 1.0 - x)
    board = np.rint(40.0 + 160.0 * share).astype(np.uint8)
    found = snap_corner(board, np.array([102.0, 79.0]))
    assert found == pytest.approx([100.25, 80.75], abs=0.1)
    with pytest.raises(CalibrationError, match="no corner"):
        snap_corner(np.full((160, 200), 60, np.uint8), np.array([90.0, 70.0]))
