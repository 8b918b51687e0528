"""The first row of a CSV file, and what it decides: one fault of it is one message."""

from __future__ import annotations

from pathlib import Path

import pytest

from vidspeed.session.cells import read_columns
from vidspeed.session.key import number
from vidspeed.session.picksfile import picks_text
from vidspeed.session.tables import read_markers, read_picks, read_tracks

from .good import MARKERS, PICKS
from .test_tables import TRACK, comma, faults, put

HEAD, *ROWS = MARKERS.splitlines()


def markers_faults(folder: Path, text: str | bytes) -> tuple[str, ...]:
    return faults(read_markers, put(folder, "markers.csv", text))


def test_a_header_row_that_is_missing_is_said_to_be_missing_once(tmp_path):
    (message,) = markers_faults(tmp_path, "\n".join(["# by tape", *ROWS]))
    assert message == (
        'markers.csv: row 2: the header row is missing, "A1" and "0" are data; write above it '
        "name,x_m,y_m,z_m,u_m,use"
    )


@pytest.mark.parametrize(
    ("reader", "text", "names"),
    [
        (read_picks, PICKS, "name,x_px,y_px,u_px"),
        (lambda path: read_tracks(path, height_px=1080), TRACK,
         "frame,time_s,x_px,y_px,u_x_px,u_y_px"),
        (lambda path: read_columns(path.read_bytes(), path.name,
                                   {"t": number("t", "s", "", "1"), "v": number("v", "", "", "1")}),
         "t,v\n0.5,3\n1.5,4\n", "t,v"),
    ],
)  # fmt: skip
def test_the_header_row_to_write_has_as_many_names_as_the_file_has_cells(
    tmp_path, reader, text, names
):
    (message,) = faults(reader, put(tmp_path, "a.csv", text.split("\n", 1)[1]))
    assert "a.csv: row 1: the header row is missing" in message
    assert message.endswith(f"write above it {names}")


def test_a_title_above_the_header_is_one_fault(tmp_path):
    (message,) = markers_faults(tmp_path, f"Low Moor,,,,,\n{MARKERS}")
    assert message == (
        'markers.csv: row 1: is "Low Moor", the names of the columns are needed first: '
        'name,x_m,y_m,z_m,u_m,use; begin a remark with "#"'
    )


@pytest.mark.parametrize("line", ["sep=;", "SEP=;", '"sep=;"', "sep=;;;;;"])
def test_a_first_line_that_tells_a_spreadsheet_the_delimiter_is_let_by(tmp_path, line):
    path = put(tmp_path, "markers.csv", f"{line}\r\n{comma(MARKERS, ';')}")
    assert [marker.name for marker in read_markers(path)] == ["A1", "A2", "A3", "A4", "C1"]
    (message,) = markers_faults(
        tmp_path, f"{line}\n{comma(MARKERS, ';').replace('80;', 'far;', 1)}"
    )
    assert 'row 3: x_m is "far"' in message  # as the spreadsheet counts, which does not show it


def test_notes_of_picks_stay_where_the_first_line_tells_the_delimiter():
    old = "sep=;\nname;x_px;y_px;u_px;note\nA1;1;2;1;loose\n"
    assert "note" in picks_text((), old=old).splitlines()[0]


@pytest.mark.parametrize("name", ["x", "X", "x [m]", "x(m)", "x m", "x-m", "xm"])
def test_a_column_without_its_unit_is_one_fault_that_names_the_column_meant(tmp_path, name):
    (message,) = markers_faults(tmp_path, MARKERS.replace("x_m", name, 1))
    assert message == (
        f'markers.csv: unknown column "{name}"; the nearest known is x_m; rename it, or begin its '
        'name with "note" where it is for people only'
    )


def test_columns_in_another_language_are_one_fault_with_what_is_missing(tmp_path):
    text = MARKERS.replace("name,x_m,y_m,z_m", "Punkt,Ost,y_m,\u9ad8", 1)
    assert markers_faults(tmp_path, text) == (
        'markers.csv: unknown columns "Punkt", "Ost", "\u9ad8"; missing is: name (what the '
        "marker is called, a name); x_m (along the course from the start gate, a number in "
        "metres); z_m (up, a number in metres); rename what is meant by it",
    )


def test_columns_of_a_track_without_their_units_are_one_fault_each(tmp_path):
    path = put(tmp_path, "track.csv", TRACK.replace("time_s", "time").replace(",x_px", ",x"))
    messages = faults(read_tracks, path, height_px=1080)
    assert ["the nearest known is time_s" in messages[0], "x_px" in messages[1]] == [True, True]
    assert len(messages) == 2


def test_decimal_commas_between_commas_are_one_fault_that_names_the_cause(tmp_path):
    rows = [f"M{n},{n},25,-5,0,0,0,02,fit" for n in range(20)]
    (message,) = markers_faults(tmp_path, "\n".join([HEAD, *rows]))
    assert message == (
        "markers.csv: rows 2, 3, 4 and 17 more: 9 cells, the header has 6; their numbers have a "
        "decimal comma: part the cells by semicolons or tabs, or write decimal points"
    )


def test_rows_with_too_many_cells_are_one_fault(tmp_path):
    text = MARKERS.replace("fit", "fit,by tape").replace("check", "check,by tape")
    (message,) = markers_faults(tmp_path, text)
    assert message == (
        "markers.csv: rows 2, 3, 4 and 2 more: 7 cells, the header has 6; where numbers have a "
        "decimal comma the cells must be parted by semicolons or tabs"
    )


@pytest.mark.parametrize(("way", "other"), [("point", "comma"), ("comma", "point")])
def test_the_one_number_that_is_written_otherwise_is_the_one_that_is_blamed(tmp_path, way, other):
    text = MARKERS.replace(",", ";").replace("80;-5", "80.25;-5")
    text = text.replace("80.25", "80,25") if way == "point" else comma(text, ";").replace(
        "80,25", "80.25"
    )  # fmt: skip
    (message,) = markers_faults(tmp_path, text)
    found = "80,25" if way == "point" else "80.25"
    assert message == (
        f'markers.csv: row 3: x_m is "{found}", but other cells of this file have a decimal '
        f"{way}; write all numbers one way"
    )


@pytest.mark.parametrize("encoding", ["cp1252", "utf-16-le"])
def test_text_in_another_encoding_is_named_with_its_row(tmp_path, encoding):
    text = MARKERS.replace("A3", "B\u00f6schung").replace("\n", "\r\n")
    data = text.encode(encoding)
    (message,) = markers_faults(tmp_path, data if encoding == "cp1252" else b"\xff\xfe" + data[:-1])
    if encoding == "cp1252":
        assert message == (
            'markers.csv: row 4: "B\u00f6schung,0,5,0,0.02,fit" is not UTF-8 text; '
            "save the file as UTF-8"
        )
    else:
        assert "row 7: byte 273 of the file is not UTF-16 text" in message
