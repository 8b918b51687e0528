"""All pages of the desk, and the front page of the day."""

from __future__ import annotations

from pathlib import Path

from fastapi import FastAPI, HTTPException, Request, Response
from fastapi.responses import FileResponse, PlainTextResponse
from nicegui import ui

from vidspeed.desk import (
    clipspage,
    evidencepage,
    lenspage,
    markpage,
    passpage,
    pickspage,
    setuppage,
    surveypage,
)
from vidspeed.desk.day import steps_of
from vidspeed.desk.frame import messages, page
from vidspeed.desk.sources import SESSION, read_source
from vidspeed.desk.toml import read
from vidspeed.errors import VidspeedError
from vidspeed.record.words import visible

HERE = Path(__file__).parent
PAGES = (setuppage, surveypage, lenspage, pickspage, clipspage, passpage, markpage, evidencepage)
KINDS = (".css", ".js")  # files of this folder that a browser may ask for


def add_pages(app: FastAPI, folder: Path) -> None:
    """Add the desk's pages and pictures for the session in `folder`."""

    @app.exception_handler(VidspeedError)
    def refused(_: Request, error: VidspeedError) -> Response:
        return PlainTextResponse(str(error), 422)  # of a picture; pages say it themselves

    @app.get("/desk/{name}")
    def asset(name: str) -> Response:
        if name not in {path.name for path in HERE.iterdir() if path.suffix in KINDS}:
            raise HTTPException(404)
        return FileResponse(HERE / name)

    @ui.page("/")
    def day() -> None:
        _day(folder)

    for each in PAGES:
        each.add(app, folder)


def _day(folder: Path) -> None:
    """Show what the day is called and its steps."""
    if not (folder / SESSION).is_file():
        with page("The desk", here="/"):
            setuppage.offer(folder)
        return
    try:
        title = str(read(read_source(folder).text).get("title") or folder.resolve().name)
        steps = steps_of(folder)
    except VidspeedError as error:
        with page("The desk", here="/"):
            messages("This session cannot be read:", error.messages)
        return
    following = next((step for step in steps if not step.done), None)
    with page(title, here="/"), ui.element("ol").classes("tables"):
        for step in steps:
            with ui.element("li"):
                ui.link(step.words, step.where).classes("big")
                ui.label(visible(step.state)).classes("ready" if step.done else "said")
                if step is following:
                    ui.label("This comes next.").classes("warn")
