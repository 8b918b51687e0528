"""Drives as a session states them: their keys, and the files of their logs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.session.good import SESSION, faults, write
from vidspeed.errors import SessionError
from vidspeed.session.logs import parse_log
from vidspeed.session.read import read_session

DRIVE = """
[[proof]]
kind = "drive"
clip = "clips/pass-1.mp4"
y_m = -0.6
z_m = 1.1
u_m = 0.05
log = "cart.csv"
log_u_percent = 0.3
"""
LOG = "time_s,x_m\n0,0\n10,80\n"


def session(folder: Path, drive: str = DRIVE, log: str = LOG) -> Path:
    write(folder, SESSION + drive)
    (folder / "cart.csv").write_text(log, encoding="utf-8")
    return folder


def test_a_drive_is_read_with_its_log(tmp_path: Path) -> None:
    found = read_session(session(tmp_path))
    (proof,) = found.proofs
    assert proof.log is not None and proof.log.x_m is not None
    assert proof.log.x_m.tolist() == [0.0, 80.0]
    assert proof.log.common_u == pytest.approx(0.003)
    assert np.isnan(proof.place_m[0]) and proof.place_m[1:].tolist() == [-0.6, 1.1]
    assert found.clips[0].expect_none
    assert "cart.csv" in [row.file for row in found.inputs]


def test_a_spreadsheet_with_a_decimal_comma_is_read() -> None:
    text = "Time_s;speed_mps;speed_u_mps;note\n0,5;8,25;0,1;a\n1,5;8,5;0,1;\n"
    log = parse_log(text.encode("utf-8"), "log.csv")
    assert log.x_m is None and log.speed_mps is not None
    assert log.speed_mps.tolist() == [8.25, 8.5]
    assert log.speed_u_mps.tolist() == [0.1, 0.1]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("time_s,x_m\n0,0\n", "1 rows, at least 2 are needed"),
        ("time_s,x_m\n0,0\n0,80\n", "row 3: time_s is 0.0, not later than 0.0"),
        ("time_s,x_m\n0,0\n1,\n", "row 3: x_m is blank"),
        ("time_s,time_u_s\n0,1\n1,1\n", "neither x_m nor speed_mps is there"),
        ("time_s,x_m\n0,8\n1,8\n", "x_m says that nothing moved"),
        ("time_s,speed_mps\n0,0\n1,0\n", "speed_mps says that nothing moved"),
        ("time_s,x_m\n0,zero\n1,8\n", 'row 2: x_m is "zero", a number'),
        ("x_m\n0\n1\n", "column time_s is missing"),
    ],
)
def test_a_wrong_log_is_refused(text: str, said: str) -> None:
    with pytest.raises(SessionError, match=said):
        parse_log(text.encode(), "cart.csv")


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ('log = "cart.csv"\nlog_u_percent = 0.3\n', "", "log is missing"),
        ("log_u_percent = 0.3\n", "", "nothing says how far .* may be wrong; state log_u_percent"),
        ("y_m", "x_m = 3.0\ny_m", "x_m belongs to a lamp that is held still"),
        ('kind = "drive"\n', "", "x_m is missing"),
        ('kind = "drive"\n', "x_m = 3.0\n", "log belongs to a lamp that is driven"),
        ("cart.csv", "car.csv", '"car.csv" does not exist'),
    ],
)
def test_a_wrong_drive_is_refused(tmp_path: Path, before: str, after: str, said: str) -> None:
    with pytest.raises(SessionError, match=said):
        read_session(session(tmp_path, DRIVE.replace(before, after)))


def test_a_drive_is_no_pass(tmp_path: Path) -> None:
    text = SESSION + 'pass = "1"\n' + DRIVE
    write(tmp_path, text)
    (tmp_path / "cart.csv").write_text(LOG, encoding="utf-8")
    assert any("a drive is no pass" in message for message in faults(tmp_path))


def test_clips_of_one_drive_state_one_line(tmp_path: Path) -> None:
    clip = '\n[[clip]]\nfile = "clips/b.mp4"\ncamera = "north"\n'
    again = DRIVE.replace("pass-1", "b")
    write(tmp_path, SESSION + clip + DRIVE + again)
    (tmp_path / "cart.csv").write_text(LOG, encoding="utf-8")
    assert len(read_session(tmp_path).proofs) == 2
    write(tmp_path, SESSION + clip + DRIVE + again.replace("-0.6", "0.6"))
    assert "y_m is 0.6, in proof 1 with the same log it is -0.6" in faults(tmp_path)[0]


def test_errors_of_a_log_are_errors_of_the_session(tmp_path: Path) -> None:
    session(tmp_path, log="time_s,x_m\n0,0\n")
    assert any("cart.csv: 1 rows" in message for message in faults(tmp_path))
