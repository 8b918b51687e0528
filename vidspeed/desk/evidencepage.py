"""What can be handed on: the report."""

from __future__ import annotations

from pathlib import Path

from fastapi import FastAPI, HTTPException, Response
from fastapi.responses import FileResponse
from nicegui import ui

from vidspeed.desk.frame import page

REPORT = "results/report.html"


def add(app: FastAPI, folder: Path) -> None:
    """Add the page of evidence, and the report itself."""

    @app.get("/report.html")
    def report() -> Response:
        if not (folder / REPORT).is_file():
            raise HTTPException(404)
        return FileResponse(folder / REPORT)

    @ui.page("/evidence")
    def evidence() -> None:
        with page("Evidence", here="/evidence"):
            if (folder / REPORT).is_file():
                ui.link("The report", "/report.html").classes("big")
            else:
                ui.label("There is no report yet: it is written when passes are measured.")
