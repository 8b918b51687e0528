"""Clock files: written, read again, and taken by a session."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from vidspeed.errors import SessionError
from vidspeed.motion.station import join
from vidspeed.motion.unknowns import Ledger, State
from vidspeed.session.clock import clock_text, parse_clock, read_clock
from vidspeed.session.read import read_session
from vidspeed.values import Clock

from .good import SESSION, faults, write

FULL = Clock(
    date=date(2026, 9, 10),
    image_size_px=(1920, 1080),
    clock_ppm=-23.25,
    clock_u_ppm=0.3,
    age_u_ppm=4.0,
    drift_ppm_per_min=0.125,
    drift_u_ppm_per_min=0.0625,
    readout_s=0.0173,
    readout_u_s=0.00012,
    stamped_rate_hz=29.97,
    clip="lamp.mp4",
    note='the "main" lens; größte Auflösung',
)


def with_clock(folder: Path, clock: Clock | str, session: str) -> Path:
    write(folder, session)
    text = clock if isinstance(clock, str) else clock_text(clock)
    (folder / "clock-north.toml").write_text(text, encoding="utf-8")
    return folder


TAKES = SESSION.replace("clock_u_ppm = 50.0", 'clock = "clock-north.toml"')
TAKES_ALL = TAKES.replace("readout_ms = 12.0\nreadout_u_ms = 3.0\n", "")


def test_a_clock_is_the_same_after_writing_and_reading() -> None:
    again = parse_clock(clock_text(FULL).encode(), "c.toml")
    for item in fields(FULL):
        value = getattr(FULL, item.name)
        close = value if not isinstance(value, float) else pytest.approx(value, rel=1e-12)
        assert getattr(again, item.name) == close, item.name


@pytest.mark.parametrize("sign", ["\udcff", "\x7f", "\n"])
def test_a_clip_whose_name_is_no_plain_text_does_not_spoil_the_file(sign: str) -> None:
    text = clock_text(replace(FULL, clip=f"lamp{sign}.mp4"))
    assert parse_clock(text.encode("utf-8"), "c.toml").clip == "lamp?.mp4"


def test_what_was_not_measured_is_left_out() -> None:
    only = Clock(date=date(2026, 9, 10), image_size_px=(640, 480), readout_s=0.02, readout_u_s=1e-4)
    text = clock_text(only)
    assert "ppm =" not in text and "None" not in text
    again = parse_clock(text.encode(), "c.toml")
    assert again.clock_ppm is None and again.readout_s == pytest.approx(0.02)


def test_a_session_takes_rate_and_read_out(tmp_path: Path) -> None:
    session = read_session(with_clock(tmp_path / "s", FULL, TAKES_ALL))
    camera = session.cameras[0]
    assert camera.clock_ppm == -23.25
    assert camera.clock_u_ppm == pytest.approx(np.hypot(0.3, 4.0))
    assert camera.readout_s == pytest.approx(0.0173) and camera.readout_u_s == pytest.approx(12e-5)
    assert camera.assumed == frozenset()
    assert "clock-north.toml" in {row.file for row in session.inputs}


def test_the_sessions_own_read_out_goes_before_that_of_the_file(tmp_path: Path) -> None:
    camera = read_session(with_clock(tmp_path / "s", FULL, TAKES)).cameras[0]
    assert (camera.readout_s, camera.readout_u_s) == (0.012, 0.003)


def test_a_file_with_a_read_out_alone_leaves_the_rate_to_the_session(tmp_path: Path) -> None:
    only = Clock(
        date=date(2026, 9, 10), image_size_px=(1920, 1080), readout_s=0.02, readout_u_s=1e-4
    )
    text = TAKES_ALL.replace("clock = ", "clock_u_ppm = 30.0\nclock = ")
    camera = read_session(with_clock(tmp_path / "s", only, text)).cameras[0]
    assert (camera.clock_ppm, camera.clock_u_ppm) == (0.0, 30.0)
    assert camera.readout_s == pytest.approx(0.02)
    camera = read_session(with_clock(tmp_path / "t", only, TAKES_ALL)).cameras[0]
    assert camera.clock_u_ppm == 100.0 and camera.assumed == {"clock"}


@pytest.mark.parametrize(
    ("clock", "session", "message"),
    [
        (FULL, TAKES.replace("clock = ", "clock_u_ppm = 30.0\nclock = "),
         'session.toml: camera "north": clock and clock_u_ppm are given'),
        (FULL, TAKES_ALL.replace("[1920, 1080]", "[1922, 1080]"), "a read-out holds for its own"),
        ("date = 2026-09-10\n", TAKES, "clock-north.toml: schema is missing"),
        ("date = [\n", TAKES, "clock-north.toml: line 1, date = [: a closing ] is missing"),
        (clock_text(FULL).replace("clock_ppm", "clock_pmm", 2).replace("# clock_pmm", "# "), TAKES,
         'unknown key "clock_pmm"; the nearest known is clock_ppm'),
        (clock_text(FULL).replace("2026-09-10", '"yesterday"'), TAKES, "date is"),
        (clock_text(FULL).replace("clock_u_ppm = 0.3\n", ""), TAKES,
         "clock_ppm is given without clock_u_ppm"),
        ('schema = "vidspeed.clock/1"\ndate = 2026-09-10\nimage_size_px = [2, 2]\n', TAKES,
         "neither clock_ppm nor readout_ms is there"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said(
    tmp_path: Path, clock: Clock | str, session: str, message: str
) -> None:
    assert any(message in each for each in faults(with_clock(tmp_path / "s", clock, session)))


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    (message,) = faults(write(tmp_path / "s", TAKES))
    assert message.startswith('session.toml: camera "north": clock "clock-north.toml" does not')
    with pytest.raises(SessionError, match=r"no\.toml: cannot be read"):
        read_clock(tmp_path / "no.toml")


def test_the_solver_begins_at_the_stated_rate(tmp_path: Path) -> None:
    """The stated mean goes into the camera's scale; the deviate moves it by the stated u."""
    camera = read_session(with_clock(tmp_path / "s", FULL, TAKES_ALL)).cameras[0]
    ledger = Ledger()
    station = join(ledger, camera, 0, 1 / 60)
    theta = np.zeros(ledger.size)
    turns = np.eye(3)[None]
    assert station.clock_scale(State(theta=theta, turns=turns)) == pytest.approx(
        1.0 - 23.25e-6, abs=1e-15
    )
    theta[station.clock] = 1.0
    moved = 1.0 + 1e-6 * (-23.25 + np.hypot(0.3, 4.0))
    assert station.clock_scale(State(theta=theta, turns=turns)) == pytest.approx(moved, abs=1e-15)
    entry = next(row for row in ledger.priors if row.name == "clock")
    assert entry.input_u == pytest.approx(np.hypot(0.3, 4.0)) and not entry.assumed
