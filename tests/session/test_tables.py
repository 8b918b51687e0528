from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pytest

from vidspeed.errors import SessionError
from vidspeed.session.tables import read_markers, read_picks, read_tracks

from .good import MARKERS, PICKS

TRACK = """\
frame,time_s,x_px,y_px,u_x_px,u_y_px
3,0.05,100.5,540.0,0.3,0.2
4,0.0666666666666667,130.25,539.5,0.3,0.2
6,0.1,190.125,538.0,0.4,0.2
"""

# What a table of plain text becomes when somebody's spreadsheet saves it.
SAVED_AS = {
    "plain": lambda text: text.encode("utf-8"),
    "with BOM": lambda text: text.encode("utf-8-sig"),
    "CRLF": lambda text: text.replace("\n", "\r\n").encode("utf-8"),
    "old Mac": lambda text: text.replace("\n", "\r").encode("utf-8"),
    "semicolon": lambda text: text.replace(",", ";").encode("utf-8"),
    "semicolon, decimal comma": lambda text: comma(text, ";").encode("utf-8"),
    "tab, decimal comma": lambda text: comma(text, "\t").encode("utf-8"),
    "UTF-16 with tabs": lambda text: text.replace(",", "\t").encode("utf-16"),
    "UTF-16 big end first": lambda text: b"\xfe\xff" + comma(text, "\t").encode("utf-16-be"),
    "decimal comma, BOM, CRLF": lambda text: comma(text, ";")
    .replace("\n", "\r\n")
    .encode("utf-8-sig"),
    "all quoted": lambda text: quoted(text, ",").encode("utf-8"),
    "all quoted, semicolon": lambda text: quoted(comma(text, ";"), ";").encode("utf-8"),
    "header in capitals, spaces": lambda text: (
        text.replace(text.splitlines()[0], " , ".join(text.splitlines()[0].upper().split(",")))
    ).encode("utf-8"),
    "spaces around": lambda text: text.replace(",", " ,\t ").replace("\t", "").encode("utf-8"),
    "blank rows and comments": lambda text: (
        "# measured by hand, twice\n\n" + text.replace("\n", "\n\n,,,,\n# x;\"y\n")
    ).encode("utf-8"),
    "empty cells behind": lambda text: text.replace("\n", ",,\n").encode("utf-8"),
    "no last line end": lambda text: text.rstrip("\n").encode("utf-8"),
    "minus sign": lambda text: text.replace(",-", ",\u2212").encode("utf-8"),
    "a column of notes": lambda text: (
        "\n".join(f'{row},"said: {number}, loud"' if number else f"{row},Notes on it"
                  for number, row in enumerate(text.splitlines()))
    ).encode("utf-8"),
}  # fmt: skip


def comma(text: str, delimiter: str) -> str:
    return text.replace(",", delimiter).replace(".", ",")


def quoted(text: str, delimiter: str) -> str:
    rows = [line.split(delimiter) for line in text.splitlines()]
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, quoting=csv.QUOTE_ALL).writerows(rows)
    return out.getvalue()


def put(folder: Path, name: str, data: bytes | str) -> Path:
    path = folder / name
    path.write_bytes(data.encode("utf-8") if isinstance(data, str) else data)
    return path


def faults(reader: object, path: Path, **more: int) -> tuple[str, ...]:
    with pytest.raises(SessionError) as error:
        reader(path, **more)  # type: ignore[operator]
    assert all("\n" not in message for message in error.value.messages)
    return error.value.messages


@pytest.mark.parametrize("way", SAVED_AS)
def test_markers_are_the_same_however_they_were_saved(tmp_path: Path, way: str) -> None:
    markers = read_markers(put(tmp_path, "markers.csv", SAVED_AS[way](MARKERS)))
    assert [marker.name for marker in markers] == ["A1", "A2", "A3", "A4", "C1"]
    assert [marker.xyz_m.tolist() for marker in markers] == [
        [0.0, -5.0, 0.0],
        [80.0, -5.0, 0.0],
        [0.0, 5.0, 0.0],
        [80.0, 5.0, 2.5],
        [40.0, 0.0, 0.0],
    ]
    assert [marker.u_m for marker in markers] == [0.02] * 5
    assert [marker.use for marker in markers] == ["fit"] * 4 + ["check"]


@pytest.mark.parametrize("way", SAVED_AS)
def test_picks_are_the_same_however_they_were_saved(tmp_path: Path, way: str) -> None:
    picks = read_picks(put(tmp_path, "picks.csv", SAVED_AS[way](PICKS)))
    assert [pick.name for pick in picks] == ["A1", "A2", "A3", "A4", "C1"]
    assert picks[0].xy_px.tolist() == [100.25, 800.0]
    assert [pick.u_px for pick in picks] == [0.5] * 5


@pytest.mark.parametrize("way", SAVED_AS)
def test_a_track_is_the_same_however_it_was_saved(tmp_path: Path, way: str) -> None:
    (track,) = read_tracks(put(tmp_path, "track.csv", SAVED_AS[way](TRACK)), height_px=1080)
    assert track.frame.tolist() == [3, 4, 6]
    assert track.time_s.tolist() == [0.05, 0.0666666666666667, 0.1]
    assert track.xy_px.tolist() == [[100.5, 540.0], [130.25, 539.5], [190.125, 538.0]]
    assert track.cov_px2[2].tolist() == [[0.4**2, 0.0], [0.0, 0.2**2]]


def test_what_a_track_leaves_out(tmp_path: Path) -> None:
    (track,) = read_tracks(put(tmp_path, "track.csv", TRACK), height_px=1080)
    assert track.row.tolist() == [0.5, 539.5 / 1080, 538.0 / 1080]
    assert track.time_u_s.tolist() == [0.0, 0.0, 0.0]
    for name in ("streak_px", "streak_u_px", "streak_angle_rad", "peak", "snr"):
        assert np.isnan(getattr(track, name)).all()
    assert track.interval_s is None
    assert track.fill is None
    assert len(track) == 3


def test_passes_of_one_clip_are_told_apart_by_their_labels(tmp_path: Path) -> None:
    head, *rows = TRACK.splitlines()
    text = "\n".join([f"{head},pass", *(f"{row},b" for row in rows), *(f"{row},a" for row in rows)])
    first, second = read_tracks(put(tmp_path, "track.csv", text), height_px=1080)
    assert first.time_s.tolist() == second.time_s.tolist() == [0.05, 0.0666666666666667, 0.1]


def test_the_frame_interval_of_the_clip_is_read_from_the_first_row_that_states_it(
    tmp_path: Path,
) -> None:
    head, first, *rest = TRACK.splitlines()
    text = "\n".join([f"{head},interval_s", f"{first},0.0168", *(f"{row}," for row in rest)])
    (track,) = read_tracks(put(tmp_path, "track.csv", text), height_px=1080)
    assert track.interval_s == 0.0168


def test_every_figure_of_a_track_comes_back_to_the_last_bit(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    names = ["time_s", "x_px", "y_px", "u_x_px", "u_y_px", "row", "cov_xy_px2", "time_u_s"]
    names += ["streak_px", "streak_u_px", "streak_angle_rad", "peak", "snr", "fill"]
    cells = rng.uniform(0.1, 0.3, (20, len(names)))
    cells[:, 0] = np.cumsum(cells[:, 0])
    cells[:, 6] = rng.uniform(-0.009, 0.009, 20)
    text = "frame," + ",".join(names) + ",used,residual_x_px,residual_y_px,x_m\n"
    for number, row in enumerate(cells.tolist()):
        figures = [repr(cell) for cell in row]
        if number == 4:
            figures[8:] = [""] * 6
        text += f"{number},{','.join(figures)},1,0.1,0.2,-3.5\n"
    (track,) = read_tracks(put(tmp_path, "track.csv", text), height_px=1080)
    columns = dict(zip(names, cells.T, strict=True))
    assert track.time_s.tolist() == columns["time_s"].tolist()
    assert track.xy_px.T.tolist() == [columns["x_px"].tolist(), columns["y_px"].tolist()]
    assert track.cov_px2[:, 0, 0].tolist() == (columns["u_x_px"] ** 2).tolist()
    assert track.cov_px2[:, 0, 1].tolist() == columns["cov_xy_px2"].tolist()
    assert track.cov_px2[:, 1, 0].tolist() == columns["cov_xy_px2"].tolist()
    assert track.row.tolist() == columns["row"].tolist()
    assert track.time_u_s.tolist() == columns["time_u_s"].tolist()
    for name in names[8:]:
        found, wanted = getattr(track, name), columns[name].copy()
        assert np.isnan(found[4])
        wanted[4] = np.nan
        assert np.array_equal(found, wanted, equal_nan=True)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("A2,80,", "A2,1.234,5,", "markers.csv: row 3: 7 cells, the header has 6; where numbers"),
        ("A2,80,", "A2,80 m,", 'row 3: x_m is "80 m", a number in metres is needed; 80 m is 80 m'),
        ("A2,80,", "A2,262 ft,", 'row 3: x_m is "262 ft", a number in metres is needed; '
         "262 ft is 79.8576 m"),
        ("A2,80,", "A2,12.09.2026,", 'row 3: x_m is "12.09.2026", a number in metres is needed'),
        ("A2,80,", "A2,2026-09-12,", 'row 3: x_m is "2026-09-12", a number in metres'),
        ("A2,80,", "A2,nan,", 'row 3: x_m is "nan", a number'),
        ("A2,80,", "A2,inf,", 'row 3: x_m is "inf", a number'),
        ("A2,80,", "A2,1e999,", "row 3: x_m is inf, a number"),
        ("A2,80,", "A2,1_0,", 'row 3: x_m is "1_0", a number'),
        ("A2,80,", "A2,\u0661,", "row 3: x_m is"),
        ("A2,80,", "A2,,", "row 3: x_m is blank, a number in metres is needed"),
        ("A2,80,", ",80,", "row 3: name is blank, a name is needed"),
        ("A2,80,-5,0,0.02,", "A2,80,-5,0,-0.02,", "row 3: u_m is -0.02, a number at least 0 in"),
        ("A2,80,-5,0,0.02,", "A2,80,-5,0,,", "row 3: u_m is blank, a number at least 0 in metres"),
        ("0.02,check", "0.02,chk", 'row 6: use is "chk", "fit" or "check" is needed'),
        ("A2,", "A1,", 'row 3: marker "A1" is in row 2 too; keep one, or rename it'),
        ("A2,", "a1,", 'row 3: marker "a1" is in row 2 too but for capitals, as "A1"; rename one'),
        ("u_m", "um", 'markers.csv: unknown column "um"; the nearest known is u_m'),
        ("u_m", "note", "column u_m is missing; standard uncertainty"),
        ("use", "u_m", "column u_m is there twice; keep one"),
        (MARKERS, "", "markers.csv: no header row; its first row must name the columns name,x_m"),
        (MARKERS, "# only a remark\n", "markers.csv: no header row"),
        (MARKERS, "name,x_m,y_m,z_m,u_m,use\n", "no marker yet, at least 4 are needed"),
        ("A2,", '"A2,', "markers.csv: cannot be read as CSV"),
        ("A2,", "x" * 200_000 + ",", "markers.csv: cannot be read as CSV"),
    ],
)  # fmt: skip
def test_each_fault_of_markers(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert old in MARKERS
    messages = faults(read_markers, put(tmp_path, "markers.csv", MARKERS.replace(old, new, 1)))
    assert any(message in each for each in messages), messages


@pytest.mark.parametrize(
    ("cell", "message"),
    [
        ("1.234,5", 'row 2: x_m is "1.234,5", a number in metres is needed'),
        ("1.234", 'row 2: x_m is "1.234", but other cells of this file have a decimal comma'),
        ("80 m", 'row 2: x_m is "80 m", a number'),
        ("1,5 ft", '1,5 ft is 0.4572 m'),
    ],
)  # fmt: skip
def test_a_decimal_comma_leaves_no_doubt(tmp_path: Path, cell: str, message: str) -> None:
    text = comma(MARKERS, ";").replace("A1;0;", f"A1;{cell};")
    assert message in faults(read_markers, put(tmp_path, "markers.csv", text))[0]


def test_a_remark_with_a_comma_is_no_decimal_comma(tmp_path: Path) -> None:
    rows = MARKERS.replace(",", ";").splitlines()
    text = "\n".join([rows[0] + ";note", *(row + ";1,5" for row in rows[1:])])
    assert read_markers(put(tmp_path, "markers.csv", text))[3].xyz_m.tolist() == [80.0, 5.0, 2.5]


def test_two_lights_are_a_track(tmp_path: Path) -> None:
    text = "\n".join(TRACK.splitlines()[:3])
    assert len(read_tracks(put(tmp_path, "track.csv", text), height_px=1080)[0]) == 2


def test_a_row_is_numbered_as_the_spreadsheet_shows_it(tmp_path: Path) -> None:
    text = '# remark\n\nname,x_m,y_m,z_m,u_m,note\nA,0,0,0,0,"two\nlines"\n\n# no\nB,far,0,0,0,\n'
    path = put(tmp_path, "markers.csv", text)
    assert faults(read_markers, path) == ('markers.csv: row 7: x_m is "far", a number in metres '
                                          "is needed",)  # fmt: skip


def test_use_left_out_means_fit(tmp_path: Path) -> None:
    text = "name,x_m,y_m,z_m,u_m,use\nA,0,0,0,0,\nB,1,0,0,0,Check\nC,2,0,0,0\n"
    markers = read_markers(put(tmp_path, "markers.csv", text))
    assert [marker.use for marker in markers] == ["fit", "check", "fit"]


def test_names_are_the_same_however_letters_are_composed(tmp_path: Path) -> None:
    text = "name,x_m,y_m,z_m,u_m\n{}1,0,0,0,0\n"
    composed = read_markers(put(tmp_path, "a.csv", text.format("\u00e9")))
    parted = read_markers(put(tmp_path, "b.csv", text.format("e\u0301")))
    assert composed[0].name == parted[0].name


def test_many_faults_of_one_file_are_counted(tmp_path: Path) -> None:
    text = "name,x_m,y_m,z_m,u_m\n" + "".join(f"M{n},far,0,0,0\n" for n in range(40))
    messages = faults(read_markers, put(tmp_path, "markers.csv", text))
    assert len(messages) == 13 and messages[-1] == "markers.csv: 28 more such faults"


@pytest.mark.parametrize(
    "data",
    [b"name,x_m\ncaf\xe9,1\n", b"\xff\xfen\x00a", b"n\0a\0m\0e\0", b"\xff\xfe\x00\x00a\0\0\0"],
)
def test_what_is_no_text_is_refused(tmp_path: Path, data: bytes) -> None:
    messages = faults(read_markers, put(tmp_path, "markers.csv", data))
    assert messages[0].startswith("markers.csv: ")


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    assert "none.csv: cannot be read" in faults(read_markers, tmp_path / "none.csv")[0]
    assert "cannot be read" in faults(read_tracks, tmp_path, height_px=1080)[0]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("4,0.0666666666666667", "4,0.05", "track.csv: row 3: time_s is 0.05, not later than 0.05"),
        ("4,0.0666666666666667", "4,0.01", "row 3: time_s is 0.01, not later than 0.05"),
        ("0.4,0.2", "0,0.2", "row 4: u_x_px is 0.0, a number at least 1e-06"),
        ("0.4,0.2", "0.4,1e-300", "row 4: u_y_px is 1e-300, a number at least 1e-06"),
        ("0.4,0.2", "0.4,", "row 4: u_y_px is blank"),
        ("\n3,", "\n3.5,", "row 2: frame is 3.5, a whole number at least 0"),
        ("\n3,", "\n-3,", "row 2: frame is -3.0, a whole number at least 0"),
        ("u_y_px", "uy_px", 'unknown column "uy_px"; the nearest known is u_y_px'),
        ("u_y_px", "loud", "column u_y_px is missing"),
        ("frame", "time_u", 'unknown column "time_u"; the nearest known is time_u_s'),
        (TRACK[TRACK.index("4,0.06") :], "", "1 rows of lights, at least 2 are needed"),
        ("u_y_px\n3,0.05,100.5,540.0,0.3,0.2", "u_y_px,cov_xy_px2\n3,0.05,100.5,540.0,0.3,0.2,0.06",
         "row 2: cov_xy_px2 is 0.06, a number nearer 0 than u_x_px times u_y_px (0.06)"),
        ("u_y_px\n3,0.05,100.5,540.0,0.3,0.2", "u_y_px,row\n3,0.05,100.5,540.0,0.3,0.2,540",
         "row 2: row is 540.0, a number at least -0.1 and at most 1.1"),
    ],
)  # fmt: skip
def test_each_fault_of_a_track(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert old in TRACK
    path = put(tmp_path, "track.csv", TRACK.replace(old, new, 1))
    messages = faults(read_tracks, path, height_px=1080)
    assert any(message in each for each in messages), messages


def test_a_file_that_is_no_table_by_its_size_is_not_read(tmp_path):
    path = tmp_path / "track.csv"
    with path.open("wb") as stream:
        stream.truncate(65 << 20)  # a hole: it takes no room
    with pytest.raises(SessionError, match=r"track\.csv: is larger than 64 MB"):
        read_tracks(path, height_px=1080)
