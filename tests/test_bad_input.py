"""What people get wrong, through the real command: status, one clear message, results untouched."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from fractions import Fraction
from functools import partial
from pathlib import Path

import av
import numpy as np
import pytest

from tests.tiny import CLIP, command, edit, files_of
from vidspeed.assembly.kept import KEPT
from vidspeed.clip.write import even_stamps, write_clip
from vidspeed.record.lock import locked

pytestmark = pytest.mark.usefixtures("undrawn")
POSIX = os.name == "posix"


def refused(folder: Path, *words: str, status: int = 1) -> str:
    """Run the session; check status, words, and that the earlier results are as they were."""
    before = files_of(folder / "results")
    said = command("run", folder)
    assert said.status == status, (said.out, said.err)
    for word in words:
        assert word in said.err, (word, said.err)
    assert "Traceback" not in said.err + said.out
    if status == 1:
        assert said.out == ""
        assert files_of(folder / "results") == before
    assert {path.name for path in folder.iterdir() if path.name.startswith(".vid")} <= {KEPT}
    return said.err


# --- clips -----------------------------------------------------------------------------------


def missing(path: Path) -> None:
    path.unlink()


def empty(path: Path) -> None:
    path.write_bytes(b"")


def half(path: Path) -> None:
    """Keep half of a file whose index stands at its end, as phones write it."""
    index_last = path.with_name("index-last.mp4")
    with av.open(path) as source, av.open(index_last, "w") as target:
        stream = target.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(video=0):
            if packet.dts is not None:
                packet.stream = stream
                target.mux(packet)
    data = index_last.read_bytes()
    assert data.index(b"mdat") < data.index(b"moov")
    path.write_bytes(data[: len(data) // 2])
    index_last.unlink()


def text(path: Path) -> None:
    path.write_text("This is not a clip.\n" * 50, encoding="utf-8")


def sound_only(path: Path) -> None:
    path.unlink()
    with av.open(path, "w") as container:
        stream = container.add_stream("aac", rate=48_000)
        stream.layout = "mono"
        for number in range(20):
            tone = np.zeros((1, 1024), np.float32)
            frame = av.AudioFrame.from_ndarray(tone, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = 48_000, 1024 * number
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def pictures(path: Path, count: int, size: tuple[int, int]) -> None:
    path.unlink()
    rng = np.random.default_rng(1)
    frames = [rng.integers(30, 40, size[::-1], np.uint8) for _ in range(count)]
    write_clip(path, frames, stamps=even_stamps(count, Fraction(60)))


def one_frame(path: Path) -> None:
    pictures(path, 1, (480, 270))


def wrong_size(path: Path) -> None:
    pictures(path, 20, (320, 180))


def nothing_flies(path: Path) -> None:
    pictures(path, 30, (480, 270))


def folder_instead(path: Path) -> None:
    path.unlink()
    path.mkdir()


BAD_CLIPS = {
    missing: ("no such file", "check `file`"),
    empty: ("empty",),
    half: ("cut",),
    text: ("MP4",),
    sound_only: ("sound",),
    one_frame: ("frame",),
    wrong_size: ("320 x 180", "480", "270", "north"),
    nothing_flies: ("pass-1.mp4",),
    folder_instead: ("folder",),
}


@pytest.mark.parametrize("spoil", BAD_CLIPS, ids=lambda spoil: spoil.__name__)
def test_a_clip_that_cannot_be_measured(tiny, spoil):
    spoil(tiny / CLIP)
    said = refused(tiny, *BAD_CLIPS[spoil])
    message = next(line for line in said.splitlines() if line.startswith(f"{CLIP}"))
    assert message.count("pass-1.mp4") == 1  # two cameras may both have one: the path says which
    assert len(said.splitlines()) <= 5  # what was being done, and the one message


def test_bad_clips_leave_the_good_one_alone(tiny):
    for spoil in BAD_CLIPS:
        name = spoil.__name__
        shutil.copy(tiny / CLIP, tiny / f"clips/{name}.mp4")
        spoil(tiny / f"clips/{name}.mp4")
        entry = f'\n[[clip]]\nfile = "clips/{name}.mp4"\ncamera = "north"\npass = "{name}"\n'
        with (tiny / "session.toml").open("a", encoding="utf-8") as file:
            file.write(entry)
    before = summary(tiny)["passes"][0]
    names = [f"clips/{spoil.__name__}.mp4" for spoil in BAD_CLIPS]
    refused(tiny, *(f"error: {name}" for name in names), status=3)
    after = {row["pass"]: row for row in summary(tiny)["passes"]}
    assert after["1"]["status"] == "measured"
    assert after["1"]["speed_mps"] == pytest.approx(before["speed_mps"], rel=1e-9)
    wrong = [row["where"] for row in summary(tiny)["problems"] if row["level"] == "error"]
    assert [sum(name in where for where in wrong) for name in names] == [1] * len(names)


def test_half_a_clip_with_its_index_first_is_measured_as_far_as_it_goes(tiny):
    data = (tiny / CLIP).read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")
    (tiny / CLIP).write_bytes(data[: len(data) // 2])
    said = command("run", tiny)
    assert said.status == 0
    assert f"warn: {CLIP}: the file is cut short" in said.err
    assert summary(tiny)["passes"][0]["status"] == "partial"


def summary(folder: Path):
    return json.loads((folder / "results/summary.json").read_text(encoding="utf-8"))


# --- session.toml, markers, picks --------------------------------------------------------------

WRONG_KEYS = {
    "unknown key": ("[craft]", "[craft]\nlamp_u_mm = 2.0", ("[craft]", "lamp_u_mm", "lamp_u_m")),
    "negative length": ("length_m = 40.0", "length_m = -40.0", ("length_m", "-40", "above 0")),
    "NaN": ("offset_m = 0.0", "offset_m = nan", ("[flight_line]", "offset_m", "nan")),
    "infinity": ("height_u_m = 0.2", "height_u_m = inf", ("height_u_m", "inf")),
    "text for a number": ("height_m = 3.0", 'height_m = "low"', ("height_m", '"low"', "number")),
    "number with a unit": (
        "length_m = 40.0",
        'length_m = "131.234 ft"',
        ("length_m", "131.234 ft", "write length_m = 40.0001"),
    ),
    "not TOML": ("[course]", "[course", ("session.toml", "line")),
    "size of another clip": (
        "image_size_px = [480, 270]",
        "image_size_px = [270, 480]",
        ("picks-north.csv", "outside the picture"),
    ),
    "camera without a clip": ('camera = "north"', 'camera = "south"', ('"south"', "north")),
    "path out": (
        'file = "clips/north/pass-1.mp4"',
        'file = "../elsewhere/pass-1.mp4"',
        ("../elsewhere/pass-1.mp4", "leads out of the session folder", "copy"),
    ),
    "absolute path": (
        'markers = "markers.csv"',
        'markers = "/etc/hosts"',
        ("markers", "/etc/hosts", "copy"),
    ),
    "windows path": ('"clips/north/pass-1.mp4"', "'C:\\clips\\a.mp4'", ("backslash", "/")),
}


@pytest.mark.parametrize("case", WRONG_KEYS)
def test_a_wrong_key_is_named(tiny, case):
    old, new, words = WRONG_KEYS[case]
    edit(tiny / "session.toml", old, new)
    said = refused(tiny, "session.toml" if case != "size of another clip" else "", *words)
    assert command("calibrate", tiny).status == 1
    assert len(said.splitlines()) == 1 or case == "size of another clip"


def test_a_duplicate_marker_is_named_with_its_row(tiny):
    edit(tiny / "markers.csv", "\nA2,", "\nA1,")
    refused(tiny, "markers.csv: row 3", "A1")


def test_an_unknown_marker_in_the_picks_is_named_with_the_nearest(tiny):
    edit(tiny / "picks-north.csv", "D1,", "D11,")
    refused(tiny, "picks-north.csv: row 6", '"D11"', "D1")


def test_a_text_in_the_picks_is_named_with_row_and_column(tiny):
    rows = (tiny / "picks-north.csv").read_text(encoding="utf-8").splitlines()
    cells = rows[2].split(",")
    rows[2] = ",".join([cells[0], "left", *cells[2:]])
    (tiny / "picks-north.csv").write_text("\n".join(rows), encoding="utf-8")
    refused(tiny, "picks-north.csv: row 3", "x_px", '"left"')


def test_three_picks_are_too_few(tiny):
    rows = (tiny / "picks-north.csv").read_text(encoding="utf-8").splitlines()
    (tiny / "picks-north.csv").write_text("\n".join(rows[:4]), encoding="utf-8")
    refused(tiny, 'camera "north"', "3 markers picked, at least 4 needed", "picks-north.csv")


@pytest.mark.parametrize("length_m", [100.0, 400.0, 9000.0])
def test_a_course_far_longer_than_its_markers_is_named(tiny, length_m):
    edit(tiny / "session.toml", "length_m = 40.0", f"length_m = {length_m}")
    said = command("calibrate", tiny)
    assert said.status == 1
    assert (
        f"not ready: the finish gate stands at x = {length_m:g} m, and no marker within "
        f"{length_m - 40.0:.0f} m of it, on a course of length_m = {length_m:g} m; "
        "compare length_m with the x_m of the markers"
    ) in said.err


@pytest.mark.parametrize("a_metre", [100.0, 1 / 0.3048], ids=["centimetres", "feet"])
def test_markers_in_another_unit_than_the_course_are_named(tiny, a_metre):
    scaled(tiny / "markers.csv", a_metre)
    said = command("calibrate", tiny)
    assert said.status == 1
    assert (
        "not ready: most markers stand beyond the finish gate: x_m of the middle one is" in said.err
    )
    assert "length_m = 40 m; compare length_m with the x_m of the markers: both are in" in said.err


def scaled(path: Path, factor: float) -> None:
    """Write the coordinates of markers so many times as large."""
    header, *rows = path.read_text(encoding="utf-8").splitlines()
    cells = [row.split(",") for row in rows]
    lines = [",".join([c[0], *(f"{factor * float(v):.4f}" for v in c[1:4]), *c[4:]]) for c in cells]
    path.write_text("\n".join([header, *lines]), encoding="utf-8")


def test_markers_on_one_line_are_refused(tiny):
    from vidspeed.calibrate import calibrate
    from vidspeed.geometry.lens import project

    fit = calibrate(tiny).cameras[0]
    places = np.array([[x, 0.0, 0.2] for x in (2.0, 10.0, 18.0, 26.0, 34.0, 39.0)])
    seen = project(places, fit.pose, fit.lens)
    names = [f"L{number}" for number in range(len(places))]
    markers = [f"{n},{x},{y},{z},0.02,fit" for n, (x, y, z) in zip(names, places, strict=True)]
    picks = [f"{n},{x:.3f},{y:.3f},0.3" for n, (x, y) in zip(names, seen, strict=True)]
    header = "name,x_m,y_m,z_m,u_m,use", "name,x_px,y_px,u_px"
    (tiny / "markers.csv").write_text("\n".join([header[0], *markers]), encoding="utf-8")
    (tiny / "picks-north.csv").write_text("\n".join([header[1], *picks]), encoding="utf-8")
    refused(tiny, "north", "line")
    assert command("calibrate", tiny).status == 1


@pytest.mark.skipif(not POSIX, reason="links need rights there")
@pytest.mark.parametrize("name", ["markers.csv", CLIP])
def test_a_link_that_leaves_the_session_is_refused(tiny, name):
    outside = tiny.parent / "outside"
    (tiny / name).rename(outside)
    (tiny / name).symlink_to(outside)
    refused(tiny, "session.toml", Path(name).name, "leads out of the session folder")


def test_no_session_there(tmp_path):
    said = command("run", tmp_path / "nowhere")
    assert said.status == 1
    assert "nowhere" in said.err
    said = command("run", tmp_path)
    assert said.status == 1
    assert "no session.toml there; vidspeed new" in said.err
    assert list(tmp_path.iterdir()) == []


# --- results -----------------------------------------------------------------------------------


def test_a_file_in_the_place_of_the_results(tiny):
    shutil.rmtree(tiny / "results")
    (tiny / "results").write_text("mine", encoding="utf-8")
    said = command("run", tiny)
    assert said.status == 1
    assert "results: is a file" in said.err
    assert (tiny / "results").read_text(encoding="utf-8") == "mine"


def test_a_folder_that_may_not_be_written(tiny, monkeypatch):
    """Take the rights away; where they do not stop this user, do as the system does."""
    tiny.chmod(0o555)
    real = Path.mkdir

    def mkdir(path, *args, **kwargs):
        if path.name == ".vidspeed-work":
            raise PermissionError(13, "Permission denied", str(path))
        return real(path, *args, **kwargs)

    if os.access(tiny, os.W_OK):
        monkeypatch.setattr(Path, "mkdir", mkdir)
    try:
        refused(tiny, "may not be written", "run again")
    finally:
        tiny.chmod(0o755)


def test_results_that_another_run_writes(tiny, monkeypatch):
    for room in ("place", "files"):  # before a run begins, and when it writes
        monkeypatch.setattr(f"vidspeed.record.{room}.locked", partial(locked, patience_s=0.0))
    before = files_of(tiny / "results")
    with locked(tiny):
        said = command("run", tiny)
    assert said.status == 1
    assert "another run is writing its results here" in said.err
    assert files_of(tiny / "results") == before


KILLED = """
import sys, time
from vidspeed.record import swap
real = swap._rename
def rename(source, target):
    if source.name == {stop!r}:
        print("now", flush=True)
        time.sleep(60)
    real(source, target)
swap._rename = rename
{write}
"""
RUN = "from vidspeed.cli import main; main()"
WRITE = "swap.replace_folder(swap.Path(sys.argv[-1]), 'results', {'summary.json': b'{}'})"


@pytest.mark.skipif(not POSIX, reason="kills by a signal")
@pytest.mark.parametrize(
    ("stop", "write"), [("results-building", WRITE), ("results", RUN), ("results-ready", WRITE)]
)
def test_a_killed_run_leaves_readable_results(tiny, stop, write):
    """Once a whole run is killed; otherwise a process that does no more than put results there."""
    before = files_of(tiny / "results")
    code = KILLED.format(stop=stop, write=write)
    with subprocess.Popen(
        [sys.executable, "-c", code, "run", "--jobs", "1", str(tiny)],
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "now\n"
        process.send_signal(signal.SIGKILL)
    assert process.returncode == -signal.SIGKILL
    if stop != "results-ready":  # between the two renames there is for a moment no results/
        assert files_of(tiny / "results") == before
    said = command("run", tiny)
    assert said.status == 0, said.err
    after = files_of(tiny / "results")
    assert after.keys() == before.keys()
    assert not (tiny / ".vidspeed-work").exists()


# --- spreadsheets of half the world ------------------------------------------------------------


def as_semicolons(content: str) -> bytes:
    return content.replace(",", ";").replace(".", ",").encode("utf-8-sig")


def as_tabs_utf16(content: str) -> bytes:
    return content.replace(",", "\t").replace("\n", "\r\n").encode("utf-16")


def as_untidy(content: str) -> bytes:
    head, *rows = content.splitlines()
    head = ", ".join(cell.upper() for cell in head.split(",")) + ", note"
    rows = [row.replace(",", " , ") + " , far" for row in rows]
    return "\r".join(["# by tape", "", head, *rows, ""]).encode()


@pytest.mark.parametrize("save", [as_semicolons, as_tabs_utf16, as_untidy])
def test_every_way_to_save_a_table_gives_the_same_figures(tiny, save):
    before = summary(tiny)["passes"][0]
    for name in ("markers.csv", "picks-north.csv"):
        content = (tiny / name).read_text(encoding="utf-8")
        (tiny / name).write_bytes(save(content))
    said = command("run", tiny)
    assert said.status == 0, said.err
    after = summary(tiny)["passes"][0]
    assert after["speed_mps"] == before["speed_mps"]
    assert after["speed_u_mps"] == before["speed_u_mps"]
    assert after["budget"] == before["budget"]


def test_an_archived_session_solves_again_from_its_tracks(tiny):
    before = summary(tiny)["passes"][0]
    edit(tiny / "session.toml", f'file = "{CLIP}"', 'track = "results/north-pass-1/track.csv"')
    shutil.rmtree(tiny / "clips")
    said = command("run", tiny)
    assert said.status == 0, said.err
    after = summary(tiny)["passes"][0]
    assert after["speed_mps"] == pytest.approx(before["speed_mps"], abs=1e-6)
