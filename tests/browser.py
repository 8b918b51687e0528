"""Pages in a real browser, and what is done about one that falls silent.

A browser, or the driver between it and the test, can stop answering, and most calls wait for an
answer without end (tests/schedule.py tells of a run of all tests that never ended). Here a browser
is ended when it has been open too long, and the test is gone through once more, from its start.

    @in_browser
    def test_the_page_opens():
        with opened("file:///…") as page:
            assert page.title() == "…"
"""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial, wraps
from typing import Any

import psutil
import pytest

CHROMIUM = shutil.which("chromium")
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync", "--disable-quic",
    "--disable-background-networking", "--disable-component-update",
]  # fmt: skip
WAIT_MS = 150_000  # of what has a limit of its own: a busy machine does not meet it
OPEN_S = 240.0
POLLING_MS = 100.0


class Silent(Exception):
    """A browser did not do within its time what a test wanted, and was ended."""


def in_browser(test: Callable[..., None]) -> Callable[..., None]:
    """Mark a test that opens a browser; one whose browser fell silent is gone through again."""

    @wraps(test)
    def twice(**given: Any) -> None:
        try:
            test(**given)
        except Silent:
            test(**given)

    return pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")(twice)


@contextmanager
def opened(address: str, within_s: float = OPEN_S, **context: Any) -> Iterator[Any]:
    """Open a page in a browser of its own, with Playwright's options of a browser context."""
    from playwright.sync_api import sync_playwright

    with _ended_after(within_s), sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_page(**context)
        page.set_default_timeout(WAIT_MS)
        # of itself it asks at every frame, and has frames drawn for that: seconds of processor time
        page.wait_for_function = partial(page.wait_for_function, polling=POLLING_MS)
        page.goto(address)
        yield page
        browser.close()


@contextmanager
def _ended_after(within_s: float) -> Iterator[None]:
    """End the driver and the browser that the block starts if it takes longer than that."""
    earlier = {child.pid for child in psutil.Process().children()}
    fell_silent = threading.Event()

    def end() -> None:
        fell_silent.set()
        for child in psutil.Process().children():
            if child.pid not in earlier and "node" in child.name():
                for process in [*child.children(recursive=True), child]:
                    with suppress(psutil.NoSuchProcess):
                        process.kill()

    timer = threading.Timer(within_s, end)
    timer.daemon = True
    timer.start()
    try:
        yield
    except Exception as error:
        if fell_silent.is_set():
            raise Silent(f"the browser was ended after {within_s:.0f} s: {error}") from error
        raise
    finally:
        timer.cancel()
        timer.join()
