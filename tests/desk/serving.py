"""The desk as a user starts it, and a page of it in a browser."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

from tests import browser

START_S = 200.0


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """Start the desk as a user does, and give its address."""
    code = "from vidspeed.cli import main; main()"
    command = [sys.executable, "-c", code, "desk", str(folder), "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, encoding="utf-8") as process:
        too_late = threading.Timer(START_S, process.kill)
        too_late.daemon = True
        too_late.start()
        try:
            line = process.stdout.readline()
            too_late.cancel()
            assert line, "the desk does not start"
            yield line.split()[1]
        finally:
            too_late.cancel()
            too_late.join()
            process.kill()


def opened(address: str) -> AbstractContextManager[Any]:
    """Open the desk in a browser, on a screen of usual size, without movement."""
    view = {"width": 1280, "height": 800}
    return browser.opened(address, viewport=view, reduced_motion="reduce")


def fresh(folder: Path) -> Path:
    """Return an empty folder in this one: a test that is gone through again begins in another."""
    return Path(tempfile.mkdtemp(prefix="a day ", dir=folder))
