"""What holds for the whole checkout: clean files, small modules, and a wheel that runs alone."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PICTURES = {".png"}
CLIPS = {".mp4", ".mov", ".mkv", ".avi"}
LONGEST = 350  # lines of a module
# Written in pieces, so that this file holds none of them.
BANNED = (
    "TO" + "DO",
    "FIX" + "ME",
    "X" + "XX",
    "HA" + "CK",
    "lorem " + "ipsum",
    "place" + "holder",
)
MACHINE = ("/" + "work/", "/" + "tmp/", "/" + "home/", "/" + "Users/", "C:" + "\\Users")
DATA = (
    "vidspeed/py.typed",
    "vidspeed/session/course-sheet.html",
    "vidspeed/record/report.html",
    "vidspeed/record/report.css",
    "vidspeed/render/scenes/demo.toml",
)


def kept() -> list[Path]:
    """Return the files that git keeps, or without git those of the project's folders."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, capture_output=True, check=False,
    )  # fmt: skip
    if listed.returncode == 0:
        names = [name for name in listed.stdout.decode("utf-8").split("\0") if name]
        paths = [ROOT / name for name in names]
    else:
        folders = ("vidspeed", "tests", "samples", "calibration", "docs")
        paths = [path for folder in folders for path in (ROOT / folder).rglob("*")]
    there = [path for path in paths if path.is_file() and "__pycache__" not in path.parts]
    return [path for path in there if "results" not in path.relative_to(ROOT).parts]


FILES = kept()
TEXTS = [path for path in FILES if path.suffix not in PICTURES | CLIPS]


def named(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def test_the_project_is_seen():
    assert len(TEXTS) > 100
    assert ROOT / "vidspeed/cli/shell.py" in TEXTS


def test_texts_are_plain_utf8():
    for path in TEXTS:
        data = path.read_bytes()
        text = data.decode("utf-8")  # raises where it is not
        assert not text.startswith("\ufeff"), named(path)
        odd = set(re.findall(r"[\x00-\x08\x0b-\x1f\x7f\u200b-\u200f\u202a-\u202e\ufffd]", text))
        assert not odd, (named(path), odd)
        assert not data or data.endswith(b"\n"), named(path)


@pytest.mark.parametrize("word", [*BANNED, *MACHINE])
def test_no_text_holds(word):
    assert [named(path) for path in TEXTS if word in path.read_text(encoding="utf-8")] == []


def test_modules_are_small():
    sizes = {
        named(path): len(path.read_text(encoding="utf-8").splitlines())
        for path in FILES
        if path.suffix == ".py" and path.is_relative_to(ROOT / "vidspeed")
    }
    assert {name: size for name, size in sizes.items() if size >= LONGEST} == {}


def test_file_names_are_legal_everywhere():
    for path in FILES:
        assert re.fullmatch(r"[A-Za-z0-9._/-]+", named(path)), named(path)
    lower = [named(path).casefold() for path in FILES]
    assert len(set(lower)) == len(lower)


def test_constraints_are_names_and_versions():
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pinned = [line for line in lines if line and not line.startswith("#")]
    assert all(re.fullmatch(r"[A-Za-z0-9_.-]+==[0-9][0-9A-Za-z.]*", line) for line in pinned)
    names = {re.split("==", line)[0].lower().replace("_", "-") for line in pinned}
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    wanted = re.findall(r'^    "([a-z0-9-]+)>=', text, re.MULTILINE)
    assert len(wanted) > 15
    assert set(wanted) <= names


def test_installed_versions_satisfy_the_project():
    """The pins hold for the interpreter at hand only if they were tested on it: look at a few."""
    from importlib.metadata import version

    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pinned = dict(line.split("==") for line in lines if "==" in line)
    for name in ("numpy", "opencv-python", "av", "scipy"):
        assert version(name).split(".")[0] == pinned[name].split(".")[0]


def test_hooks_fetch_nothing():
    text = (ROOT / ".pre-commit-config.yaml").read_text(encoding="utf-8")
    assert re.findall(r"repo: (\S+)", text) == ["local"]
    assert set(re.findall(r"language: (\S+)", text)) == {"system"}


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory) -> Path:
    """Build the wheel from a copy of the sources and unpack it, as an installer would."""
    home = tmp_path_factory.mktemp("wheel")
    source = home / "source"
    ignored = shutil.ignore_patterns("__pycache__")
    shutil.copytree(ROOT / "vidspeed", source / "vidspeed", ignore=ignored)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source / name)
    built = subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", home, source],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert built.returncode == 0, built.stdout + built.stderr
    with zipfile.ZipFile(next(home.glob("*.whl"))) as wheel:
        wheel.extractall(home / "site")
    return home / "site"


def test_the_wheel_holds_what_the_package_needs(unpacked):
    held = {path.relative_to(unpacked).as_posix() for path in unpacked.rglob("*")}
    assert set(DATA) <= held
    modules = {named(path) for path in (ROOT / "vidspeed").rglob("*.py")}
    assert modules <= held
    assert not any(name.startswith(("tests", "samples")) for name in held)
    assert any(name.endswith("licenses/LICENSE") for name in held)


def test_the_wheel_runs_outside_the_checkout(unpacked, tmp_path):
    code = (
        "import vidspeed, sys\n"
        f"assert vidspeed.__file__.startswith({str(unpacked)!r}), vidspeed.__file__\n"
        "from vidspeed.cli import main\n"
        "sys.argv = ['vidspeed', 'new', 'day']\n"
        "main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": str(unpacked)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "day/course-sheet.html").stat().st_size > 1000
    assert json.dumps(sorted(path.name for path in tmp_path.iterdir())) == '["day"]'
