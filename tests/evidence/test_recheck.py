"""Measured again: an honest pack agrees, a forged figure is named, a stranger's does no harm."""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

import numpy as np
import pytest

from tests.tiny import CLIP, command
from vidspeed.errors import PackError
from vidspeed.evidence.limits import Limits
from vidspeed.evidence.manifest import Row
from vidspeed.evidence.pack import pack
from vidspeed.evidence.recheck import Rechecked, recheck
from vidspeed.evidence.view import agreement, differences, notes, verdict
from vidspeed.spread.executor import executor

from .packed import SESSION, edited, measured, sealed, sha256, with_manifest


@pytest.fixture(autouse=True)
def room(tmp_path, monkeypatch) -> Path:
    """Let temporary folders be made in a room of their own, which must be empty afterwards."""
    room = tmp_path / "room"
    room.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(room))
    yield room
    assert list(room.iterdir()) == []


def again(tmp_path: Path, data: bytes, **options) -> Rechecked:
    path = tmp_path / "stranger.zip"
    path.write_bytes(data)
    with executor(1) as pool:
        return recheck(path, pool=pool, **options)


def refused(tmp_path: Path, data: bytes, **options) -> str:
    with pytest.raises(PackError) as error:
        again(tmp_path, data, **options)
    assert all(line.startswith("stranger.zip: ") for line in error.value.messages)
    return "\n".join(error.value.messages)


def off(found: Rechecked) -> list[str]:
    return [f"{part.name}: {row.where}" for part in found.parts for row in part.off]


@pytest.fixture(scope="module")
def by_hash(held):
    """Return what a pack with the clips' hashes holds: tracks that the run left, no given ones."""
    files = {name: data for name, data in held.items() if not name.startswith("hand/")}
    toml = SESSION.replace('track = "hand/out.csv"\n', "").replace('track = "hand/back.csv"\n', "")
    files["session.toml"] = toml.encode()
    absent = tuple(
        Row(file=f"clips/{name}.mp4", bytes=9, sha256=sha256(name.encode()))
        for name in ("out", "back")
    )
    return files, absent


def test_an_honest_pack_agrees_to_the_byte(packed, tmp_path):
    found = again(tmp_path, packed)
    assert found.agrees
    assert found.worst == 0.0
    assert found.unpacked.sha256 == sha256(packed)
    assert not found.open_
    assert not found.beside
    names = [part.name for part in found.parts]
    assert {"pass out", "pass back", "mark", "camera north", "covariance"} < set(names)
    assert "report.html, every line" in names
    assert all(agreement(part) == "to the byte" for part in found.parts)
    assert verdict(found).endswith("figures and words to the byte")
    assert [(row.clip, row.kind) for row in found.sources] == [
        ("clips/out.mp4", "given"), ("clips/back.mp4", "given"),
    ]  # fmt: skip


def test_from_the_tracks_of_its_results_it_agrees_to_the_last_digits(by_hash, tmp_path):
    found = again(tmp_path, sealed(*by_hash))
    assert found.agrees, off(found)
    assert found.worst < 1e-9
    assert "report.html, its figures" in [part.name for part in found.parts]
    assert any("from their tracks" in line for line in notes(found))
    speeds = {name: (old, new) for name, old, new in found.speeds}
    assert set(speeds) == {"pass out", "pass back", "mark"}
    for old, new in speeds.values():
        assert new["speed_mps"] == pytest.approx(old["speed_mps"], rel=1e-9)


def test_every_forged_figure_and_word_is_named(held, tmp_path):
    def forge(summary):
        for key in ("speed_mps", "speed_u_mps", "speed_U95_mps", "coverage_factor"):
            summary["passes"][0][key] *= 1.0 + 3e-6

    files = dict(held)
    files["results/summary.json"] = edited(files["results/summary.json"], forge)
    for file, old, new in (
        ("summary.json", '"place": "Low Moor', '"place": "High Moor'),
        ("summary.json", '"level": "warn"', '"level": "none"'),
        ("passes.csv", "out,,,", "out,7,,"),
        ("report.html", "<h2>Passes</h2>", "<h2>Records</h2>"),
        ("sensitivities.json", '"owner": "session"', '"owner": "nobody"'),
        ("north-out/track.csv", ",0.2,0.2,", ",0.2,0.3,"),
    ):
        text = files[f"results/{file}"].decode()
        assert old in text, file
        files[f"results/{file}"] = text.replace(old, new, 1).encode()
    found = again(tmp_path, sealed(files))
    named = off(found)
    assert named[:5] == [
        "pass out: speed_mps", "pass out: speed_u_mps", "pass out: speed_U95_mps",
        "pass out: coverage_factor", "session: place",
    ]  # fmt: skip
    for words in (
        "problems: 1 level", "passes.csv: out flight",
        "report.html, every line, pictures aside: report line ",
        "sensitivities.json: passes out inputs ", "north-out/track.csv: ",
    ):  # fmt: skip
        assert any(name.startswith(words) for name in named), (words, named)
    assert not found.agrees
    assert verdict(found).startswith(f"Does not agree: {len(named)} of ")
    assert next(differences(found)).startswith("differs: pass out: speed_mps: the pack says ")


def test_a_forged_mark_and_what_was_left_out_of_a_summary_are_named(held, tmp_path):
    def forge(summary):
        summary["mark"]["speed_mps"] += 0.5
        del summary["passes"][1]

    name = "results/summary.json"
    found = again(tmp_path, sealed({**held, name: edited(held[name], forge)}))
    assert "mark: speed_mps" in off(found)
    assert any(name.startswith("pass back: ") for name in off(found))


def test_a_forged_track_does_not_give_the_figures(by_hash, tmp_path):
    files, absent = by_hash
    name = "results/north-out/track.csv"
    lines = files[name].decode().splitlines()
    cells = lines[9].split(",")
    cells[2] = repr(float(cells[2]) + 0.4)
    forged = "\n".join([*lines[:9], ",".join(cells), *lines[10:]]).encode() + b"\n"
    found = again(tmp_path, sealed({**files, name: forged}, absent))
    assert "pass out: speed_mps" in off(found)


def test_figures_of_a_report_are_held_against_tracks_too(by_hash, tmp_path):
    files, absent = by_hash
    report = files["results/report.html"].decode()
    assert "298.8" in report
    forged = {**files, "results/report.html": report.replace("298.8", "312.8").encode()}
    found = again(tmp_path, sealed(forged, absent))
    assert off(found)
    assert all(name.startswith("report.html, its figures") for name in off(found))


def test_clips_are_found_by_their_hash_whatever_they_are_called(by_hash, tmp_path):
    files, absent = by_hash
    home = tmp_path / "mine" / "deep"
    home.mkdir(parents=True)
    (home / "renamed.bin").write_bytes(b"out")
    (home / "other.bin").write_bytes(b"xyz")
    rows = tuple(Row(file=r.file, bytes=len(r.file) - 10, sha256=r.sha256) for r in absent)
    found = again(tmp_path, sealed(files, rows), clips=tmp_path / "mine")
    assert [row.kind for row in found.sources] == ["clip", "track"]
    assert not found.agrees  # three bytes are no clip: nothing is measured from it
    assert sorted(path.name for path in home.iterdir()) == ["other.bin", "renamed.bin"]
    assert "no such folder" in refused(tmp_path, sealed(files, rows), clips=tmp_path / "none")


def test_what_cannot_be_measured_again_is_left_open(by_hash, tmp_path):
    files, absent = by_hash

    def lose(summary):
        summary["clips"][1]["track"] = None

    name = "results/summary.json"
    found = again(tmp_path, sealed({**files, name: edited(files[name], lose)}, absent))
    assert list(found.open_) == ["pass back: neither the clip nor the track of clips/back.mp4"]
    assert [row.kind for row in found.sources] == ["track", "nothing"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"results/report.html": b"<p>nothing</p>"}, "does not end with the hash"),
        ({"results/contents.sha256": b"nonsense\n"}, "a SHA-256, two spaces and a path"),
        ({"results/summary.json": b"[]"}, 'schema "vidspeed.summary/1" is needed'),
        ({"results/summary.json": b"{"}, "cannot be read as JSON"),
        ({"session.toml": b"title = 1"}, "title is 1"),
        ({"session.toml": b"\x00"}, "session.toml: "),
    ],
)
def test_what_is_no_pack_of_a_session_is_refused(held, tmp_path, change, words):
    files = {**held, **change}
    whole = (
        with_manifest
        if set(change) & {"results/report.html", "results/contents.sha256"}
        else sealed
    )
    assert words in refused(tmp_path, whole(files))


def test_a_list_of_contents_that_contradicts_the_manifest_is_refused(held, tmp_path):
    assert "names another hash" in refused(tmp_path, with_manifest({**held, "markers.csv": b"x"}))
    gone = {name: data for name, data in held.items() if name != "markers.csv"}
    assert '"markers.csv" is not in the pack' in refused(tmp_path, with_manifest(gone))


def test_what_a_stranger_wrote_cannot_turn_the_terminal(held, tmp_path, monkeypatch, capsys):
    def forge(summary):
        summary["measured_with"]["numpy"] = "\x1b[2J\u202e1.0"
        summary["problems"].append(
            {"level": "error", "where": "x\x1b]0;title\x07", "message": "two\nAgrees: lines"}
        )

    name = "results/summary.json"
    path = tmp_path / "odd.zip"
    path.write_bytes(sealed({**held, name: edited(held[name], forge)}))
    monkeypatch.setattr("vidspeed.spread.executor.executor", lambda *_args, **_more: executor(1))
    said = command("recheck", path)
    assert said.status == 1
    shown = said.out + said.err
    assert not any(char in shown for char in "\x1b\x07\u202e")
    assert "\nAgrees: lines" not in shown


@pytest.mark.parametrize("text", ['"' + "x" * 200_000 + '"', "a\0b", "pass\n" + "1," * 50])
def test_a_table_that_is_none_is_refused_or_named(held, tmp_path, text):
    try:
        found = again(tmp_path, sealed({**held, "results/passes.csv": text.encode()}))
    except PackError as error:
        assert "cannot be read as CSV" in str(error)
    else:
        assert any(name.startswith("passes.csv: ") for name in off(found))


def test_a_deep_or_an_endless_summary_does_no_harm(held, tmp_path):
    def deep(summary):
        value: object = 1
        for _ in range(800):
            value = [value]
        summary["mark"] = value

    def endless(summary):
        summary["problems"] = [{"name": f"n{number % 7}"} for number in range(30_000)]

    name = "results/summary.json"
    for change in (deep, endless):
        data = sealed({**held, name: edited(held[name], change)})
        try:
            assert not again(tmp_path, data).agrees
        except PackError as error:
            assert "RecursionError" in str(error)


@pytest.mark.parametrize("path", ["../../secret.csv", "/etc/hostname", "C:/x.csv", "a\\\\b.csv"])
def test_a_session_that_reaches_out_of_its_folder_is_refused(held, tmp_path, path):
    (tmp_path / "secret.csv").write_bytes(held["hand/out.csv"])
    toml = SESSION.replace("hand/out.csv", path).encode()
    message = refused(tmp_path, sealed({**held, "session.toml": toml}))
    assert "session.toml" in message
    assert any(words in message for words in ("leads out", "not relative", "backslash"))


def test_pictures_larger_than_any_camera_makes_are_refused(held, tmp_path):
    toml = SESSION.replace("[480, 270]", "[65000, 65000]").replace("[239.5, 134.5]", "[3e4, 3e4]")
    message = refused(tmp_path, sealed({**held, "session.toml": toml.encode()}))
    assert "more than 36 million pixels" in message


def test_files_beside_the_signed_list_are_named(held, tmp_path):
    found = again(tmp_path, with_manifest({**held, "run-me.exe": b"MZ"}))
    assert found.beside == ("run-me.exe",)
    assert any("does not name run-me.exe" in line for line in notes(found))


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux counts a process's memory")
def test_memory_is_bounded(packed, tmp_path, monkeypatch):
    """What a pack makes the solver take is taken within the bound: here by an honest hunger."""

    def hungry(*session, **how):
        np.empty(4 << 30, dtype=np.uint8)  # more than what earlier tests have left free

    monkeypatch.setattr("vidspeed.evidence.recheck.run_session", hungry)
    message = refused(tmp_path, packed, limits=Limits(memory_bytes=1 << 20))
    assert "allow more with --most-memory-gb" in message


def test_the_commands_on_a_clip(measured_tiny, tmp_path):
    """One whole way through the commands: packed with its clip, by its hash, and forged."""
    whole, small = tmp_path / "whole.zip", tmp_path / "small.zip"
    said = command("pack", measured_tiny, "--out", whole)
    assert (said.status, said.err.count("warning")) == (0, 0)
    assert said.out.splitlines()[-1] == f"SHA-256 of the pack: {sha256(whole.read_bytes())}"
    said = command("pack", measured_tiny, "--out", small, "--clips", "hash")
    assert said.status == 0
    assert "1 clips are in it by their hashes alone" in said.err
    assert small.stat().st_size < whole.stat().st_size
    (tmp_path / "clips").mkdir()
    (tmp_path / "clips" / "x").write_bytes((measured_tiny / CLIP).read_bytes())
    said = command("recheck", small, "--clips", tmp_path / "clips")
    assert said.status == 0, said.err
    last = said.out.splitlines()[-1]
    assert last.startswith("Agrees: every hash, and ")
    assert "report.html, every line" in said.out
    damaged = bytearray(whole.read_bytes())
    damaged[len(damaged) // 2] ^= 1
    whole.write_bytes(damaged)
    said = command("recheck", whole)
    assert (said.status, said.out) == (1, "")
    assert said.err.count("\n") <= 2
    assert "whole.zip: " in said.err


def test_the_command_says_that_a_figure_differs(held, tmp_path, monkeypatch):
    monkeypatch.setattr("vidspeed.spread.executor.executor", lambda *_args, **_more: executor(1))

    def forge(summary):
        summary["passes"][0]["speed_mps"] += 1.0

    name = "results/summary.json"
    path = tmp_path / "forged.zip"
    path.write_bytes(sealed({**held, name: edited(held[name], forge)}))
    said = command("recheck", path)
    assert said.status == 1
    assert "differs: pass out: speed_mps: the pack says 84.0014" in said.err
    assert said.out.splitlines()[-1].startswith("Does not agree: 1 of ")


def test_a_run_that_failed_in_part_says_so(session, tmp_path):
    (session / "hand/back.csv").write_text("frame,time_s\n", encoding="utf-8")
    measured(session)
    made = pack(session)
    assert any("back.csv" in line for line in made.lacking)
    found = again(tmp_path, made.path.read_bytes())
    assert found.agrees, off(found)
    assert any("could not be measured then" in line for line in notes(found))
    assert json.loads((session / "results/summary.json").read_text())["mark"] is None
