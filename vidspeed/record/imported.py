"""What draws and writes, imported by a process that is going to need it, while it has time."""

from __future__ import annotations

from importlib import import_module

from vidspeed.spread.memory import uncollected


def import_drawing() -> None:
    """Import what draws the pictures of a run."""
    with uncollected():
        import_module("vidspeed.record.pictures")


def import_writing() -> None:
    """Import what draws and writes the results of a run, and make the report's template ready."""
    with uncollected():
        import_module("vidspeed.record.files")
        from vidspeed.record.report import template

        template()
