"""The clips of the session."""

from __future__ import annotations

from pathlib import Path

from fastapi import FastAPI
from nicegui import ui

from vidspeed.assembly.reading import read_session
from vidspeed.desk.frame import messages, page
from vidspeed.errors import VidspeedError


def add(app: FastAPI, folder: Path) -> None:
    """Add the list of clips."""

    @ui.page("/clips")
    def clips() -> None:
        with page("Clips", here="/clips"):
            try:
                session = read_session(folder, unpicked=True)
            except VidspeedError as error:
                messages("This session cannot be read yet:", error.messages)
                return
            for clip in session.clips:
                ui.label(f"{clip.file or clip.track}, {clip.camera}")
