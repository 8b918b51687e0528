"""A session small enough to be run in every test of the command: one camera, one short clip."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import typer.testing
from typer.main import get_command
from typer.testing import CliRunner

from vidspeed.cli import app
from vidspeed.record import pictures
from vidspeed.render.session import render_scene_file
from vidspeed.spread.executor import executor

CLIP = "clips/north/pass-1.mp4"
DOT_PNG = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAQAAAC1HAwCAAAAC0lEQVR42mNkYAAAAAYAAjCB0C8AAAAASUVORK5CYII="
)
EMPTY_SVG = b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1 1"></svg>'
SCENE = """\
title = "A short afternoon"
date = 2026-08-22
seed = 5
clip_s = 0.9

[course]
length_m = 40.0
length_u_m = 0.02

[flight_line]
offset_m = 0.0
offset_u_m = 0.2
height_m = 3.0
height_u_m = 0.2

[craft]
name = "Skein 2"

[[camera]]
name = "north"
position_m = [20.0, -30.0, 1.6]
aim_m = [20.0, 0.0, 3.0]
image_size_px = [480, 270]
focal_px = 280.0
focal_u_px = 3.0
centre_px = [239.5, 134.5]
centre_u_px = 3.0
k1 = 0.0
k1_u = 0.01
rate_hz = 60
exposure_ms = 1.0
exposure_u_ms = 0.1
readout_ms = 10.0
readout_u_ms = 2.0
pick_u_px = 0.3
crf = 17
look = { background = "dark", lamp_signal = 6.0, reference_m = 30.0 }

[[pass]]
direction = "forward"
speed_kmh = 300.0
"""
MARKERS = (
    ("A1", (0.0, 0.0, 0.2), "fit"),
    ("A2", (40.0, 0.0, 0.2), "fit"),
    ("B1", (0.0, 6.0, 2.0), "fit"),
    ("B2", (40.0, 6.0, 2.0), "fit"),
    ("D1", (15.0, -12.0, 0.0), "fit"),
    ("D2", (28.0, 12.0, 5.0), "fit"),
    ("C1", (22.0, 3.0, 1.0), "check"),
)


class Said(NamedTuple):
    """What a command answered."""

    status: int
    out: str
    err: str


def scene_text() -> str:
    """Return the scene with its markers."""
    rows = (
        f'\n[[marker]]\nname = "{name}"\nxyz_m = {list(xyz)}\nu_m = 0.02\nuse = "{use}"\n'
        for name, xyz, use in MARKERS
    )
    return SCENE + "".join(rows)


def render_tiny(folder: Path) -> Path:
    """Render the session into a new folder and return it."""
    scene = folder.with_suffix(".toml")
    scene.write_text(scene_text(), encoding="utf-8")
    render_scene_file(scene, folder, workers=1)
    return folder


tree_of = cache(get_command)  # of commands: a tenth of a second each time


@contextmanager
def inline(*_workers: int, tell: Any = None, **_more: Any) -> Iterator[Executor]:
    """Do the jobs in this process, whatever was asked for: another costs a second of imports."""
    with executor(1, tell=tell) as pool:
        yield pool


def command(*arguments: object, apart: bool = False) -> Said:
    """Run a command in this process; `apart`: with worker processes, as it has by itself."""
    done = invoked([str(item) for item in arguments], apart=apart)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return Said(done.exit_code, done.stdout, done.stderr)


def invoked(words: list[str], *, apart: bool = False) -> typer.testing.Result:
    """Return what a command line gave."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(typer.testing, "_get_command", tree_of)
        if not apart:
            patch.setattr("vidspeed.spread.executor.executor", inline)
        return CliRunner().invoke(app, words)


@contextmanager
def undrawn() -> Iterator[None]:
    """Have figures made, but none drawn as a file, within the block."""
    made = ((pictures, "painted", b""), (pictures, "png", DOT_PNG), (pictures, "jpeg", DOT_PNG))
    with pytest.MonkeyPatch.context() as patch:
        for module, name, data in (*made, (pictures, "svg", EMPTY_SVG)):
            patch.setattr(module, name, lambda *_, data=data, **__: data)
        yield


def files_of(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder, by its relative path."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def edit(path: Path, old: str, new: str) -> None:
    """Replace a text in a file; it must be there."""
    text = path.read_text(encoding="utf-8")
    assert old in text, (path.name, old)
    path.write_text(text.replace(old, new), encoding="utf-8", newline="")
