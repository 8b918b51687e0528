"""The command that adjusts a survey, and sessions that are measured by it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.session.good import SESSION, write
from tests.session.test_survey import BY_TAPE, GNSS, LENGTH, LEVELS, MARKERS_LINE, TAPES, measured
from tests.tiny import command
from vidspeed.assembly.reading import read_session
from vidspeed.errors import SessionError
from vidspeed.survey import survey

BARE = BY_TAPE[: BY_TAPE.index("[flight_line]")]  # the survey alone: no cameras, no forecast


def test_the_session_gets_markers_course_and_what_is_known_of_them_together(tmp_path: Path):
    session = read_session(measured(tmp_path / "s"))
    assert session.surveyed is not None and session.survey is not None
    assert session.course.length_m == pytest.approx(80.01, abs=0.01)
    assert 0.005 < session.course.length_u_m < 0.02
    places = {row.name: row.xyz_m for row in session.markers}
    assert np.allclose(places["A1"], [0.0, -5.0, 0.0], atol=0.05)
    assert np.allclose(places["A4"], [80.0, 5.0, 2.5], atol=0.1)
    assert session.markers[-1].use == "check"
    assert session.survey.markers_m.shape == (21, len(session.survey.inputs))


def test_a_point_that_could_stand_on_either_side_is_refused_with_the_mend(tmp_path: Path):
    folder = measured(tmp_path / "s", levels=LEVELS.replace(",left,check", ",,check"))
    rows = "\n".join(line for line in TAPES.splitlines() if not line.startswith("A4;C1"))
    rows += "\nfinish;C1;40,012;0,005;steel\n"
    (folder / "tapes.csv").write_text(rows, encoding="utf-8")
    with pytest.raises(SessionError, match=r'"C1" could stand mirrored.*left or right'):
        read_session(folder)


def test_a_point_with_one_distance_is_refused(tmp_path: Path):
    rows = "\n".join(line for line in TAPES.splitlines() if not line.startswith("A4;C1")) + "\n"
    with pytest.raises(SessionError, match=r'point "C1" is not fixed'):
        read_session(measured(tmp_path / "s", tapes=rows))


def test_the_command_prints_the_network_and_draws_it(tmp_path: Path):
    folder = measured(tmp_path / "s")
    said = command("survey", folder)
    assert said.status == 0, said.err
    for words in ("course length 80.0", "A4 to C1", "what to measure next", "chi-square"):
        assert words in said.out, words
    assert (folder / "results/survey/survey.png").read_bytes()[:4] == b"\x89PNG"


def test_the_command_works_before_there_are_cameras(tmp_path: Path):
    said = command("survey", measured(tmp_path / "s", BARE))
    assert said.status == 0 and "course length" in said.out


def test_a_wrong_distance_is_the_last_line(tmp_path: Path):
    wrong = TAPES.replace("80,012", "80,212")
    folder = measured(tmp_path / "s", BARE, tapes=wrong)
    said = command("survey", folder)
    assert said.status == 0
    last = said.out.splitlines()[-1]
    assert last.startswith("warning: survey: tape ") and last.endswith("measure it again")
    assert "tape start to finish" in last


@pytest.mark.parametrize(
    ("base", "leg", "words"),
    [
        (80.012, 15.314, "start to A1 + finish to A1, 75.414 m on the level, is shorter than start "
         "to finish, 80.012 m, by 4.598 m; one of the 3 or a height is wrong, or in another unit"),
        (80012, 25.314, "85.414 m on the level, is shorter than start to finish, 80012.000 m, by"),
    ],
    ids=["a leg misread", "millimetres"],
)  # fmt: skip
def test_distances_that_cannot_close_are_named_before_any_length_is_printed(
    tmp_path: Path, base, leg, words
):
    tapes = f"from,to,distance_m,u_m\nstart,finish,{base},0.005\nstart,A1,{leg},0.005\n" + (
        "finish,A1,60.1,0.005\n"
    )
    levels = "name,height_m,u_m,side\nstart,0,0.005,\nfinish,0,0.005,\nA1,0,0.005,right\n"
    said = command("survey", measured(tmp_path / "s", BARE, tapes=tapes, levels=levels))
    assert (said.status, said.out) == (1, "")
    (line,) = said.err.splitlines()
    assert line.startswith("survey: ") and words in line


def test_a_session_is_not_read_whose_distances_cannot_close(tmp_path: Path):
    with pytest.raises(SessionError, match="is shorter than A1 to A2"):
        read_session(measured(tmp_path / "s", tapes=TAPES.replace("80,010", "800,10")))


def test_a_distance_shorter_than_the_difference_in_height_is_an_error(tmp_path: Path):
    levels = LEVELS.replace("A4,2.5", "A4,250")
    said = command("survey", measured(tmp_path / "s", BARE, levels=levels))
    assert (said.status, said.out) == (1, "")
    assert "finish to A4 is 5.593 m, but its ends differ in height by 250.000 m" in said.err


def test_the_distance_that_all_contradictions_share_is_to_be_measured_first(tmp_path: Path):
    folder = measured(tmp_path / "s", BARE, tapes=TAPES.replace("80,012", "8,0012"))
    lines = command("survey", folder).err.splitlines()
    assert lines[-1].startswith("survey: start to finish is in all ")


def test_a_scale_that_no_tape_has_is_an_error(tmp_path: Path):
    tapes = """\
from,to,distance_m,u_m,tape
start,finish,80.0,0.005,steel
start,A1,60.0,0.005,steel
finish,A2,60.0,0.005,steel
A1,A2,80.0,0.005,steel
start,A2,110.0,0.005,glass
finish,A1,110.0,0.005,glass
"""
    levels = "name,height_m,u_m,side\nstart,0,0.01,\nfinish,0,0.01,\n" + (
        "A1,0,0.01,right\nA2,0,0.01,right\n"
    )
    text = BARE.replace("[[tape]]", '[[tape]]\nname = "glass"\nscale_u_ppm = 300.0\n\n[[tape]]')
    said = command("survey", measured(tmp_path / "s", text, tapes=tapes, levels=levels))
    assert (said.status, said.out) == (1, "")
    assert 'tape "glass" fit the rest only if its metres are wrong by' in said.err


def test_what_is_open_ends_with_status_1(tmp_path: Path):
    folder = measured(tmp_path / "s", levels=LEVELS.replace("left", "").replace("right", "")
                      .replace("Left", ""))  # fmt: skip
    said = command("survey", folder)
    assert said.status == 1
    assert "could stand mirrored" in said.err


def test_stated_markers_leave_nothing_to_adjust(tmp_path: Path):
    said = command("survey", write(tmp_path / "s"))
    assert said.status == 1 and "nothing to adjust" in said.err


def test_a_stated_length_that_contradicts_the_tapes_is_said(tmp_path: Path):
    text = BARE.replace('tapes = "', LENGTH.replace("80.0", "81.0") + 'tapes = "')
    found = survey(measured(tmp_path / "s", text))
    assert any("length_m is 81" in message for message in found.warnings)
    assert survey(measured(tmp_path / "t", BARE)).warnings == ()


def test_satellites_settle_a_session_too(tmp_path: Path):
    text = SESSION.replace(MARKERS_LINE, 'gnss = "points.csv"\n').replace(LENGTH, "")
    folder = write(tmp_path / "s", text)
    (folder / "points.csv").write_text(GNSS, encoding="utf-8")
    session = read_session(folder)
    assert session.course.length_m == pytest.approx(77.97, abs=0.05)
    (folder / "session.toml").write_text(text[: text.index("[flight_line]")], encoding="utf-8")
    said = command("survey", folder)
    assert said.status == 0 and "no figure checks another" in said.out


def test_tapes_beside_satellites_check_them(tmp_path: Path):
    text = SESSION.replace(MARKERS_LINE, 'gnss = "points.csv"\ntapes = "tapes.csv"\n')
    folder = write(tmp_path / "s", text.replace(LENGTH, ""))
    (folder / "points.csv").write_text(GNSS, encoding="utf-8")
    alone = survey_of_satellites(tmp_path / "alone")
    tapes = f"from,to,distance_m,u_m\nstart,finish,{alone.length_m + 0.01:.3f},0.003\n"
    (folder / "tapes.csv").write_text(tapes, encoding="utf-8")
    session = read_session(folder)
    assert session.course.length_u_m < alone.length_u_m == pytest.approx(0.0141, abs=1e-4)
    assert 0.0 < session.course.length_m - alone.length_m < 0.01
    (folder / "session.toml").write_text(
        text.replace(LENGTH, "")[: text.replace(LENGTH, "").index("[flight_line]")], "utf-8"
    )
    said = command("survey", folder)
    assert said.status == 0 and "tape start to finish" in said.out


def survey_of_satellites(folder: Path):
    """Return the course of the same points without a tape."""
    text = SESSION.replace(MARKERS_LINE, 'gnss = "points.csv"\n').replace(LENGTH, "")
    write(folder, text)
    (folder / "points.csv").write_text(GNSS, encoding="utf-8")
    return read_session(folder).course


def test_measuring_more_never_makes_it_worse(tmp_path: Path):
    found = survey(measured(tmp_path / "s", BARE))
    assert found.gains
    assert all(row.length_u_m <= found.surveyed.length_u_m * (1 + 1e-9) for row in found.gains)


def test_everything_above_the_rooms_reads_through_the_module_that_adjusts():
    """A session read in any other way has markers that are not a number."""
    home = Path(__file__).resolve().parent.parent / "vidspeed"
    readers = [
        path.relative_to(home).as_posix()
        for path in home.rglob("*.py")
        if "session.read import read_session" in path.read_text(encoding="utf-8")
    ]
    assert readers == ["assembly/reading.py"]


def test_a_stated_covariance_goes_into_the_session_whole(tmp_path: Path):
    text = SESSION.replace(MARKERS_LINE, MARKERS_LINE + 'covariance = "cov.csv"\n')
    folder = write(tmp_path / "s", text)
    rows = "marker,axis,other,other_axis,cov_m2\nA1,x,A2,x,0.0003\n"
    (folder / "cov.csv").write_text(rows, encoding="utf-8")
    session = read_session(folder)
    assert session.survey is not None and session.covariance_m2 is not None
    factor = session.survey.markers_m
    assert np.allclose(factor @ factor.T, session.covariance_m2, atol=1e-12)
    assert np.linalg.norm(session.survey.scale) == pytest.approx(0.02 / 80.0)
