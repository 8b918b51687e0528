"""What is being done, how fast, and how long it will take: on a terminal, or in lines."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from rich.console import Console

    from vidspeed.spread.progress import Tell

LINE_S = 20.0  # between the lines of one step where there is no terminal
LEAST_DONE = 2  # steps before anything is said of the time left


@contextmanager
def progress() -> Iterator[Tell]:
    """Show on standard error what is being done, with its rate and the time left.

    Where that is no terminal: a line when a step begins, and one now and then while it takes long.
    """
    from rich.console import Console

    console = Console(stderr=True)
    if console.is_terminal:
        with _bars(console) as tell:
            yield tell
    else:
        yield Lines(typer.echo).tell


class Lines:
    """Says in lines how far each step is; `clock` gives seconds that never go back."""

    def __init__(
        self, echo: Callable[..., None], clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._echo, self._clock = echo, clock
        self._begun: dict[str, tuple[float, int]] = {}  # when each step began, and at how much
        self._said: dict[str, float] = {}
        self._turn = threading.Lock()

    def tell(self, what: str, done: int, total: int) -> None:
        """Say that `done` of `total` (0: not known) are done of a step, if it is time to."""
        with self._turn:
            now_s = self._clock()
            if 0 < total <= done:
                return
            if what not in self._begun:
                self._begun[what], self._said[what] = (now_s, done), now_s
                self._echo(what, err=True)
            elif now_s - self._said[what] >= LINE_S and total:
                self._said[what] = now_s
                since_s, before = self._begun[what]
                rate, left = rate_and_left(done - before, total - done, now_s - since_s)
                self._echo(f"{what}: {done} of {total}, {rate}, {left}", err=True)


def rate_and_left(done: int, more: int, passed_s: float) -> tuple[str, str]:
    """Return in words how fast it goes, and how long it will take.

    Examples
    --------
    >>> rate_and_left(300, 900, 10.0)
    ('30/s', '0:00:30 left')
    >>> rate_and_left(4, 60, 100.0)
    ('2.4/min', '0:25:00 left')
    >>> rate_and_left(0, 60, 100.0)
    ('no rate yet', 'time left not known')
    """
    if done <= 0 or passed_s <= 0.0:
        return "no rate yet", "time left not known"
    rate_hz = done / passed_s
    rate = f"{rate_hz:.0f}/s" if rate_hz >= 2.0 else f"{60.0 * rate_hz:.1f}/min"
    left_s = round(more / rate_hz)
    return rate, f"{left_s // 3600}:{left_s // 60 % 60:02d}:{left_s % 60:02d} left"


@contextmanager
def _bars(console: Console) -> Iterator[Tell]:
    """Show a bar for each step that is under way; those that are done make room."""
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TextColumn("{task.fields[told]}", markup=False),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=console, transient=True) as shown:
        tasks: dict[str, Any] = {}
        begun: dict[str, tuple[float, int]] = {}
        turn = threading.Lock()

        def tell(what: str, done: int, total: int) -> None:
            with turn:
                over = 0 < total <= done
                if over and what not in tasks:
                    return
                if what not in tasks:
                    tasks[what] = shown.add_task(what, total=None, told="")
                    begun[what] = (time.monotonic(), done)
                since_s, before = begun[what]
                told = ""
                if total and done - before >= LEAST_DONE:
                    passed_s = time.monotonic() - since_s
                    rate, left = rate_and_left(done - before, total - done, passed_s)
                    told = f"{done}/{total}, {rate}, {left}"
                shown.update(
                    tasks[what], completed=done, total=total or None, told=told, visible=not over
                )

        yield tell
