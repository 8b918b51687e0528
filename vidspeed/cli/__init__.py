"""The commands: parse, call the library function of the same name, print, exit.

Each module here holds the commands of one kind of work; importing it registers them. Heavy
imports happen inside the commands, so that `vidspeed --help` is instant.
"""

from __future__ import annotations

import gc
import os
import signal
import sys
from typing import Annotated

import typer

from vidspeed import __version__

# isort: off
from vidspeed.cli import (
    course,
    desk,
    clips,
    passes,
    watching,
    pictures,
    follow,
    listen,
    marks,
    clock,
    lenses,
    evidence,
)

# isort: on
from vidspeed.cli.shell import app

__all__ = [
    "app",
    "clips",
    "clock",
    "course",
    "desk",
    "evidence",
    "follow",
    "lenses",
    "listen",
    "main",
    "marks",
    "passes",
    "pictures",
    "watching",
]


def main() -> None:
    """Run the command line."""
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # matrices of a hundred rows are slower on more threads
    os.environ.setdefault("OPENCV_IO_MAX_IMAGE_PIXELS", "100000000")  # a small file can claim more
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        app()
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # all is said and done; the status stands
        gc.freeze()  # or else garbage is looked for at the end, 0.15 s of every command


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"vidspeed {__version__}")
        raise typer.Exit


@app.callback()
def _top(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Read the options before a command."""
