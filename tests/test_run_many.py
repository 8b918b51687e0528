"""`vidspeed run` over several sessions, and into another folder."""

import shutil

import pytest

from tests.tiny import command, edit, files_of, render_tiny


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    return render_tiny(tmp_path_factory.mktemp("many") / "day")


def copied(day, folder):
    """Copy a session as it was before anything was measured."""
    shutil.copytree(day, folder, ignore=shutil.ignore_patterns("results", ".vidspeed-kept"))
    return folder


def test_several_sessions_are_measured_in_one_go(day, tmp_path):
    first, second = copied(day, tmp_path / "first"), copied(day, tmp_path / "second day")
    said = command("run", first, second)
    assert said.status == 0
    alone = command("run", day)
    for folder in (first, second):
        assert f"{folder}:" in said.out
        assert (folder / "results" / "report.html").is_file()
        mine, other = (row / "results" / "passes.csv" for row in (folder, day))
        assert mine.read_bytes() == other.read_bytes()
    assert alone.out.splitlines()[-1] == said.out.splitlines()[-1]


def test_a_wrong_session_harms_no_other(day, tmp_path):
    bad, good = copied(day, tmp_path / "bad"), copied(day, tmp_path / "good")
    edit(bad / "session.toml", "length_m = 40.0", "length_m = -40.0")
    said = command("run", bad, good)
    assert said.status == 3
    assert f"{bad}: session.toml" in said.err and "length_m" in said.err
    assert (good / "results" / "summary.json").is_file()
    assert not (bad / "results").exists()
    assert command("run", bad, copied(bad, tmp_path / "too")).status == 1


def test_results_go_where_out_says_and_the_session_stays_as_it_was(day, tmp_path):
    folder = copied(day, tmp_path / "day")
    before = files_of(folder)
    said = command("run", folder, "--out", tmp_path / "new" / "results of days", "--jobs", "1")
    assert said.status == 0
    assert files_of(folder) == before
    place = tmp_path / "new" / "results of days" / "day"
    assert (place / "results" / "report.html").is_file()
    assert str(place) in said.out.replace("\n", "")


def test_two_sessions_never_share_a_place(day, tmp_path):
    said = command("run", day, day)
    assert said.status == 1 and "name each session once" in said.err
    other = copied(day, tmp_path / "day")
    said = command("run", day, other, "--out", tmp_path / "out")
    assert said.status == 1 and "different names" in said.err
