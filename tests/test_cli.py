"""The commands as a user meets them: help, options, channels, exit status, interruption."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
import typer

from tests.tiny import CLIP, command, files_of, scene_text
from vidspeed import __version__
from vidspeed.cli import app
from vidspeed.cli.passes import exit_status
from vidspeed.cli.shell import terminal
from vidspeed.session.read import read_session
from vidspeed.values import MarkRules, Outcome, PassResult, Problem

pytestmark = pytest.mark.usefixtures("undrawn")
COMMANDS = tuple(typer.main.get_command(app).commands)
HEAVY = ("numpy", "scipy", "cv2", "av", "matplotlib", "filterpy", "jinja2")
PER_MPS = {"kmh": 3.6, "mph": 3600 / 1609.344, "kn": 3600 / 1852, "mps": 1.0}


def test_the_commands_of_the_contract_are_there():
    assert set(COMMANDS) >= {"run", "calibrate", "still", "render", "demo", "new"}


@pytest.mark.parametrize("arguments", [["--help"], ["run", "--help"], ["--version"]])
def test_help_imports_nothing_heavy(arguments):
    code = (
        "import sys\n"
        "from vidspeed.cli import main\n"
        "try:\n    main()\n"
        "except SystemExit as end:\n"
        f"    found = [name for name in {HEAVY} if name in sys.modules]\n"
        "    assert not found, found\n"
        "    sys.exit(end.code)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself(name):
    said = command(name, "--help")
    assert said.status == 0
    assert "Usage" in said.out
    assert name in said.out


@pytest.mark.parametrize("name", COMMANDS)
def test_help_shows_every_text_as_it_is_written(name, monkeypatch):
    monkeypatch.setattr("typer.rich_utils.MAX_WIDTH", 400)  # a line for each option
    shown = " ".join(command(name, "--help").out.split())
    told = typer.main.get_command(app).commands[name]
    written = [told.help, *(row.help for row in told.params)]
    for text in written:
        assert text, name
        assert " ".join(text.replace("\\[", "[").split()) in shown


def test_tables_show_names_as_they_were_given(capsys):
    from rich.table import Table

    table = Table("pass")
    table.add_row("[red] 1 :smile:")
    terminal().print(table)
    assert "[red] 1 :smile:" in capsys.readouterr().out


def test_no_garbage_is_looked_for_once_all_is_said():
    code = (
        "import atexit, gc; from vidspeed.cli import main; "
        "atexit.register(lambda: print(gc.get_freeze_count() > 0)); main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "--version"], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines() == [f"vidspeed {__version__}", "True"]


def test_version():
    assert command("--version").out == f"vidspeed {__version__}\n"


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["fly"],
        ["run"],
        ["calibrate", "a", "b"],
        ["clock", "clip.mp4"],
        ["run", "a", "--fast"],
        ["run", "a", "--unit", "furlongs"],
        ["still", "clip.mp4", "--at", "noon"],
        ["new"],
    ],
    ids=" ".join,
)
def test_a_wrong_command_line_is_2(arguments):
    said = command(*arguments)
    assert said.status == 2
    assert "Traceback" not in said.out + said.err


@pytest.mark.parametrize(
    ("line", "named"),
    [
        ("chart --board 9", "--board is '9'"),
        ("chart --board 2x6", "--board is 2x6; inner corners from 3 to 60"),
        ("chart --board 40x40", "--board 40x40 takes"),
        ("chart --paper B5", "--paper is 'B5'; allowed are A4, A3 and Letter"),
        ("chart --square-mm -1", "--square-mm"),
        ("chart --square-mm nan", "--square-mm"),
        ("chart --chart charuco --family 9x9", "--family is '9x9'"),
        ("chart --chart charuco --code-mm 30", "--code-mm is 30"),
        ("chart --out chart.png", "--out chart.png"),
        ("boards --codes a", "--codes is 'a'"),
        ("boards --codes 60", "--codes is '60'; codes of --family 4x4_50 are 0 to 49"),
        ("boards --codes 7-3", "--codes is '7-3'"),
        ("boards --family 9x9", "--family is '9x9'"),
        ("boards --side-mm -1", "--side-mm"),
        ("lens clip.mp4 --out lens.json --square-mm -1", "--square-mm"),
        ("lens clip.mp4 --out lens.json --board 9", "--board is '9'"),
        ("lens clip.mp4 --out lens.json --board 99x9", "--board is 99x9"),
        ("picks day north still.png --codes A1-0", "--codes is 'A1-0'"),
        ("picks day north still.png --codes A1=0,A2=0", "--codes is 'A1=0,A2=0'"),
        ("clock clip.mp4", "give --hz"),
        ("clock clip.mp4 --hz -1", "--hz is -1; above 0 and below 100000 is allowed"),
        ("clock clip.mp4 --hz nan", "--hz is nan; above 0"),
        ("clock clip.mp4 --mains --hz 0", "--hz is 0; above 0"),
        ("clock clip.mp4 --hz 1 --hz-u 2", "--hz-u is 2; from 0 to below --hz is allowed"),
        ("clock clip.mp4 --hz 1 --hz-u -1", "--hz-u is -1; from 0 to below --hz is allowed"),
        ("clock clip.mp4 --hz 1 --rate-hz 0", "--rate-hz is 0; above 0"),
        ("clock clip.mp4 --clap-distance-m -3", "--clap-distance-m"),
        ("clock clip.mp4 --clap-distance-m 3 --seen-s 1 --seen-u-s -1", "--seen-u-s"),
        ("clock clip.mp4 --clap-distance-m 3 --exposure-ms -1", "--exposure-ms"),
        ("follow clip.mp4 --rate-hz -5", "--rate-hz is -5; above 0 and below 1000000 is allowed"),
        ("listen clip.mp4 --between-s 5 3", "--between-s is 5 3; the first"),
        ("still clip.mp4 --at -1", "--at"),
        ("still clip.mp4 --at nan", "--at"),
        ("desk day --port -5", "--port"),
        ("annotate day 1 --slow 0", "--slow"),
    ],
)
def test_a_value_that_the_command_line_alone_shows_to_be_wrong_is_2(
    line, named, tmp_path, monkeypatch
):
    """And nothing is read or written: neither the clips nor the session are there."""
    monkeypatch.chdir(tmp_path)
    said = command(*line.split())
    assert said.status == 2
    assert named in said.err
    assert said.out == "" and list(tmp_path.iterdir()) == []


def test_a_new_session_says_what_is_missing(tmp_path):
    made = command("new", tmp_path / "day")
    assert made.status == 0
    assert [Path(line).name for line in made.out.splitlines()] == [
        "session.toml", "markers.csv", "picks-north.csv", "course-sheet.html",
    ]  # fmt: skip
    before = files_of(tmp_path / "day")
    said = command("run", tmp_path / "day")
    assert said.status == 1
    assert said.out == ""
    lines = said.err.splitlines()
    for item in ("length_m", "length_u_m", "image_size_px", "offset_m", "height_u_m"):
        assert sum(f"{item} is missing" in line for line in lines) == 1
    assert any(line.startswith("markers.csv: no marker yet") for line in lines)
    assert any("0 markers picked" in line and "picks-north.csv" in line for line in lines)
    assert "Traceback" not in said.err
    assert files_of(tmp_path / "day") == before


def test_a_session_that_is_there_is_not_written_over(tmp_path):
    assert command("new", tmp_path).status == 0
    before = files_of(tmp_path)
    said = command("new", tmp_path)
    assert said.status == 1
    assert "session.toml: is there already" in said.err
    assert files_of(tmp_path) == before


def test_rendering_into_a_file_is_refused(tmp_path):
    (tmp_path / "scene.toml").write_text(scene_text(), encoding="utf-8")
    (tmp_path / "taken").write_text("mine", encoding="utf-8")
    for arguments in (
        ("render", tmp_path / "scene.toml", "--out", tmp_path / "taken"),
        ("demo", tmp_path / "taken"),
    ):
        said = command(*arguments)
        assert said.status == 1
        assert "taken: cannot be written" in said.err
        assert "name another folder" in said.err


@pytest.mark.parametrize("unit", PER_MPS)
def test_speeds_are_shown_in_the_unit(tiny, unit):
    said = command("run", tiny, "--unit", unit)
    assert said.status == 0
    summary = json.loads((tiny / "results/summary.json").read_text(encoding="utf-8"))
    speed = summary["passes"][0]["speed_mps"] * PER_MPS[unit]
    shown = next(cell for cell in said.out.splitlines() if "forward" in cell).split("│")[3]
    value, wide = (float(part) for part in shown.split("±"))
    assert abs(value - speed) < 0.06 * wide
    page = (tiny / "results/report.html").read_text(encoding="utf-8")
    assert shown.split("±")[0].strip() in page


@pytest.mark.parametrize(
    "line",
    [
        "still absent.mp4",
        "times absent.mp4",
        "follow absent.mp4",
        "listen absent.mp4",
        "lens absent.mp4 --out lens.json",
        "clock absent.mp4 --hz 1",
        "clock absent.mp4 --mains",
        "clock absent.mp4 --clap-distance-m 3",
    ],
)
def test_a_clip_that_is_not_there_is_said_with_its_folder_and_no_session(
    line, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    said = command(*line.split())
    told = f"absent.mp4: there is no such file in {Path.cwd()}; check its name and folder"
    assert (said.status, said.out) == (1, "")
    assert said.err.splitlines()[-1] == told


def test_only_options_that_a_command_has_are_advised(tiny):
    said = command("pack", tiny, "--clip-folder", tiny / "nowhere")
    assert said.status == 1
    assert said.err.splitlines()[-1] == (
        f"{tiny / 'nowhere'}: no such folder; name the one that holds the clips"
    )
    (tiny / "truth.json").unlink()
    said = command("demo", tiny)
    assert said.status == 1
    assert "name another folder, an empty one" in said.err


@pytest.mark.parametrize("words", [("calibrate",), ("plan",), ("run",), ("run", "--out", "away")])
def test_a_disk_that_can_only_be_read(tiny, words, monkeypatch):
    def read_only(self, *_args, **_kwargs):
        raise OSError(errno.EROFS, "Read-only file system", str(self))

    monkeypatch.chdir(tiny)
    monkeypatch.setattr(Path, "mkdir", read_only)
    said = command(words[0], tiny, *words[1:])
    assert said.status == 1
    assert "the disk can only be read; earlier results are as they were; name a place" in said.err
    assert "with --out where the command has it, else copy the session to one" in said.err


def test_clips_that_no_clip_names_are_said(tiny):
    shutil.copy(tiny / CLIP, tiny / "clips/north/later.mp4")
    shutil.copy(tiny / CLIP, tiny / "clips/setup.mp4")  # in no camera's folder: not meant
    said = command("run", tiny)
    assert said.status == 0
    assert "note: clips/north/later.mp4: no [[clip]] in session.toml, so not measured" in said.err
    text = (tiny / "session.toml").read_text(encoding="utf-8")
    (tiny / "session.toml").write_text(text[: text.index("[[clip]]")], encoding="utf-8")
    said = command("run", tiny)
    assert said.status == 1
    assert "add one for each of the 3 clips in the folder, as file = " in said.err


def test_progress_and_problems_go_to_standard_error(tiny):
    said = command("run", tiny)
    assert CLIP in said.err
    assert "solving" in said.err
    assert "solving" not in said.out
    lines = said.out.splitlines()
    assert lines[-2] == f"report: {tiny / 'results' / 'report.html'}"
    assert lines[-1].startswith("Warning: pass 1")  # one camera: the range is not known so well


def test_nothing_but_the_table_where_no_terminal_is(tiny):
    done = subprocess.run(
        [sys.executable, "-c", "from vidspeed.cli import main; main()",
         "run", "--jobs", "1", str(tiny)],
        capture_output=True, text=True, encoding="utf-8", check=False,
        env={**os.environ, "PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "\x1b[" not in done.stdout + done.stderr
    assert max(len(line) for line in done.stdout.splitlines()[:-1]) <= 120


def test_calibrate_says_what_is_not_ready(tiny):
    before = {
        name: data
        for name, data in files_of(tiny / "results").items()
        if not name.startswith("calibration/")
    }
    said = command("calibrate", tiny)
    assert said.status == 1  # the forecast is wider than the 1 % that is wanted by default
    last = said.err.splitlines()[-1]
    assert last.startswith("not ready: a pass would be known to")
    assert "ready" not in said.out
    after = files_of(tiny / "results")
    assert "calibration/north.png" in after
    assert {name: after[name] for name in before} == before


def test_calibrate_says_ready(tiny):
    path = tiny / "session.toml"
    path.write_text("wanted_U95_percent = 5\n" + path.read_text(encoding="utf-8"), encoding="utf-8")
    said = command("calibrate", tiny)
    assert said.status == 0, said.out
    assert said.out.splitlines()[-1] == "ready"


def test_a_still_of_the_clips_own_size(tiny):
    from vidspeed.clip.still import read_picture

    said = command("still", tiny / CLIP, "--at", "0.3", "--out", tiny / "still.png")
    assert said.status == 0
    assert said.out.strip() == str(tiny / "still.png")
    assert read_picture(tiny / "still.png").shape[:2] == (270, 480)
    beyond = command("still", tiny / CLIP, "--at", "99")
    assert beyond.status == 1
    assert "outside the clip" in beyond.err


def test_a_still_as_reference_is_taken_and_a_photograph_refused(tiny):
    still = tiny / "still.png"
    assert command("still", tiny / CLIP, "--out", still).status == 0
    session = tiny / "session.toml"
    text = session.read_text(encoding="utf-8")
    session.write_text(
        text.replace('picks = "picks-north.csv"', 'picks = "picks-north.csv"\nreference = "s.png"'),
        encoding="utf-8",
    )
    still.rename(tiny / "s.png")
    assert command("run", tiny).status == 0
    from vidspeed.clip.still import read_picture, write_still

    write_still(tiny / "s.png", read_picture(tiny / "s.png")[:-2, :-2])
    said = command("run", tiny)
    assert said.status == 1
    assert "s.png: the picture is 478 x 268" in said.err
    assert "vidspeed still" in said.err


@pytest.mark.parametrize(
    "place", ["vidspeed.measure.run", "vidspeed.record.files.write_results"], ids=["solve", "write"]
)
def test_an_interruption_leaves_the_results(tiny, monkeypatch, place):
    before = files_of(tiny)

    def interrupted(*_args, **_kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr(place, interrupted)
    said = command("run", tiny)
    assert said.status == 130
    assert "earlier results are as they were" in said.err
    assert "Traceback" not in said.err
    assert files_of(tiny) == before


def test_an_interruption_while_the_results_are_swapped(tiny, monkeypatch):
    from vidspeed.record import swap

    before = files_of(tiny)
    real = swap._rename

    def rename(source, target):
        if source.name == "results-ready":
            raise KeyboardInterrupt
        real(source, target)

    monkeypatch.setattr(swap, "_rename", rename)
    assert command("run", tiny).status == 130
    assert files_of(tiny) == before


def outcome(tiny, statuses, levels) -> Outcome:
    session = replace(read_session(tiny), mark=MarkRules())
    return Outcome(
        session=session,
        inputs=session.inputs,
        cameras=(),
        clips=(),
        passes=tuple(
            PassResult(label=str(n), flight=None, setup=None, clips=("a.mp4",), status=status)
            for n, status in enumerate(statuses)
        ),
        covariance_labels=(),
        covariance=[],
        mark=None,
        problems=tuple(Problem(level=level, where="a.mp4", message="so it is") for level in levels),
    )


@pytest.mark.parametrize(
    ("statuses", "levels", "status"),
    [
        (["measured"], [], 0),
        (["measured", "partial"], ["warn"], 0),
        (["partial"], [], 0),
        ([], [], 0),  # every clip was expected to be empty, and was
        (["measured", "none"], ["error"], 3),
        (["partial", "none"], ["warn", "error"], 3),
        (["measured"], ["error"], 3),  # two candidates explain it equally well
        (["none"], ["error"], 1),
        ([], ["error"], 1),
    ],
)
def test_exit_status_by_the_contract(tiny, statuses, levels, status):
    assert exit_status(outcome(tiny, statuses, levels)) == status
