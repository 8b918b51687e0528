"""Files that are dropped: streamed in, named anew where a name is taken or no good, limited."""

import asyncio

import pytest

from vidspeed.desk.uploads import TooLarge, clean_name, take_in
from vidspeed.errors import ResultsError


def sent(home, name, *chunks, stated=None, most=1 << 20):
    async def stream():
        for chunk in chunks:
            yield chunk

    return asyncio.run(take_in(stream(), home, name, stated=stated, most=most))


def names(home):
    return sorted(path.name for path in home.iterdir())


def test_a_file_comes_in_as_it_was_sent(tmp_path):
    path = sent(tmp_path / "clips", "pass 1.mp4", b"ab", b"", b"cd", stated=4)
    assert path == tmp_path / "clips" / "pass 1.mp4" and path.read_bytes() == b"abcd"
    assert names(tmp_path / "clips") == ["pass 1.mp4"]


def test_nothing_is_written_over(tmp_path):
    first = sent(tmp_path, "a.mp4", b"one")
    second = sent(tmp_path, "a.mp4", b"two")
    third = sent(tmp_path, "a.mp4", b"three")
    assert [path.name for path in (first, second, third)] == ["a.mp4", "a-2.mp4", "a-3.mp4"]
    assert [path.read_bytes() for path in (first, second, third)] == [b"one", b"two", b"three"]


@pytest.mark.parametrize(
    "name",
    [
        "../../../etc/x.mp4", "/abs.mp4", "C:\\up\\..\\x.mp4", "..", ".", "", ".hidden", "con.mp4",
        "a\0b.mp4", "a\u202egpj.mp4", "<script>alert(1)</script>.mp4", "x" * 10_000 + ".mp4",
        "a.b/../../c.mp4", "e\u0301.mp4", "\ud800.mp4",
    ],
)  # fmt: skip
def test_no_name_leads_anywhere_else(tmp_path, name):
    home = tmp_path / "session" / "clips"
    path = sent(home, name, b"x")
    assert path.parent == home and path.resolve().parent == home.resolve()
    assert path.name == clean_name(name) and not path.name.startswith(".")
    assert len(path.name.encode("utf-8")) <= 255 and path.name.isprintable()
    assert names(tmp_path) == ["session"] and names(tmp_path / "session") == ["clips"]


def test_too_much_is_refused_before_and_while_it_comes(tmp_path):
    with pytest.raises(TooLarge, match="larger than"):
        sent(tmp_path, "a.mp4", b"x", stated=11, most=10)
    with pytest.raises(TooLarge, match="larger than"):
        sent(tmp_path, "a.mp4", b"x" * 6, b"x" * 6, most=10)
    assert names(tmp_path) == []


def test_what_breaks_off_leaves_nothing(tmp_path):
    with pytest.raises(ResultsError, match="broke off"):
        sent(tmp_path, "a.mp4", b"half", stated=8)

    async def broken():
        yield b"half"
        raise ConnectionError("gone")

    with pytest.raises(ResultsError, match="cannot be written"):
        asyncio.run(take_in(broken(), tmp_path, "a.mp4", stated=None))
    assert names(tmp_path) == []
