"""Every sample runs to the figures beside it and near the truth: by the command, by the library."""

from __future__ import annotations

import contextlib
import io
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from vidspeed import measure
from vidspeed.cli.passes import exit_status
from vidspeed.record.files import write_results
from vidspeed.render.draw import draw_world
from vidspeed.render.read import read_scene
from vidspeed.render.stated import session_files

from .samples import FOLDERS
from .test_readme import README, blocks
from .tiny import command, files_of, undrawn

NIGHT = "night-two-cameras"  # the README's example in Python measures it
COMMAND = [sys.executable, "-c", "from vidspeed.cli import main; main()"]
LARGEST = 4_000_000  # bytes of a sample


def loaded(path: Path):
    return json.loads(path.read_text(encoding="utf-8"))


def test_there_are_samples_by_day_and_after_dark():
    assert {folder.name for folder in FOLDERS} >= {"day-one-camera", NIGHT}


def ran(home, *, apart):
    """Run a session: `apart` as a user does, else in this process and without pictures."""
    if apart:
        done = subprocess.run(
            [*COMMAND, "run", str(home)],
            capture_output=True, text=True, encoding="utf-8", check=False,
        )  # fmt: skip
        return done.returncode, done.stderr
    with undrawn():
        said = command("run", home)
    return said.status, said.err


def by_the_readme(home, monkeypatch):
    """Run the README's example in Python where it finds the sample; write what it measured."""
    (example,) = blocks(README, "python")
    outcomes, plain = [], measure.run

    def noted(folder):
        outcomes.append(plain(folder))
        return outcomes[-1]

    monkeypatch.chdir(home.parents[1])
    monkeypatch.setattr(measure, "run", noted)
    before, said = files_of(home), io.StringIO()
    with contextlib.redirect_stdout(said):
        exec(compile(example, "README.md", "exec"), {})
    assert files_of(home) == before  # the library measures; only the command writes
    rows = said.getvalue().splitlines()
    assert [row.split()[:2] for row in rows] == [["1", "forward"], ["2", "reverse"]]
    assert all(re.search(r"\d{3}\.\d\d ± \d\.\d\d m/s$", row) for row in rows)
    (outcome,) = outcomes
    with undrawn():
        write_results(outcome)
    return exit_status(outcome), said.getvalue()


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_a_sample_runs_to_what_is_expected(folder, tmp_path, monkeypatch):
    home = tmp_path / "samples" / folder.name
    shutil.copytree(folder, home, ignore=shutil.ignore_patterns("results", ".*"))
    if folder.name == NIGHT:
        status, said = by_the_readme(home, monkeypatch)
    else:
        status, said = ran(home, apart=folder == FOLDERS[0])
    expected = loaded(folder / "expected.json")
    assert status == expected["exit_status"], said
    passes = loaded(home / "results" / "summary.json")["passes"]
    truth = {row["label"]: row for row in loaded(folder / "truth.json")["passes"]}
    for got, want in zip(passes, expected["passes"], strict=True):
        for key in ("pass", "direction", "status"):
            assert got[key] == want[key]
        for key in ("speed_mps", "speed_U95_mps"):
            tolerance = want[key.replace("_mps", "_tolerance_mps")]
            assert got[key] == pytest.approx(want[key], abs=tolerance)
        true = truth[want["pass"]]
        assert got["direction"] == true["direction"]
        # Two sigma are expected; a sample is not made unlucky, so four are a fault.
        assert abs(got["speed_mps"] - true["speed_mps"]) < 2.0 * got["speed_U95_mps"]


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_a_sample_is_what_its_scene_makes(folder):
    scene = read_scene(folder / "scene.toml")
    world = draw_world(scene)
    clips = [take.file() for take in world.takes]
    for name, text in session_files(scene, world, clips).items():
        assert (folder / name).read_text(encoding="utf-8") == text
    assert all((folder / name).stat().st_size > 10_000 for name in clips)
    true = [row["speed_mps"] for row in loaded(folder / "truth.json")["passes"]]
    spent = [abs(flight.gates_s[1] - flight.gates_s[0]) for flight in world.flights]
    again = [(1.0 + world.scale_error) * scene.course.length_m / time for time in spent]
    assert true == pytest.approx(again, rel=1e-12)


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_a_sample_is_small(folder):
    files = [path for path in folder.rglob("*") if path.is_file() and "results" not in path.parts]
    assert sum(path.stat().st_size for path in files) < LARGEST
