"""What draws and writes, imported by a process that is going to need it, while it has time.

A third of Matplotlib's import is help: it puts together, in words, what each property of each of
its classes may be. Nobody reads that here.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module

from vidspeed.spread.memory import uncollected


def import_drawing() -> None:
    """Import what draws the pictures of a run."""
    with uncollected(), _without_help():
        import_module("vidspeed.record.pictures")


def import_writing() -> None:
    """Import what draws and writes the results of a run, and make the report's template ready."""
    with uncollected(), _without_help():
        import_module("vidspeed.record.files")
        from vidspeed.record.report import template

        template()


@contextmanager
def _without_help() -> Iterator[None]:
    """Have Matplotlib import without the texts of help on its classes' properties."""
    from matplotlib import artist as base

    plain = base.kwdoc
    base.kwdoc = lambda artist: ""
    try:
        yield
    finally:
        base.kwdoc = plain
