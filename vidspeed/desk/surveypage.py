"""The survey: how the course was measured, its tables, and the network drawn."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from fastapi import FastAPI, HTTPException, Response
from nicegui import run, ui

from vidspeed.assembly.reading import adjust, unfixed
from vidspeed.assembly.remeasure import survey_warnings
from vidspeed.desk.frame import messages, page
from vidspeed.desk.setuppage import offer
from vidspeed.desk.sheetpage import WORDS, SheetPage
from vidspeed.desk.sheets import TABLES
from vidspeed.desk.sources import SESSION, change, read_source
from vidspeed.desk.toml import entries, read
from vidspeed.errors import VidspeedError
from vidspeed.record.surveyview import marker_picture, survey_picture, survey_text
from vidspeed.session.read import read_measured
from vidspeed.session.tables import parse_markers

WAYS: Mapping[str, tuple[str, dict[str, str | None]]] = {
    "markers": ("Coordinates of the markers", {"markers": "markers.csv"}),
    "tapes": ("Tape and level", {"tapes": "tapes.csv", "levels": "levels.csv"}),
    "gnss": ("Satellites", {"gnss": "gnss.csv"}),
}
Drawn = tuple[bytes, list[str]]  # a PNG, and what it shows in words


def add(app: FastAPI, folder: Path) -> None:
    """Add the page of the survey, its tables and its drawing."""

    @app.get("/survey.png")
    def drawing() -> Response:
        try:
            data = drawn(folder)[0]
        except VidspeedError:
            raise HTTPException(404) from None
        return Response(data, media_type="image/png", headers={"cache-control": "no-store"})

    @ui.page("/survey")
    async def survey() -> None:
        with page("Survey", here="/setup"):
            if not (folder / SESSION).is_file():
                offer(folder)
                return
            await _survey(folder)

    @ui.page("/survey/{key}")
    async def sheet(key: str) -> None:
        if key not in TABLES:
            raise HTTPException(404)
        await SheetPage(folder, key).show()


async def _survey(folder: Path) -> None:
    """Show how the course was measured, the tables that this takes, and the drawing."""
    try:
        course = (entries(read(read_source(folder).text), "course") or [{}])[0]
    except VidspeedError as error:
        messages("session.toml cannot be read:", error.messages)
        return
    given = [key for key in TABLES if key in course]
    with ui.element("ul").classes("tables"):
        for key in given:
            with ui.element("li"):
                ui.link(f"{WORDS[key]}: {course[key]}", f"/survey/{key}").classes("big")
    with ui.element("details").props('id="ways"'):
        with ui.element("summary"):
            ui.label("Measured in another way")
        for key, (words, files) in WAYS.items():
            if key not in given:
                others = {name: None for name in (*TABLES, "covariance") if name in course}
                button = ui.button(
                    words, on_click=lambda _, to={**others, **files}: _take(folder, to), color=None
                )
                button.props(f'id="way-{key}" no-caps').classes("second")
    try:
        _, words_ = await run.io_bound(drawn, folder) or (b"", [])
    except VidspeedError as error:
        messages("The survey does not hold yet:", error.messages)
        return
    said = "; ".join(words_)
    made = ui.element("img").props('id="network" src="/survey.png"').classes("network")
    made.props["alt"] = f"The course from above. {said}"
    for line in words_:
        ui.label(line)


def _take(folder: Path, keys: Mapping[str, str | None]) -> None:
    """Name other files of the survey in session.toml; the files that are there stay."""
    try:
        change(folder, "course", 0, keys)
    except VidspeedError as error:
        messages("Nothing was changed:", error.messages)
        return
    ui.navigate.to("/survey")


def drawn(folder: Path) -> Drawn:
    """Return the survey drawn from above, and what is to be said of it.

    Raises SessionError where it cannot be read or adjusted.
    """
    measured = read_measured(folder)
    if measured is None:
        course = entries(read(read_source(folder).text), "course")[0]
        file = str(course["markers"])
        source = read_source(folder, file)
        markers = parse_markers(source.text.encode("utf-8"), file)
        length_m = course.get("length_m")
        length_m = float(length_m) if isinstance(length_m, int | float) else None
        checks = sum(marker.use == "check" for marker in markers)
        return marker_picture(markers, length_m), [
            f"{len(markers)} markers, {checks} of them held out as checks"
        ]
    surveyed = adjust(measured)
    loose = unfixed(surveyed)
    if loose:
        raise VidspeedError(*loose)
    words = [*survey_text(surveyed, None), *survey_warnings(surveyed, measured)]
    return survey_picture(surveyed), words
