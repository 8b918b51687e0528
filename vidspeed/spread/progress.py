"""What a job says while it runs, to whoever runs it: how far it is, and that it is alive."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

Tell = Callable[[str, int, int], None]

_listener: ContextVar[Tell | None] = ContextVar("listener", default=None)
_pulse: ContextVar[Callable[[], None] | None] = ContextVar("pulse", default=None)


def report(what: str, done: int, total: int) -> None:
    """Tell whoever runs this job how far it is (`total` 0: not known): a sign of life, too."""
    listener = _listener.get()
    if listener is not None:
        listener(what, done, total)


def alive() -> None:
    """Give a sign of life from a long loop; it costs next to nothing, and only a worker listens."""
    pulse = _pulse.get()
    if pulse is not None:
        pulse()


@contextmanager
def told_to(tell: Tell | None) -> Iterator[None]:
    """Hand what `report` is told to `tell`, within the block.

    `tell` itself may report: that goes to who listened before, as where a job has jobs.
    """
    outer = _listener.get()

    def pass_on(what: str, done: int, total: int) -> None:
        token = _listener.set(outer)
        try:
            if tell is not None:
                tell(what, done, total)
        finally:
            _listener.reset(token)

    token = _listener.set(pass_on)
    try:
        yield
    finally:
        _listener.reset(token)


@contextmanager
def pulsing(pulse: Callable[[], None]) -> Iterator[None]:
    """Have `pulse` called at every sign that `alive` gives within the block."""
    token = _pulse.set(pulse)
    try:
        yield
    finally:
        _pulse.reset(token)
