"""session.toml changed key by key: what it says changes, comments, order and blank lines stay."""

import tomllib
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vidspeed.desk.toml import entries, put, read, take_away
from vidspeed.errors import SessionError
from vidspeed.session.keys import SESSION_KEYS, TABLES
from vidspeed.session.scaffold import session_text

TEXT = """\
# an evening
title = "x"  # as said

# the course
[course]
length_m = 80.0   # by tape
## the tape's own
# length_u_m = 0.02

## ---- clips
[[clip]]
file = "clips/a.mp4"  # the first
camera = "north"
# flight = "1"

# of the south
[[clip]]
file = "clips/b.mp4"
camera = "south"
"""


def changed_lines(before, after):
    """Return the lines that are in only one of two texts."""
    old, new = before.splitlines(), after.splitlines()
    return [line for line in old if line not in new], [line for line in new if line not in old]


def test_a_value_is_replaced_and_its_comment_stays():
    assert changed_lines(TEXT, put(TEXT, "course", 0, {"length_m": 81.25})) == (
        ["length_m = 80.0   # by tape"],
        ["length_m = 81.25   # by tape"],
    )


def test_a_new_key_takes_the_place_of_its_comment_and_leaves_it_there_again():
    stated = put(TEXT, "course", 0, {"length_u_m": 0.03})
    assert changed_lines(TEXT, stated) == (["# length_u_m = 0.02"], ["length_u_m = 0.03"])
    assert put(stated, "course", 0, {"length_u_m": None}) == stated.replace(
        "length_u_m = 0.03", "# length_u_m = 0.03"
    )


def test_a_key_without_a_comment_stands_behind_its_neighbours():
    changed = put(TEXT, "clip", 1, {"pass": "2", "flight": "1"})
    assert changed == TEXT + 'flight = "1"\npass = "2"\n'
    assert put(TEXT, "clip", 0, {"flight": "3"}) == TEXT.replace('# flight = "1"', 'flight = "3"')
    assert put(TEXT, "", 0, {"place": "moor"}) == TEXT.replace(
        "# as said\n", '# as said\nplace = "moor"\n'
    )


def test_a_table_is_added_behind_the_last_of_its_name_and_taken_away():
    more = put(TEXT, "clip", 2, {"file": "clips/c.mp4", "camera": "north"})
    assert more == TEXT + '\n[[clip]]\nfile = "clips/c.mp4"\ncamera = "north"\n'
    assert take_away(more, "clip", 2).rstrip() == TEXT.rstrip()
    assert [row["file"] for row in read(take_away(more, "clip", 0))["clip"]] == [
        "clips/b.mp4", "clips/c.mp4",
    ]  # fmt: skip
    aired = put(TEXT, "air", 0, {"temperature_c": 14.0})
    assert aired == TEXT + "\n[air]\ntemperature_c = 14.0\n"
    assert "# temperature_c = 14.0" in take_away(aired, "air", 0)


def test_a_key_of_a_new_session_can_be_stated_and_taken_away_where_it_stands():
    text = session_text()
    for key in SESSION_KEYS[::25]:
        if "." in key.table:
            continue
        value = tomllib.loads(f"x = {key.example}")["x"]
        stated = put(text, key.table, 0, {key.name: value})
        assert entries(read(stated), key.table)[0][key.name] == value, key
        gone, come = changed_lines(text, stated)
        assert len(come) <= 2 and len(gone) <= 2, (key, gone, come)
        assert not [line for line in gone if line.startswith("## ")], key
        assert not entries(read(put(stated, key.table, 0, {key.name: None})), key.table)[0].get(
            key.name
        )


def test_what_is_stated_in_a_new_session_stands_in_the_order_of_the_table():
    text = session_text()
    some = SESSION_KEYS[::4]
    for key in reversed(some):
        if "." not in key.table:
            value = tomllib.loads(f"x = {key.example}")["x"]
            text = put(text, key.table, 0, {key.name: value})
    data = read(text)
    for table in ("", *(table.name for table in TABLES)):
        names = [key.name for key in some if key.table == table]
        if names:
            stated = [name for name in entries(data, table)[0] if name in names]
            assert stated == names
    heads = [text.index(f"[{table.name}]") for table in TABLES]
    assert all(first < second for first, second in pairwise(heads))


@pytest.mark.parametrize(
    "text",
    [
        'course = {length_m = 80.0}\nclip = [{file = "a", camera = "n"}]\n',
        'course.length_m = 80.0\n[[clip]]\nfile = """\n# length_u_m = 1\n"""\ncamera = "n"\n',
        "[ course ]\nlength_m = 80.0\n[['clip']]\nfile='a'\ncamera='n'",
    ],
)
def test_other_ways_of_writing_are_changed_too(text):
    changed = put(text, "course", 0, {"length_u_m": 0.02, "length_m": 81.0})
    changed = put(changed, "clip", 0, {"flight": "1", "camera": "südost \" '"})
    data = read(changed)
    assert data["course"] == {"length_m": 81.0, "length_u_m": 0.02}
    assert data["clip"][0]["flight"] == "1" and data["clip"][0]["camera"] == "südost \" '"
    assert data["clip"][0]["file"] == read(text)["clip"][0]["file"]


def test_a_text_that_is_no_toml_is_said():
    with pytest.raises(
        SessionError, match=r"session\.toml: line 1, title =: a text in quotation marks"
    ):
        put("title = ", "", 0, {"title": "x"})


@settings(max_examples=25, deadline=None, derandomize=True)
@given(value=st.text(max_size=60))
def test_any_text_that_is_typed_comes_back_as_it_was_typed(value):
    changed = put(TEXT, "clip", 1, {"setup": value})
    assert read(changed)["clip"][1]["setup"] == value
    assert changed.startswith(TEXT.rstrip("\n"))
