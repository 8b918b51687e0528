"""A pack: the same bytes for the same session, whole or not at all, and never of stale results."""

from __future__ import annotations

import errno
import io
import json
import os
import shutil
import zipfile
from pathlib import Path

import pytest

from vidspeed.errors import PackError
from vidspeed.evidence import pack as packing
from vidspeed.evidence.pack import pack
from vidspeed.record.contents import contents_bytes, read_contents
from vidspeed.values import InputFile

from .packed import measured, sha256


def said(error: pytest.ExceptionInfo[PackError]) -> str:
    return "\n".join(error.value.messages)


def leftovers(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if ".part" in path.name)


def test_any_program_for_zip_files_reads_it(packed):
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        assert archive.testzip() is None
        names = archive.namelist()
        manifest = json.loads(archive.read("manifest.json"))
        assert names[0] == "manifest.json"
        assert names[1:] == sorted(names[1:]) == [row["file"] for row in manifest["files"]]
        for row in manifest["files"]:
            content = archive.read(row["file"])
            assert (row["bytes"], row["sha256"]) == (len(content), sha256(content))
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    assert manifest["schema"] == "vidspeed.pack/1"
    assert manifest["absent"] == []


def test_it_holds_inputs_results_and_nothing_else_of_the_folder(session, packed):
    (session / "private.txt").write_text("not for anybody", encoding="utf-8")
    (session / "results" / "notes.txt").write_text("nor this", encoding="utf-8")
    out = session.parent / "more.zip"
    pack(session, out=out)
    assert out.read_bytes() == packed
    with zipfile.ZipFile(out) as archive:
        names = set(archive.namelist())
    assert names >= {
        "session.toml", "markers.csv", "picks-north.csv", "hand/out.csv", "hand/back.csv",
        "results/summary.json", "results/report.html", "results/passes.csv",
        "results/sensitivities.json", "results/contents.sha256", "results/north-out/track.csv",
        "results/calibration/north.png",
    }  # fmt: skip


def test_the_same_session_gives_the_same_bytes(session, packed):
    for path in session.rglob("*"):
        os.utime(path, (1e9, 1e9))
    made = pack(session)
    assert made.path == session.parent / "afternoon-pack.zip"
    assert made.path.read_bytes() == packed
    assert made.sha256 == sha256(packed)
    assert made.bytes == len(packed)


def test_the_report_ends_with_the_hash_of_the_contents_beside_lines_to_sign(session):
    contents = (session / "results/contents.sha256").read_bytes()
    report = (session / "results/report.html").read_text(encoding="utf-8")
    last = report[report.rindex("<section") :]
    assert sha256(contents) in last
    assert "Signature" in last
    listed = read_contents(contents)
    assert set(listed) >= {"session.toml", "hand/out.csv", "results/summary.json"}
    for name, value in listed.items():
        assert sha256((session / name).read_bytes()) == value


def test_the_sheet_states_the_mark_beside_both_hashes(session):
    made = pack(session, unit="mph")
    text = made.sheet.read_text(encoding="utf-8")
    assert made.sheet.name == "afternoon-pack-witness.html"
    for words in (
        made.sha256, made.contents_sha256, "A short afternoon", "2026-08-22", "Low Moor airstrip",
        "Skein 2", "Mark 185.7 ± ", "mph", "Signature", "afternoon-pack.zip",
    ):  # fmt: skip
        assert words in text, words


def test_what_a_stranger_wrote_cannot_act_in_the_sheet(session):
    toml = session / "session.toml"
    text = toml.read_text(encoding="utf-8")
    toml.write_text(text.replace("A short", "<script>alert(1)</script>"), encoding="utf-8")
    measured(session)
    assert "<script" not in pack(session).sheet.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "name", ["session.toml", "markers.csv", "hand/out.csv", "results/summary.json"]
)
def test_results_that_do_not_belong_to_their_files_are_refused(session, name):
    with (session / name).open("ab") as stream:
        stream.write(b"\n")
    with pytest.raises(PackError) as error:
        pack(session)
    assert said(error).startswith(f"{name}: has changed since the results were written")
    assert "vidspeed run" in said(error)
    assert sorted(path.name for path in session.parent.iterdir()) == ["afternoon"]


@pytest.mark.parametrize(
    ("gone", "words"),
    [
        ("results", "there are no results in it"),
        ("results/contents.sha256", "an earlier version of vidspeed wrote these results"),
        ("results/report.html", "results/report.html: is no longer there"),
        ("results/north-out/track.csv", "results/north-out/track.csv: is no longer there"),
        ("hand/out.csv", "hand/out.csv: is no longer there"),
    ],
)
def test_what_is_missing_is_named(session, gone, words):
    path = session / gone
    shutil.rmtree(path) if path.is_dir() else path.unlink()
    with pytest.raises(PackError) as error:
        pack(session)
    assert words in said(error)


def test_a_file_that_the_results_do_not_rest_on_is_named(session):
    contents = session / "results/contents.sha256"
    lines = contents.read_text(encoding="utf-8").splitlines(keepends=True)
    contents.write_text("".join(row for row in lines if "markers" not in row), encoding="utf-8")
    with pytest.raises(PackError, match=r"markers\.csv: the results do not rest on it yet"):
        pack(session)


def test_a_signed_pack_is_not_overwritten_unasked(session):
    first = pack(session)
    kept = first.path.read_bytes()
    assert pack(session).sha256 == first.sha256  # the same bytes again harm nobody
    toml = session / "session.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + "\n# more\n", encoding="utf-8")
    measured(session)
    with pytest.raises(PackError, match="is there already and differs"):
        pack(session)
    assert first.path.read_bytes() == kept
    assert leftovers(session.parent) == []
    assert pack(session, replace=True).sha256 != first.sha256


@pytest.mark.parametrize("at", ["_copy", "fsync", "unpack"])
def test_a_fault_on_the_way_leaves_nothing(session, monkeypatch, at):
    kept = pack(session)
    before = kept.path.read_bytes()

    def fail(*_args, **_kwargs):
        raise OSError(errno.ENOSPC, "no space")

    monkeypatch.setattr(os if at == "fsync" else packing, at, fail)
    with pytest.raises(PackError, match="the disk is full"):
        pack(session, replace=True)
    assert kept.path.read_bytes() == before
    assert leftovers(session.parent) == []


def test_a_file_that_changes_while_it_is_packed_is_noticed(session, monkeypatch):
    fill = packing._fill

    def changed(*args):
        (session / "markers.csv").write_bytes(b"name,x_m\n")
        fill(*args)

    monkeypatch.setattr(packing, "_fill", changed)
    with pytest.raises(PackError, match=r"markers\.csv: changed while it was packed"):
        pack(session)
    assert leftovers(session.parent) == []
    assert not (session.parent / "afternoon-pack.zip").exists()


@pytest.mark.parametrize(
    ("out", "words"),
    [("pack.tar", "a name that ends in .zip"), ("nowhere/pack.zip", "no such folder")],
)
def test_where_it_cannot_go_is_said(session, out, words):
    with pytest.raises(PackError, match=words):
        pack(session, out=session.parent / out)


def test_a_name_that_some_system_cannot_keep_is_refused(session):
    odd = "hand/out?.csv"
    (session / "hand/out.csv").rename(session / odd)
    toml = session / "session.toml"
    text = toml.read_text(encoding="utf-8")
    toml.write_text(text.replace("hand/out.csv", odd), encoding="utf-8")
    measured(session)
    with pytest.raises(PackError) as error:
        pack(session)
    assert f"\"{odd}\" has '?' in it" in said(error)


def test_an_input_among_the_results_is_listed_once_as_it_is():
    given = InputFile(file="results/a/track.csv", sha256="ab" * 32)
    listed = read_contents(contents_bytes({"a/track.csv": b"new", "b.csv": b""}, [given]))
    assert listed == {"results/a/track.csv": "ab" * 32, "results/b.csv": sha256(b"")}
