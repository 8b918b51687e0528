"""All pages of the desk, and the front page of the day."""

from __future__ import annotations

from pathlib import Path

from fastapi import FastAPI, HTTPException, Response
from fastapi.responses import FileResponse
from nicegui import ui

from vidspeed.assembly.reading import read_session
from vidspeed.desk import (
    clipspage,
    evidencepage,
    markpage,
    passpage,
    pickspage,
    setuppage,
    surveypage,
)
from vidspeed.desk.frame import STEPS, messages, page
from vidspeed.desk.sources import SESSION
from vidspeed.errors import VidspeedError

HERE = Path(__file__).parent
PAGES = (setuppage, surveypage, pickspage, clipspage, passpage, markpage, evidencepage)
KINDS = (".css", ".js")  # files of this folder that a browser may ask for


def add_pages(app: FastAPI, folder: Path) -> None:
    """Add the desk's pages and pictures for the session in `folder`."""

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
        session = read_session(folder, unpicked=True)
    except VidspeedError as error:
        with page("The desk", here="/"):
            ui.link("Set up the course, the cameras and the rest", "/setup").classes("big")
            messages("Still to be done before it can be measured:", error.messages)
        return
    with page(session.title, here="/"):
        for words, where in STEPS:
            ui.link(words, where).classes("big")
