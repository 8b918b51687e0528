"""The README and DEVELOPERS.md hold what they promise: commands, example, figures, map."""

from __future__ import annotations

import re
import shlex
import textwrap
import tomllib
from pathlib import Path

import pytest
import typer

from tests.tiny import command
from vidspeed.cli import app
from vidspeed.render.draw import draw_world
from vidspeed.render.read import read_scene
from vidspeed.session.keys import keys_of

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
SETUP = "-m venv .venv"


def blocks(text: str, language: str) -> list[str]:
    """Return the fenced code blocks of a language, without the indent of a list."""
    found = re.findall(rf"^( *)```{language}\n(.*?)^\1```$", text, re.MULTILINE | re.DOTALL)
    return [textwrap.dedent(content).strip("\n") for _, content in found]


def lines(text: str, language: str) -> list[str]:
    return [line for block in blocks(text, language) for line in block.splitlines() if line]


def vidspeed_lines() -> list[str]:
    """Return every `vidspeed ...` command, also those at the end of a longer line."""
    shell = lines(README, "sh") + lines(DEVELOPERS, "sh")
    found = [part.strip() for line in shell for part in re.split(r"&&|;", line)]
    inline = re.findall(r"`(vidspeed [^`]*)`", README + DEVELOPERS)
    return [line for line in [*found, *inline] if re.match(r"(\.venv/bin/)?vidspeed( |$)", line)]


def test_there_are_commands_to_check():
    assert len(vidspeed_lines()) > 10


@pytest.mark.parametrize("line", sorted(set(vidspeed_lines())))
def test_every_command_is_one_of_the_tool(line):
    words = shlex.split(line)[1:]
    group = typer.main.get_command(app)
    if words == ["--help"] or words == ["--version"]:
        return
    name, arguments = words[0], words[1:]
    assert name in group.commands, line
    command = group.commands[name]
    missing = line.count(" ") == 1 and name not in ("demo",)  # `vidspeed run`: only its name
    context = command.make_context(name, list(arguments), resilient_parsing=missing)
    assert context.params
    for path in (word for word in arguments if word.startswith(("samples/", "calibration"))):
        assert (ROOT / path).exists(), path


def test_one_line_sets_up_and_runs_and_one_sets_up_and_tests():
    run, check = [line for line in lines(README, "sh") if SETUP in line]
    assert run.endswith("/vidspeed demo")
    assert check.endswith("pytest -n 2")
    assert "-e '.[dev]'" in check
    for line in (run, check):
        assert "pip install -c constraints.txt" in line


def test_powershell_says_the_same_as_the_shell():
    shell = [line for line in lines(README, "sh") if SETUP in line]
    power = lines(README, "powershell")
    assert len(power) == len(shell) == 2
    for one, other in zip(shell, power, strict=True):
        steps = [step.strip() for step in one.split("&&")]
        again = [
            re.sub(r"^if \(\$\?\) \{ (.*) \}$", r"\1", step.strip()) for step in other.split(";")
        ]
        assert again[0] == steps[0].replace("python3", "py -3")
        assert again[1:] == [step.replace(".venv/bin/", ".venv\\Scripts\\") for step in steps[1:]]
        assert all(step.strip().startswith("if ($?)") for step in other.split(";")[1:])


def test_continuous_integration_runs_the_readmes_test_command():
    script = (ROOT / ".ci/run").read_text(encoding="utf-8")
    check = next(line for line in lines(README, "sh") if line.endswith("pytest -n 2"))
    assert check in [line.strip() for line in script.splitlines()]
    assert "set -euo pipefail" in script
    # A failing step of `a && b && c` ends a script under -e only where the line stands in a
    # function or a list of its own.
    assert re.search(rf"^readme_tests\(\) \{{\n    {re.escape(check)}\n\}}$", script, re.MULTILINE)
    for tool in ("ruff check", "ruff format --check", "mypy", "lint-imports"):
        assert tool in script


def test_the_python_example_is_short():
    """What it prints is looked at where the samples are: tests/test_samples.py."""
    (example,) = blocks(README, "python")
    assert len([line for line in example.splitlines() if line]) == 5


def test_the_survey_that_is_printed_works_as_typed(tmp_path):
    tapes, levels = blocks(README, "csv")
    (tmp_path / "tapes.csv").write_text(tapes + "\n", encoding="utf-8")
    (tmp_path / "levels.csv").write_text(levels + "\n", encoding="utf-8")
    course = '[course]\ntapes = "tapes.csv"\nlevels = "levels.csv"\n'
    (tmp_path / "session.toml").write_text(course, encoding="utf-8")
    said = command("survey", tmp_path)
    assert (said.status, said.err) == (0, "")
    assert "course length 80.0" in said.out and "the figures fit as stated" in said.out
    assert "warning" not in said.out


def test_the_clip_that_is_printed_is_one_of_a_session():
    (example,) = [block for block in blocks(README, "toml") if "[[clip]]" in block]
    (clip,) = tomllib.loads(example)["clip"]
    assert clip.keys() <= keys_of("clip").keys()
    assert {name for name, key in keys_of("clip").items() if key.required} <= clip.keys()


def test_the_demonstrations_figures_are_its_own():
    scene = read_scene(ROOT / "vidspeed/render/scenes/demo.toml")
    world = draw_world(scene)
    scale = 1.0 + world.scale_error
    true = [
        3.6 * scale * scene.course.length_m / abs(flight.gates_s[1] - flight.gates_s[0])
        for flight in world.flights
    ]
    shown = [row.split("│")[2].strip() for row in README.splitlines() if row.startswith("│")]
    assert shown == [f"{speed:.3f}" for speed in true]
    for row in (row for row in README.splitlines() if row.startswith("│")):
        _, _, truth, measured, error, inside, _ = row.split("│")
        value, wide = (float(part) for part in measured.split("±"))
        assert value - float(truth) == pytest.approx(float(error), abs=0.006)
        assert (abs(float(error)) <= wide) == (inside.strip() == "yes")


def test_the_picture_is_there_and_small():
    for text in (README, DEVELOPERS):
        for target in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", text):
            picture = ROOT / target
            assert picture.read_bytes().startswith(b"\x89PNG")
            assert picture.stat().st_size < 300_000
    assert "](docs/pass.png)" in README


def test_every_file_that_is_named_is_there():
    inline = re.findall(r"`([A-Za-z_./-]+/[A-Za-z_./-]*)`", README + DEVELOPERS)
    made = (
        "my-session/",
        "results/",
        "calibration/",
        ".venv",
        "tests/yourroom",
        "clips/",
        ".reference/",
    )
    for name in inline:
        if not name.startswith(made):
            assert (ROOT / name).exists() or (ROOT / "vidspeed" / name).exists(), name


def test_the_map_names_every_room_and_module():
    """The map in DEVELOPERS.md lists each module of `vidspeed/` once, and nothing else."""
    (tree,) = [block for block in blocks(DEVELOPERS, "text") if block.startswith("vidspeed/")]
    named = set()
    room = ""
    for line in tree.splitlines()[1:]:
        if found := re.match(r"  ([a-z/]+)/ ", line):
            room = found[1] + "/"
        elif not line.startswith("    "):
            room = ""
        named |= {room + name for name in re.findall(r"\b([a-z_]+\.py)\b", line)}
    there = {
        path.relative_to(ROOT / "vidspeed").as_posix()
        for path in (ROOT / "vidspeed").rglob("*.py")
        if path.name != "__init__.py" and "__pycache__" not in path.parts
    }
    assert named - there == set(), "the map names what is not there"
    assert there - named == set(), "the map leaves out"


def test_every_dependency_is_explained():
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    wanted = re.findall(r'^    "([a-z0-9-]+)>=', text, re.MULTILINE)
    assert len(wanted) > 15
    assert [name for name in wanted if f"`{name}`" not in DEVELOPERS] == []


def test_dependencies_are_used_where_it_is_said():
    rows = re.findall(r"^\| `([a-z-]+)` \|[^|]*\|([^|]*)\|$", DEVELOPERS, re.MULTILINE)
    places = {name: re.findall(r"`([a-z_/.]+)`", where) for name, where in rows}
    assert len(places) > 12
    for name in places.keys() - {"numpy", "tzdata"}:  # used everywhere, and by Python itself
        module = {"opencv-python": "cv2", "pillow": "PIL"}.get(name, name)
        word = re.compile(rf"^\s*(?:import|from) {module}\b", re.MULTILINE)
        used = [
            path.relative_to(ROOT / "vidspeed").as_posix()
            for path in (ROOT / "vidspeed").rglob("*.py")
            if word.search(path.read_text(encoding="utf-8"))
        ]
        assert [file for file in used if not file.startswith(tuple(places[name]))] == [], name
        assert all(any(file.startswith(place) for file in used) for place in places[name]), name
