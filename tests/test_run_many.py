"""`vidspeed run` over several sessions, and into another folder."""

import shutil

import pytest

from tests.tiny import CLIP, command, edit, files_of

undrawn = pytest.mark.usefixtures("undrawn")


@pytest.fixture
def day(measured_tiny):
    return measured_tiny


def copied(day, folder):
    """Copy a session as it was before anything was measured, but with what is kept of its clip."""
    shutil.copytree(day, folder, ignore=shutil.ignore_patterns("results"))
    return folder


@undrawn
def test_several_sessions_are_measured_in_one_go(day, tmp_path):
    first, second = copied(day, tmp_path / "first"), copied(day, tmp_path / "second day")
    said = command("run", first, second)
    assert said.status == 0
    for folder in (first, second):
        assert f"{folder}:" in said.out
        assert (folder / "results" / "report.html").is_file()
        mine, other = (row / "results" / "passes.csv" for row in (folder, day))
        assert mine.read_bytes() == other.read_bytes()
    last = said.out.splitlines()[-1]
    assert "pass 1 is" in last and said.out.count(last) == 2  # each has its own last line


@undrawn
def test_a_wrong_session_harms_no_other(day, tmp_path):
    bad, good = copied(day, tmp_path / "bad"), copied(day, tmp_path / "good")
    edit(bad / "session.toml", "length_m = 40.0", "length_m = -40.0")
    said = command("run", bad, good)
    assert said.status == 3
    assert f"{bad}: session.toml" in said.err and "length_m" in said.err
    assert (good / "results" / "summary.json").is_file()
    assert not (bad / "results").exists()
    assert command("run", bad, copied(bad, tmp_path / "too")).status == 1


@undrawn
def test_results_go_where_out_says_and_the_session_stays_as_it_was(day, tmp_path):
    folder = copied(day, tmp_path / "day")
    before = files_of(folder)
    said = command("run", folder, "--out", tmp_path / "new" / "results of days", "--jobs", "1")
    assert said.status == 0
    assert files_of(folder) == before
    place = tmp_path / "new" / "results of days" / "day"
    assert (place / "results" / "report.html").is_file()
    assert str(place) in said.out.replace("\n", "")


@undrawn
def test_two_sessions_never_share_a_place(day, tmp_path):
    said = command("run", day, day)
    assert said.status == 1 and "name each session once" in said.err
    other = copied(day, tmp_path / day.name)
    said = command("run", day, other, "--out", tmp_path / "out")
    assert said.status == 1 and "different names" in said.err


def test_clips_on_another_disk_give_the_same_results(tiny, day, tmp_path):
    folder, card = tiny, tmp_path / "a card"
    (card / "DCIM").mkdir(parents=True)
    (folder / CLIP).rename(card / "DCIM" / "pass-1.mp4")
    said = command("run", folder, "--clips", card, "--jobs", "1")
    assert said.status == 0, said.err
    for name in ("summary.json", "contents.sha256"):
        mine, other = (row / "results" / name for row in (folder, day))
        assert mine.read_bytes() == other.read_bytes()
    packed = command("pack", folder, "--clip-folder", card, "--out", tmp_path / "one.zip")
    assert packed.status == 0, packed.err
    assert command("pack", day, "--out", tmp_path / "two.zip").status == 0
    assert (tmp_path / "one.zip").read_bytes() == (tmp_path / "two.zip").read_bytes()
    (card / "DCIM" / "101").mkdir()
    shutil.copy(card / "DCIM" / "pass-1.mp4", card / "DCIM" / "101" / "pass-1.mp4")
    said = command("run", folder, "--clips", card, "--jobs", "1")
    assert said.status == 1 and f"error: {CLIP}" not in said.err
    assert f"{CLIP}: 2 files of that name are in {card}" in said.err
    assert command("pack", folder, "--clip-folder", card, "--replace").status == 1
    assert command("run", folder, "--clips", tmp_path / "no").status == 1
