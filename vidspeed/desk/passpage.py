"""The passes that were measured."""

from __future__ import annotations

from pathlib import Path

from fastapi import FastAPI
from nicegui import ui

from vidspeed.desk.frame import page
from vidspeed.desk.results import summary_of


def add(app: FastAPI, folder: Path) -> None:
    """Add the list of passes."""

    @ui.page("/passes")
    def passes() -> None:
        with page("Passes", here="/passes"):
            found = summary_of(folder)
            if found is None:
                ui.label("Nothing was measured yet.")
                ui.link("Measure on the page of the clips", "/clips")
                return
            for row in found["passes"]:
                speed, wide = row["speed_mps"], row["speed_U95_mps"]
                said = row["status"] if speed is None else f"{speed:.2f} ± {wide:.2f} m/s"
                ui.label(f"Pass {row['pass']}: {said}")
