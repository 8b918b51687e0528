"""A stranger's pack is refused with words, and nothing is written where it should not be."""

from __future__ import annotations

import io
import random
import shutil
import struct
import tracemalloc
import zipfile

import pytest

from vidspeed.errors import PackError
from vidspeed.evidence.form import BIG, Entry, local_header, read_entries, tail
from vidspeed.evidence.limits import Limits
from vidspeed.evidence.unpack import unpack
from vidspeed.record.names import objection

from .hostile import cases, with_files
from .packed import with_manifest, zipped

CASES = list(cases())
MOST_MEMORY = 24_000_000  # bytes that refusing any of them may take


def tree(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


@pytest.mark.parametrize(("what", "make", "words"), CASES, ids=[case[0] for case in CASES])
def test_it_is_refused_with_words(what, make, words, held, tmp_path):
    pack, into = tmp_path / "stranger.zip", tmp_path / "deep" / "into"
    into.mkdir(parents=True)
    pack.write_bytes(make(held))
    tracemalloc.start()
    try:
        with pytest.raises(PackError) as error:
            unpack(pack, into)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    message = "\n".join(error.value.messages)
    assert words in message
    assert all(line.startswith("stranger.zip: ") for line in error.value.messages)
    assert peak < MOST_MEMORY
    outside = [name for name in tree(tmp_path) if not name.startswith("deep/into")]
    assert outside == ["deep", "stranger.zip"]
    inside = {path for path in into.rglob("*") if path.is_file()}
    assert {path.relative_to(into).as_posix() for path in inside} <= {"manifest.json", *held}


def test_the_honest_pack_is_taken(packed, held, tmp_path):
    pack, into = tmp_path / "a.zip", tmp_path / "into"
    into.mkdir()
    pack.write_bytes(packed)
    found = unpack(pack, into)
    assert found.bytes == len(packed)
    there = {path.relative_to(into).as_posix(): path.read_bytes() for path in into.rglob("*.*")}
    there = {name: data for name, data in there.items() if name != "manifest.json"}
    assert there == held
    assert with_manifest(held) == packed
    assert unpack(pack, None).sha256 == found.sha256


def test_every_flipped_byte_is_noticed(packed, tmp_path):
    """A sample of all places, and of the directory; the bench flips every one."""
    chosen = random.Random(4)
    places = {chosen.randrange(len(packed)) for _ in range(100)}
    places |= set(range(len(packed) - 800, len(packed), 8)) | set(range(0, 60, 3))
    places |= set(range(len(packed) - 90, len(packed)))
    pack = tmp_path / "a.zip"
    for place in sorted(places):
        data = bytearray(packed)
        data[place] ^= 1 << chosen.randrange(8)
        pack.write_bytes(data)
        with pytest.raises(PackError):
            unpack(pack, None)


def test_a_pack_that_was_cut_is_refused(packed, tmp_path):
    pack = tmp_path / "a.zip"
    for left in (0, 3, 21, 22, 100, len(packed) // 2, len(packed) - 22, len(packed) - 1):
        pack.write_bytes(packed[:left])
        with pytest.raises(PackError, match=r"cut short|no ZIP file"):
            unpack(pack, None)


def test_a_damaged_file_is_named_each(packed, held, tmp_path):
    damaged = {**held, "markers.csv": held["markers.csv"].replace(b"0.2", b"0.3")}
    assert len(damaged["markers.csv"]) == len(held["markers.csv"])
    first = packed[packed.index(b"{") : packed.index(b"\n}\n") + 3]
    pack = tmp_path / "a.zip"
    pack.write_bytes(zipped([("manifest.json", first), *sorted(damaged.items())]))
    with pytest.raises(PackError) as error:
        unpack(pack, None)
    assert error.value.messages == (
        'a.zip: "markers.csv": is not what the manifest says (its SHA-256 differs); ask for the '
        "pack as `vidspeed pack` wrote it",
    )


def test_a_full_disk_is_said_before_anything_is_written(packed, tmp_path, monkeypatch):
    into = tmp_path / "into"
    into.mkdir()
    (tmp_path / "a.zip").write_bytes(packed)
    usage = shutil.disk_usage(tmp_path)._replace(free=1000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: usage)
    with pytest.raises(PackError, match=r"GB are needed in .*set TMPDIR"):
        unpack(tmp_path / "a.zip", into)
    assert tree(into) == []


def test_limits_are_stated_and_can_be_lifted(packed, tmp_path):
    pack = tmp_path / "a.zip"
    pack.write_bytes(packed)
    with pytest.raises(PackError, match=r"allow more with --most-gb"):
        unpack(pack, None, limits=Limits(bytes=1000))
    with pytest.raises(PackError, match=r"at most 5 are taken"):
        unpack(pack, None, limits=Limits(files=5))


def test_nothing_is_written_through_a_link_that_is_there(packed, tmp_path):
    into, other = tmp_path / "into", tmp_path / "other"
    into.mkdir()
    other.mkdir()
    (into / "results").symlink_to(other)
    (tmp_path / "a.zip").write_bytes(packed)
    with pytest.raises(PackError, match="leads out of its folder"):
        unpack(tmp_path / "a.zip", into)
    assert tree(other) == []


@pytest.mark.parametrize("what", ["folder", "nothing"])
def test_what_is_no_file_is_said(what, tmp_path):
    path = tmp_path if what == "folder" else tmp_path / "a.zip"
    with pytest.raises(PackError, match=r"this is a folder|there is no such file"):
        unpack(path, None)


def test_names_that_every_system_keeps_may_stand_in_a_pack(held, tmp_path):
    pack = tmp_path / "a.zip"
    names = (
        "clips/pass 1.mp4",
        "clips/Über die Wiese – 2.MOV",
        "a/b/c.d.e",
        "results/.x",
        "日本.csv",
    )
    data = with_manifest({**held, **dict.fromkeys(names, b"x")})
    pack.write_bytes(data)
    assert {row.file for row in unpack(pack, None).manifest.files} == {*held, *names}
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert archive.testzip() is None
        assert set(names) < set(archive.namelist())
    assert with_files(held, ()) == with_manifest(held)
    assert all(objection(part) is None for name in names for part in name.split("/"))


@pytest.mark.parametrize("size", [BIG - 1, BIG, BIG + 1, 3 * BIG])
def test_clips_beyond_four_gigabytes_have_the_form_that_zip_programs_read(size, tmp_path):
    """The file has a hole where the clip would be, so that it takes no room."""
    entries = [
        Entry(file="manifest.json", bytes=0, crc=0, at=0),
        Entry(file="clips/é.mp4", bytes=size, crc=7, at=len(b"manifest.json") + 30),
    ]
    entries.append(Entry(file="z", bytes=0, crc=0, at=entries[1].end))
    path = tmp_path / "large.zip"
    with path.open("wb") as stream:
        for entry in entries:
            stream.seek(entry.at)
            stream.write(local_header(entry))
        stream.seek(entries[-1].end)
        stream.write(tail(entries))
    with zipfile.ZipFile(path) as archive:
        read = [(i.filename, i.file_size, i.CRC, i.header_offset) for i in archive.infolist()]
        assert archive.read("z") == b""
    assert read == [(row.file, row.bytes, row.crc, row.at) for row in entries]
    with path.open("rb") as stream:
        again = read_entries(stream, Limits())
        assert [(row.file, row.bytes, row.crc, row.at) for row in again] == read
    extra = struct.unpack("<H", local_header(entries[1])[28:30])[0]
    assert (extra > 0) == (size >= BIG)
