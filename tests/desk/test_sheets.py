"""CSV files as tables on a page: what was not touched stays to the byte."""

import pytest

from tests.desk.daylight import session_without_picks
from vidspeed.desk.sheets import Typed, file_of, grid_of, judged, text_of, typed_of
from vidspeed.desk.sources import keep, read_source
from vidspeed.errors import SessionError
from vidspeed.session.tables import read_markers

TEXT = """\
# measured by Ada
Name,x_m,y_m,z_m,u_m,note

A1, 0.0,-4.0,0.0,0.01,"on the post, left"
# this one moved
A2,60.0,-5.0,0.0,0.01,
"""


def opened(folder, text):
    (folder / "markers.csv").write_text(text, encoding="utf-8", newline="")
    source = read_source(folder, "markers.csv")
    return source, grid_of(source, "markers.csv")


def as_shown(grid):
    return [Typed(line=at, cells=dict(cells)) for at, cells in grid.rows.items()]


def test_what_was_not_touched_stays_to_the_byte(tmp_path):
    _, grid = opened(tmp_path, TEXT)
    assert grid.columns == ("name", "x_m", "y_m", "z_m", "u_m", "use", "board", "note")
    assert text_of(grid, as_shown(grid)) == (TEXT, [4, 6])


def test_a_cell_is_changed_a_row_added_and_one_taken_away(tmp_path):
    _, grid = opened(tmp_path, TEXT)
    first, second = as_shown(grid)
    changed = Typed(line=second.line, cells={**second.cells, "x_m": "60,5"})
    new = Typed(line=None, cells={"name": "B, 1", "x_m": "1", "y_m": "2", "z_m": "3", "u_m": "0.1"})
    text, numbers = text_of(grid, [first, changed, new])
    assert text == TEXT.replace("A2,60.0,", "A2,60.5,") + '"B, 1",1,2,3,0.1,\n'
    assert numbers == [4, 6, 7]
    text, numbers = text_of(grid, [second])
    assert "A1" not in text and "# this one moved" in text and numbers == [5]


def test_a_column_that_is_used_first_joins_the_header(tmp_path):
    _, grid = opened(tmp_path, TEXT)
    first, second = as_shown(grid)
    checked = Typed(line=second.line, cells={**second.cells, "use": "check"})
    text, _ = text_of(grid, [first, checked])
    assert "name,x_m,y_m,z_m,u_m,note,use\n" in text
    assert '"on the post, left",\n' in text and "0.01,,check\n" in text


def test_semicolons_and_decimal_commas_become_commas_and_points(tmp_path):
    _, grid = opened(tmp_path, "name;x_m;y_m;z_m;u_m\nA1;0,0;-4,5;0;0,01\n")
    text, _ = text_of(grid, as_shown(grid))
    assert text == "name,x_m,y_m,z_m,u_m\nA1,0.0,-4.5,0,0.01\n"


def test_a_first_line_that_tells_a_spreadsheet_the_delimiter_goes_with_it(tmp_path):
    _, grid = opened(tmp_path, "sep=;\nname;x_m;y_m;z_m;u_m\nA1;0;-4;0;0,01\n")
    text, numbers = text_of(grid, as_shown(grid))
    assert (text, numbers) == ("name,x_m,y_m,z_m,u_m\nA1,0,-4,0,0.01\n", [2])


def test_faults_are_told_by_row_and_column(tmp_path):
    folder = session_without_picks(tmp_path)
    source = read_source(folder, "markers.csv")
    grid = grid_of(source, "markers.csv")
    rows = as_shown(grid)
    rows[2] = Typed(line=rows[2].line, cells={**rows[2].cells, "u_m": "2 cm"})
    faults = judged(source, "markers.csv", *text_of(grid, rows))
    assert [(fault.row, fault.column) for fault in faults] == [(2, "u_m")]
    assert "2 cm is 0.02 m" in faults[0].text
    rows[2] = Typed(line=rows[2].line, cells={**rows[1].cells})
    faults = judged(source, "markers.csv", *text_of(grid, rows))
    assert faults[0].row == 2 and "A2" in faults[0].text
    assert not judged(source, "markers.csv", *text_of(grid, as_shown(grid)))


def test_a_new_file_is_written_from_nothing(tmp_path):
    folder = session_without_picks(tmp_path)
    (folder / "markers.csv").unlink()
    source = read_source(folder, file_of(folder, "markers"))
    grid = grid_of(source, "markers.csv")
    sent = [
        {"line": None, "cells": [f"M{at}", str(at), "0", "1", "0.1", "", ""]} for at in range(5)
    ]
    text, _ = text_of(grid, typed_of(sent, grid.columns))
    keep(source, text)
    assert [marker.name for marker in read_markers(folder / "markers.csv")] == [
        "M0", "M1", "M2", "M3", "M4",
    ]  # fmt: skip


@pytest.mark.parametrize("sent", [None, {}, [1], [{"line": 0}], [{"line": 0, "cells": ["x"]}]])
def test_what_is_no_table_is_refused(sent):
    with pytest.raises(SessionError, match="load it again"):
        typed_of(sent, ("name", "x_m"))


def test_a_file_elsewhere_is_not_opened(tmp_path):
    folder = session_without_picks(tmp_path)
    path = folder / "session.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace('"markers.csv"', '"../markers.csv"'),
        encoding="utf-8",
    )
    with pytest.raises(SessionError, match="leads out"):
        read_source(folder, file_of(folder, "markers"))
