"""What every page of the desk has: its head, the steps of the day as links, and messages."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from nicegui import ui

from vidspeed.record.words import visible

STEPS = (
    ("Set up", "/setup"),
    ("Picks", "/picks"),
    ("Clips", "/clips"),
    ("Passes", "/passes"),
    ("Mark", "/mark"),
    ("Evidence", "/evidence"),
)  # in the order of the day: the words of the links, and where they lead


@contextmanager
def page(title: str, *, here: str) -> Iterator[None]:
    """Lay out a page: head, steps, title; what is made within the block is its main part.

    `here` is the address of the step that the page belongs to, "" for none.
    """
    title = visible(title)
    head(title)
    navigation(here)
    with ui.element("main").classes("page"):
        with ui.element("h1").classes("title"):
            ui.label(title)
        yield


def head(title: str) -> None:
    """Give the page its title, language and looks."""
    ui.page_title(f"vidspeed – {title}")
    ui.colors(primary="#16407a")  # under white text, 10 : 1
    ui.add_head_html('<link rel="stylesheet" href="/desk/desk.css">')
    ui.add_head_html('<script>document.documentElement.lang = "en";</script>')


def navigation(here: str) -> None:
    """Show the steps of the day as plain links, the one at `here` marked."""
    with ui.element("nav").classes("steps").props('aria-label="Steps of the day"'):
        for words, where in (("The day", "/"), *STEPS):
            link = ui.link(words, where)
            if where == here:
                link.props('aria-current="page"')


def messages(first: str, lines: Sequence[str]) -> None:
    """Show what is wrong, a line each, under a first line in the colour of warnings."""
    with ui.element("div").props('role="alert"').classes("messages"):
        ui.label(first).classes("warn")
        for line in lines:
            ui.label(line).classes("said")
