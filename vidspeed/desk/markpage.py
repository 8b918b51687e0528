"""The mark of the day."""

from __future__ import annotations

from pathlib import Path

from fastapi import FastAPI
from nicegui import ui

from vidspeed.desk.frame import page
from vidspeed.desk.results import summary_of


def add(app: FastAPI, folder: Path) -> None:
    """Add the page of the mark."""

    @ui.page("/mark")
    def mark() -> None:
        with page("Mark", here="/mark"):
            found = summary_of(folder)
            if found is None or found["mark"] is None:
                ui.label("There is no mark yet: it takes a measured pass each way.")
                return
            row = found["mark"]
            ui.label(
                f"{row['speed_mps']:.2f} ± {row['speed_U95_mps']:.2f} m/s, of passes "
                + " and ".join(map(str, row["passes"]))
            )
