"""What a session says of how its course was measured."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from tests.session.good import SESSION, faults, write
from vidspeed.session.read import read_measured, read_session

TAPES = """\
from;to;distance_m;u_m;tape
start;finish;80,012;0,005;steel
start;A1;5,003;0,005;steel
finish;A1;80,160;0,005;steel
start;A2;80,161;0,005;steel
finish;A2;5,001;0,005;steel
A1;A2;80,010;0,005;steel
start;A3;5,001;0,005;steel
finish;A3;80,166;0,005;steel
start;A4;80,205;0,005;steel
finish;A4;5,593;0,005;steel
start;C1;40,001;0,005;steel
A4;C1;40,461;0,005;steel
"""
LEVELS = """\
name,height_m,u_m,side,use
start,0,0.005,,
finish,0,0.005,,
A1,0,0.005,right,fit
A2,0,0.005,right,
A3,0,0.005,Left,
A4,2.5,0.005,left,
C1,0,0.005,left,check
"""
GNSS = """\
name,latitude_deg,longitude_deg,height_m,u_m,u_up_m,use
start,57.0,-3.0,70,0.01,0.03,
finish,57.0007,-3.0,70,0.01,,
A1,57.00001,-2.9999,70,0.01,,
A2,57.00071,-2.9999,70,0.01,,
A3,57.00001,-3.0001,70,0.01,,
A4,57.00071,-3.0001,72,0.01,,
C1,57.0003,-3.0001,70,0.01,,check
"""
MARKERS_LINE = 'markers = "markers.csv"\n'
LENGTH = "length_m = 80.0\nlength_u_m = 0.02\n"
STEEL = '[[tape]]\nname = "steel"\nscale_u_ppm = 100.0\n\n[flight_line]'
BY_TAPE = (
    SESSION.replace(MARKERS_LINE, 'tapes = "tapes.csv"\nlevels = "levels.csv"\n')
    .replace(LENGTH, "")
    .replace("[flight_line]", STEEL)
)


def measured(folder: Path, session: str = BY_TAPE, tapes: str = TAPES, levels: str = LEVELS):
    write(folder, session)
    (folder / "tapes.csv").write_text(tapes, encoding="utf-8")
    (folder / "levels.csv").write_text(levels, encoding="utf-8")
    return folder


def test_tapes_and_levels_become_values_and_the_markers_are_to_come(tmp_path: Path) -> None:
    session = read_session(measured(tmp_path / "s"))
    assert session.measured is not None
    assert len(session.measured.taped) == 12
    first = session.measured.taped[0]
    assert (first.name, first.distance_m, first.tape) == ("start to finish", 80.012, "steel")
    assert [row.side for row in session.measured.levels[:5]] == [
        None,
        None,
        "right",
        "right",
        "left",
    ]
    assert session.measured.tapes[0].scale_u_ppm == 100.0
    assert [row.name for row in session.markers] == [row.name for row in session.measured.levels]
    assert session.markers[-1].use == "check"
    assert not np.isfinite(session.course.length_m)
    assert {row.file for row in session.inputs} >= {"tapes.csv", "levels.csv"}


def test_a_tape_of_which_nothing_is_stated_is_assumed(tmp_path: Path) -> None:
    text = BY_TAPE.replace(STEEL, "[flight_line]")
    session = read_session(measured(tmp_path / "s", text))
    assert session.measured is not None
    (tape,) = session.measured.tapes
    assert (tape.name, tape.scale_u_ppm, tape.assumed) == ("steel", 300.0, True)


def test_a_stated_length_is_kept_beside(tmp_path: Path) -> None:
    text = BY_TAPE.replace('tapes = "', LENGTH + 'tapes = "')
    session = read_session(measured(tmp_path / "s", text))
    assert session.measured is not None
    assert session.measured.stated_length_m == 80.0


def test_the_survey_is_read_while_the_rest_is_unfinished(tmp_path: Path) -> None:
    text = re.sub(r"(?s)\[flight_line\].*", "", BY_TAPE)
    folder = measured(tmp_path / "s", text)
    assert "camera" in " ".join(faults(folder))
    survey = read_measured(folder)
    assert survey is not None and len(survey.taped) == 12


@pytest.mark.parametrize(
    ("old", "new", "where", "found"),
    [
        (";A1;5,003", ";A9;5,003", "tapes.csv: row 3", 'point "A9" has no row'),
        (";A1;5,003", ";start;5,003", "tapes.csv: row 3", 'from and to are both "start"'),
        (";0,005;steel\nfinish;A1", ";0,005;cloth\nfinish;A1", "tapes.csv: row 3",
         'no [[tape]] is named "cloth"'),
        ("5,003;0,005", "16 ft 5 in;0,005", "tapes.csv: row 3", "16 ft 5 in is 5.0038 m"),
        ("5,003;0,005", "5,003;", "tapes.csv: row 3", "u_m is blank"),
    ],
)  # fmt: skip
def test_each_fault_of_the_tapes(
    tmp_path: Path, old: str, new: str, where: str, found: str
) -> None:
    assert old in TAPES
    (message, *_) = faults(measured(tmp_path / "s", tapes=TAPES.replace(old, new, 1)))
    assert message.startswith(where) and found in message


@pytest.mark.parametrize(
    ("change", "found"),
    [
        (lambda text: text.replace('levels = "levels.csv"\n', ""), "tapes is given without levels"),
        (lambda text: text.replace('tapes = "', MARKERS_LINE + 'tapes = "'),
         "markers and tapes are given"),
        (lambda text: text.replace('tapes = "', 'finish_post = "far"\ntapes = "'),
         'finish_post is "far", but no point of the survey'),
        (lambda text: text.replace('tapes = "', 'finish_post = "start"\ntapes = "'),
         'both "start"'),
        (lambda text: text.replace("[flight_line]", STEEL), "is there twice"),
        (lambda text: text.replace('tapes = "tapes.csv"\nlevels = "levels.csv"\n', ""),
         "markers is missing"),
        (lambda text: text.replace("scale_u_ppm", "scale_ppm"), "unknown key"),
    ],
)  # fmt: skip
def test_each_fault_of_the_keys(tmp_path: Path, change, found: str) -> None:
    assert found in "\n".join(faults(measured(tmp_path / "s", change(BY_TAPE))))


def test_a_level_without_a_distance_is_a_fault(tmp_path: Path) -> None:
    folder = measured(tmp_path / "s", levels=LEVELS + "Z9,0,0.005,,\n")
    assert any('no distance leads to point "Z9"' in message for message in faults(folder))


def test_points_by_satellite(tmp_path: Path) -> None:
    text = SESSION.replace(MARKERS_LINE, 'gnss = "points.csv"\n').replace(LENGTH, "")
    folder = write(tmp_path / "s", text)
    (folder / "points.csv").write_text(GNSS, encoding="utf-8")
    session = read_session(folder)
    assert session.measured is not None
    first, second = session.measured.fixes[:2]
    assert (first.u_up_m, second.u_up_m) == (0.03, 0.02)
    assert session.markers[-1].use == "check"
    (folder / "points.csv").write_text(GNSS.replace("57.0007,", "157.0,"), encoding="utf-8")
    assert "latitude_deg is 157" in faults(folder)[0]


def test_tapes_may_lie_between_points_by_satellite(tmp_path: Path) -> None:
    text = SESSION.replace(MARKERS_LINE, 'gnss = "points.csv"\ntapes = "tapes.csv"\n')
    folder = write(tmp_path / "s", text.replace(LENGTH, ""))
    (folder / "points.csv").write_text(GNSS, encoding="utf-8")
    tapes = "from,to,distance_m,u_m\nstart,finish,77.96,0.005\n"
    (folder / "tapes.csv").write_text(tapes, encoding="utf-8")
    session = read_session(folder)
    assert session.measured is not None
    assert len(session.measured.fixes) == 7 and not session.measured.levels
    assert [row.name for row in session.measured.taped] == ["start to finish"]
    assert [(row.name, row.assumed) for row in session.measured.tapes] == [("tape", True)]
    assert len(session.markers) == 7
    (folder / "tapes.csv").write_text(tapes.replace("finish", "end"), encoding="utf-8")
    assert 'point "end" has no row in the file of levels or gnss' in faults(folder)[0]
    folder = write(tmp_path / "t", text.replace('gnss = "points.csv"\n', ""))
    assert "tapes is given without levels; state both or neither, or gnss" in faults(folder)[0]


def test_a_full_covariance_of_markers(tmp_path: Path) -> None:
    text = SESSION.replace(MARKERS_LINE, MARKERS_LINE + 'covariance = "cov.csv"\n')
    folder = write(tmp_path / "s", text)
    rows = "marker,axis,other,other_axis,cov_m2\nA1,x,A2,x,0.0003\nA3,z,A3,z,0.01\n"
    (folder / "cov.csv").write_text(rows, encoding="utf-8")
    matrix = read_session(folder).covariance_m2
    assert matrix is not None and matrix.shape == (15, 15)
    assert matrix[0, 3] == matrix[3, 0] == 0.0003
    assert matrix[8, 8] == 0.01 and matrix[0, 0] == pytest.approx(4e-4)
    (folder / "cov.csv").write_text(rows.replace("0.0003", "0.0005"), encoding="utf-8")
    assert "no quantities can have these covariances" in faults(folder)[0]
    (folder / "cov.csv").write_text(rows + "A2,x,A1,x,0.0003\n", encoding="utf-8")
    assert "row 4: this pair is there already" in faults(folder)[0]
    (folder / "cov.csv").write_text(rows.replace("A2", "A7"), encoding="utf-8")
    assert 'no marker is named "A7"' in faults(folder)[0]
