"""Lines of TOML that cannot be read: the message shows the line and a mend that fits."""

from __future__ import annotations

from pathlib import Path

import pytest

from vidspeed.errors import SceneError, SessionError
from vidspeed.render.read import read_scene
from vidspeed.session.clock import parse_clock
from vidspeed.session.tomlfile import parsed, session_keys

from .good import SESSION, faults, write


def said(text: str, where: str = "session.toml") -> list[str]:
    with pytest.raises(SessionError) as error:
        parsed(text, where, session_keys())
    return [message.removeprefix(f"{where}: ") for message in error.value.messages]


def line_of(line: str) -> int:
    return SESSION.splitlines().index(line) + 1


@pytest.mark.parametrize(
    ("old", "new", "mend"),
    [
        ("length_m = 80.0", "length_m = 90 m",
         "a number above 0 in metres is needed; 90 m is 90 m: write length_m = 90"),
        ("length_m = 80.0", "length_m = 90,0", "90,0 is 90 m: write length_m = 90"),
        ("length_m = 80.0", "length_m = 295 ft  # by tape", "write length_m = 89.916"),
        ("length_u_m = 0.02", "length_u_m = .02", "write length_u_m = 0.02"),
        ("length_m = 80.0", "length_m = 1'000.0", "is needed; for example length_m = 80.0"),
        ("length_m = 80.0", "length_m =", "a number above 0 in metres is needed; for example"),
        ("length_m = 80.0", "length_m: 80.0", "one = belongs between a key and its value; write "
         "length_m = 80.0"),
        ("length_m = 80.0", "length m = 80.0", 'unknown key "length m"; the nearest known is '
         "length_m"),
        ("k1 = 0.0", "k1 = \u22120.02", "must be plain ones; write k1 = -0.02"),
        ("focal_px = 1480.0", "focal_px = 1480.0, focal_u_px = 9",
         "each key needs a line of its own; write focal_u_px = 9 into the next line"),
        ("image_size_px = [1920, 1080]", "image_size_px = 1920 x 1080",
         "a list of 2 whole numbers each above 0 in pixels is needed; for example "
         "image_size_px = [1920, 1080]"),
        ("image_size_px = [1920, 1080]", "image_size_px = [1920, 1080",
         "a closing ] is missing; write image_size_px = [1920, 1080]"),
        ("date = 2026-09-12", "date = 12.09.2026",
         "a date without quotation marks (year-month-day) is needed; write date = 2026-09-12"),
        ("date = 2026-09-12", "date = 2026/9/12", "write date = 2026-09-12"),
        ("date = 2026-09-12", "date = 10/03/2026", "for example date = 2026-09-12"),
        ("date = 2026-09-12", "date = 2026-02-30", "for example date = 2026-09-12"),
        ('name = "north"', 'name = "north', 'a closing " is missing; write name = "north"'),
        ('name = "north"', "name = 'north", "a closing ' is missing; write name = 'north'"),
        ('name = "north"', 'name = north"', 'a text in quotation marks is needed; write name = '
         '"north"'),
        ('name = "north"', "name = north", 'write name = "north"'),
        ('name = "north"', "name = \u201cnorth\u201d",
         'quotation marks, minus signs and spaces must be plain ones; write name = "north"'),
        ('name = "north"', 'name = "the "north" one"',
         'write name = "the \\"north\\" one"'),
        ('picks = "picks-north.csv"', 'picks = "my\\picks.csv"',
         'write paths with /, not with a backslash: picks = "my/picks.csv"'),
        ("[[camera]]", "[[camera]", "a closing ] is missing; write [[camera]]"),
        ("[course]", "course]", "an opening [ is missing; write [course]"),
        ("[course]", "{course}", "cannot be read as TOML: Invalid statement (at line 5, column 1)"),
    ],
)  # fmt: skip
def test_the_line_is_shown_with_a_mend(old, new, mend):
    assert old in SESSION
    (message,) = said(SESSION.replace(old, new, 1))
    bare = new.partition("  #")[0]
    assert message.startswith(f"line {line_of(old)}, {bare}: ")
    assert mend in message


@pytest.mark.parametrize(
    ("line", "mend"),
    [
        ("exposure_ms = 1/350", "1/350 is 2.857143 ms: write exposure_ms = 2.857143"),
        ("recorded = 2026-10-03 20:00", "write recorded = 2026-10-03T20:00:00"),
        ("recorded = 3.10.2026 20:00 +01:00", "write recorded = 2026-10-03T20:00:00+01:00"),
        ("recorded = 2026-10-03", "a date and time without quotation marks"),
        ('recorded = "2026-10-03 20:00"', "write recorded = 2026-10-03T20:00:00"),
    ],
)
def test_a_fraction_and_a_time_are_worked_out(tmp_path: Path, line, mend):
    (message,) = faults(write(tmp_path / "s", f"{SESSION}{line}\n"))
    assert mend in message


def test_every_line_that_cannot_be_read_is_told_at_once():
    text = SESSION.replace("= 80.0", "= 80 m").replace("= 0.02", "= 2 cm").replace("= 4.0", "= 4,0")
    assert [message.partition(":")[0] for message in said(text)] == [
        "line 6, length_m = 80 m", "line 7, length_u_m = 2 cm", "line 13, height_m = 4,0",
    ]  # fmt: skip


def test_a_key_that_is_there_twice_is_told_with_both_lines():
    (message,) = said(SESSION.replace("length_u_m", "length_m = 91.0\nlength_u_m"))
    assert message == "line 7, length_m = 91.0: length_m is in line 6 too; keep one"


def test_one_bracket_where_there_are_several_tables_is_told_of_the_line_that_has_it():
    camera = SESSION[SESSION.index("[[camera]]") : SESSION.index("[[clip]]")]
    several = "where there may be several, two brackets are needed each time: write [[camera]] in "
    first = SESSION.replace("[[camera]]", "[camera]") + camera
    (message,) = said(first)
    assert message.endswith(f"[[camera]]: line 16 is [camera]; {several}line 16")
    (message,) = said(first.replace("[[camera]]", "[camera]"))
    assert message.endswith(f"[camera]: line 16 is [camera]; {several}lines 16 and 33")
    (message,) = said(SESSION + camera.replace("[[camera]]", "[camera]"))
    assert message.endswith(f"[camera]: line 16 is [[camera]]; {several}line 33")


def test_a_table_of_which_there_is_one_is_told_to_be_there_twice():
    (message,) = said(SESSION + "[course]\nlength_m = 3.0\n")
    assert message == (
        "line 33, [course]: [course] is in line 5 too; put the keys of both under one [course]"
    )


def test_a_list_over_several_lines_is_shown_where_it_cannot_be_read():
    (message,) = said("wide = 1\n[craft]\nspeed_kmh = [\n  150.0,\n  600 km/h,\n]\n")
    assert message.startswith("line 3, speed_kmh = [: a list of 2 numbers")


def test_a_text_that_is_never_closed_is_told_of_the_line_that_opens_it():
    (message,) = said(SESSION.replace('"Low Moor airstrip"', '"""Low Moor airstrip'))
    assert message.startswith('line 3, place = """Low Moor airstrip: ')


def test_a_clock_file_and_a_scene_are_told_alike(tmp_path: Path):
    with pytest.raises(SessionError) as error:
        parse_clock(b"readout_ms = 12,5\n", "clock.toml")
    assert str(error.value).endswith("12,5 is 12.5 ms: write readout_ms = 12.5")
    (tmp_path / "scene.toml").write_bytes("title = \u201cx\u201d\n".encode())
    with pytest.raises(SceneError, match=r'scene\.toml: line 1, .*; write title = "x"'):
        read_scene(tmp_path / "scene.toml")
