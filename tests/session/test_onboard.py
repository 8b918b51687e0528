"""`[[log]]` in a session: formats, columns and units, and what is wrong with it."""

from __future__ import annotations

import numpy as np
import pytest

from vidspeed.agreement.onboard import runs
from vidspeed.session.check import Faults, Taken
from vidspeed.session.onboard import check_logs, take_logs
from vidspeed.session.paths import Files

TABLE = (
    "Zeit;V;Breite;Laenge;Akku\n0;360,0;54,0;-2,0;x\n100;370,8;54,0001;-2,0;y\n"
    "200;;54,0002;-2,0;z\n"
)
NAMED = {
    "file": "a.csv", "time_column": "zeit", "time_unit": "ms", "speed_column": "v",
    "speed_unit": "kmh", "latitude_column": "breite", "longitude_column": "laenge",
}  # fmt: skip


def taken_from(tmp_path, text, values):
    (tmp_path / values["file"]).write_text(text, encoding="utf-8", newline="")
    faults = Faults()
    found = take_logs([Taken(values, frozenset(values))], Files(tmp_path), faults)
    return found, faults.messages


def test_columns_have_the_names_and_units_that_are_said(tmp_path):
    (record,), messages = taken_from(tmp_path, TABLE, NAMED)
    assert messages == []
    assert record.time_s == pytest.approx([0.0, 0.1])
    assert record.speed_mps == pytest.approx([100.0, 103.0])
    assert record.north_m[1] == pytest.approx(11.12, abs=0.01)
    assert not record.clock
    assert "1 rows" in record.notes[0]


def test_without_speeds_places_will_do(tmp_path):
    values = {key: value for key, value in NAMED.items() if not key.startswith("speed")}
    (record,), _ = taken_from(tmp_path, TABLE, values)
    assert record.speed_mps is None
    assert len(record.time_s) == 3
    assert np.all(record.east_m == 0.0)


@pytest.mark.parametrize(
    ("text", "change", "message"),
    [
        (TABLE, {"speed_column": "speed"}, "column speed is missing; it has Zeit"),
        (TABLE.replace("360,0", "fast"), {}, 'row 2: v is "fast"'),
        (TABLE.replace("\n200", "\n50"), {}, "row 4: its time is before"),
        (TABLE.replace("54,0001", "91,0"), {}, "row 3: breite is 91"),
        (TABLE, {"file": "a.txt"}, 'write format = "gpx"'),
        ("zeit;v\n0;1\n", {}, "column breite is missing"),
    ],
)
def test_what_is_wrong_is_said(tmp_path, text, change, message):
    found, messages = taken_from(tmp_path, text, {**NAMED, **change})
    assert found == ()
    assert any(message in each for each in messages), messages


def test_a_speed_that_nothing_has_is_no_fix(tmp_path):
    text = TABLE.replace("360,0", "1e200") + "300;371;54;-2;x\n400;372;54;-2;x\n"
    (record,), _ = taken_from(tmp_path, text, NAMED)
    assert record.speed_mps == pytest.approx(np.array([370.8, 371.0, 372.0]) / 3.6)
    assert len(runs(record)) == 1


def test_a_missing_file_and_a_csv_without_columns(tmp_path):
    faults = Faults()
    take_logs([Taken({"file": "no.gpx"}, frozenset({"file"}))], Files(tmp_path), faults)
    assert 'log 1: file "no.gpx" does not exist' in faults.messages[0]
    _, messages = taken_from(tmp_path, TABLE, {"file": "a.csv"})
    assert "name speed_column" in messages[0]


def test_passes_must_be_passes_of_clips():
    faults = Faults()
    clips = [Taken({"pass": "1"}, frozenset({"pass"}))]
    check_logs([Taken({"passes": ("1", "2")}, frozenset())], clips, faults)
    assert len(faults) == 1 and 'names "2"' in faults.messages[0]
