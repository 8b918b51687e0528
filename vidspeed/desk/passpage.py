"""The passes: a list of them, the page of each, and the pictures of their frames."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from fastapi import FastAPI, HTTPException, Response
from nicegui import ui

from vidspeed.desk.frame import page
from vidspeed.desk.onepass import PassPage, looks
from vidspeed.desk.passview import pass_rows
from vidspeed.desk.results import summary_of
from vidspeed.desk.tables import table
from vidspeed.desk.workshop import Workshop


def add(app: FastAPI, folder: Path) -> None:
    """Add the list of passes, the page of each, and the pictures of their frames."""
    shop = Workshop(folder)

    @app.get("/film/{key}/{name}.png")
    def picture(key: str, name: str) -> Response:
        film = shop.films.get(key)
        data = None
        if film is not None and name == "whole":
            data = film.whole
        elif film is not None and name.isdecimal() and int(name) < len(film.near):
            data = film.near[int(name)]
        if data is None:
            raise HTTPException(404)
        return Response(
            data, media_type="image/png", headers={"cache-control": "private, max-age=3600"}
        )

    @ui.page("/passes")
    def passes() -> None:
        with page("Passes", here="/passes"):
            looks()
            found = _measured(folder)
            if found is None:
                ui.label("Nothing was measured yet.")
                ui.link("Measure on the page of the clips", "/clips").classes("big")
                return
            head = ("Pass", "Direction", "km/h ± U95", "State", "Clips", "Lights dismissed")
            table("Every pass as it was measured last.", head, pass_rows(found))

    @ui.page("/passes/{number}")
    async def one(number: int) -> None:
        found = _measured(folder)
        if found is None or not 0 <= number < len(found["passes"]):
            raise HTTPException(404)
        await PassPage(shop, found, number).show()


def _measured(folder: Path) -> dict[str, Any] | None:
    """Return the summary of the last run; None where there is none that has passes."""
    found = summary_of(folder)
    return found if found is not None and isinstance(found.get("passes"), list) else None
