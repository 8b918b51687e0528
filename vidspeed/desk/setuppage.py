"""The page on which the day is set up."""

from __future__ import annotations

from pathlib import Path

from fastapi import FastAPI
from nicegui import ui

from vidspeed.assembly.reading import read_session
from vidspeed.desk.frame import messages, page
from vidspeed.errors import VidspeedError


def add(app: FastAPI, folder: Path) -> None:
    """Add the page of set-up."""

    @ui.page("/setup")
    def setup() -> None:
        with page("Set up", here="/setup"):
            try:
                session = read_session(folder, unpicked=True)
            except VidspeedError as error:
                messages("Still to be done in session.toml:", error.messages)
                return
            ui.label(f"Course of {session.course.length_m:g} m, {len(session.cameras)} cameras")
