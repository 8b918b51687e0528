"""Forms held against the session by its own reader, and written into it."""

import tomllib

import pytest

from tests.desk.daylight import session_without_picks
from vidspeed.desk.day import steps_of
from vidspeed.desk.fields import help_of, label_of, text_of, value_of
from vidspeed.desk.setup import Form, faults_of
from vidspeed.desk.sources import Changed
from vidspeed.errors import SessionError
from vidspeed.session.check import Refused
from vidspeed.session.keys import SESSION_KEYS, keys_of
from vidspeed.session.scaffold import new_session


def test_every_key_has_a_field_that_takes_its_own_example():
    for key in SESSION_KEYS:
        assert label_of(key) and help_of(key)
        value = tomllib.loads(f"x = {key.example}")["x"]
        text = text_of(key, value)
        if key.kind not in ("table", "tables"):
            assert text_of(key, tomllib.loads(f"x = {key.example}")["x"]) == text
            found = value_of(key, text)
            found = found.unwrap() if hasattr(found, "unwrap") else found
            assert found == value, key
        assert value_of(key, "  ") is None


@pytest.mark.parametrize(
    ("table", "name", "text", "means"),
    [
        ("course", "length_m", " 80.00 ", 80.0),
        ("course", "length_m", "80,5", 80.5),
        ("camera", "image_size_px", "1920;1080", [1920, 1080]),
        ("flight_line", "offset_m", "\N{MINUS SIGN}0.5", -0.5),
        ("clip", "pass", "007", "007"),
        ("", "date", "2026-09-12", None),
    ],
)
def test_what_is_typed_is_taken_as_a_reader_of_tables_would(table, name, text, means):
    found = value_of(keys_of(table)[name], text)
    found = found.unwrap() if hasattr(found, "unwrap") else found
    assert means is None or found == means


@pytest.mark.parametrize(
    ("table", "name", "text", "said"),
    [
        ("course", "length_m", "262 ft", "262 ft is 79.8576 m"),
        ("course", "length_m", "1,234", "a number above 0"),
        ("course", "length_m", "-1", "above 0"),
        ("camera", "image_size_px", "1920", "a list of 2"),
        ("clip", "expect", "some", '"none"'),
        ("", "date", "12.9.2026", "a date"),
        ("course", "length_m", "1\nx = 2", "a number"),
    ],
)
def test_what_cannot_be_is_said_in_the_words_of_the_reader(table, name, text, said):
    with pytest.raises(Refused, match=f"{name} is .*{said}"):
        value_of(keys_of(table)[name], text)


def test_a_new_session_is_filled_in_from_its_forms(tmp_path):
    new_session(tmp_path)
    course = Form(tmp_path, "course")
    assert "length_m is missing" in course.judged().fields["length_m"]
    course.texts["length_m"] = "262 ft"
    assert "79.8576" in course.judged().fields["length_m"]
    with pytest.raises(SessionError, match=r"79\.8576"):
        course.save()
    course.texts.update(length_m="79.86", length_u_m="0.02")
    assert not course.judged().fields
    course.save()
    line = Form(tmp_path, "flight_line")
    line.texts.update(offset_m="0", offset_u_m="0.2", height_m="3", height_u_m="0.3")
    line.save()
    camera = Form(tmp_path, "camera", 1)
    camera.texts["name"] = "south"
    assert "image_size_px is missing" in camera.judged().fields["image_size_px"]
    camera.texts["image_size_px"] = "1280, 720"
    camera.save()
    first = Form(tmp_path, "camera", 0)
    first.texts["image_size_px"] = "1920, 1080"
    first.save()
    data = tomllib.loads((tmp_path / "session.toml").read_text(encoding="utf-8"))
    assert data["course"] == {"length_m": 79.86, "length_u_m": 0.02, "markers": "markers.csv"}
    assert data["camera"][1] == {
        "name": "south", "image_size_px": [1280, 720], "picks": "picks-south.csv",
    }  # fmt: skip
    assert faults_of(tmp_path) == (
        "markers.csv: no marker yet, at least 4 are needed and eight or more are better; "
        "write a row for each",
    )


def test_two_open_pages_do_not_overwrite_each_other(tmp_path):
    folder = session_without_picks(tmp_path)
    one, other = Form(folder, "course"), Form(folder, "flight_line")
    one.texts["length_m"] = "60.5"
    other.texts["height_m"] = "3.5"
    one.save()
    before = (folder / "session.toml").read_bytes()
    with pytest.raises(Changed, match="changed by somebody else"):
        other.save()
    assert (folder / "session.toml").read_bytes() == before
    assert other.texts["height_m"] == "3.5"
    again = Form(folder, "flight_line")
    again.texts["height_m"] = "3.5"
    again.save()
    text = (folder / "session.toml").read_text(encoding="utf-8")
    assert "length_m = 60.5\n" in text and "height_m = 3.5\n" in text
    assert not list(folder.glob(".*"))


def test_line_ends_of_the_file_stay(tmp_path):
    folder = session_without_picks(tmp_path)
    path = folder / "session.toml"
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    form = Form(folder, "course")
    form.texts["length_m"] = "60.5"
    form.save()
    data = path.read_bytes()
    assert b"length_m = 60.5\r\n" in data and data.count(b"\n") == data.count(b"\r\n")


def test_a_camera_is_taken_away(tmp_path):
    folder = session_without_picks(tmp_path)
    Form(folder, "camera", 0).remove()
    assert any("[[camera]] is missing" in message for message in faults_of(folder))


def test_hostile_words_stay_words(tmp_path):
    folder = session_without_picks(tmp_path)
    day = Form(folder, "")
    day.texts["title"] = '"]\n[evil]\nx = "<script>'
    assert day.judged().fields["title"].startswith("title is ")
    day.texts["title"] = "\\\" ' <script>]]"
    day.save()
    data = tomllib.loads((folder / "session.toml").read_text(encoding="utf-8"))
    assert data["title"] == "\\\" ' <script>]]" and "evil" not in data


def test_a_form_of_a_table_that_is_not_there_is_one_of_a_new_one(tmp_path):
    folder = session_without_picks(tmp_path)
    form = Form(folder, "clip", 999)
    form.texts.update(file="clips/a.mp4", camera="north")
    form.save()
    data = tomllib.loads((folder / "session.toml").read_text(encoding="utf-8"))
    assert data["clip"] == [{"file": "clips/a.mp4", "camera": "north"}]
    assert not form.new and not form.changed


def test_the_steps_of_the_day_say_what_is_next(tmp_path):
    new_session(tmp_path)
    steps = steps_of(tmp_path)
    assert [step.done for step in steps] == [False] * 6
    assert steps[0].state.endswith(" things to do")
    (tmp_path / "two").mkdir()
    steps = steps_of(session_without_picks(tmp_path / "two"))
    assert [step.done for step in steps] == [True] + [False] * 5
    assert steps[1].state == "north: 0 of 6 markers" and steps[2].state == "none yet"
