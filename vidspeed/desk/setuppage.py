"""The pages on which the day is set up: what there is to state, and a form for each table."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from fastapi import FastAPI, HTTPException, Request, Response
from nicegui import ui

from vidspeed.desk.dropping import drop_place, received
from vidspeed.desk.formpage import FormPage
from vidspeed.desk.frame import messages, page
from vidspeed.desk.setup import faults_of, place_of
from vidspeed.desk.sources import SESSION, read_source
from vidspeed.desk.toml import entries, read
from vidspeed.errors import VidspeedError
from vidspeed.record.words import visible
from vidspeed.session.keys import TABLES, TOP, Table, keys_of
from vidspeed.session.scaffold import new_session

DAY = Table(name=TOP, meaning="the day: title, date, place", required=True)
FILES = (".json", ".toml", ".yml", ".yaml", ".xml", ".csv", ".txt", ".log", ".gpx", ".nmea", ".png")
MOST_FILE_BYTES = 64 << 20
LATER = ("sync", "proof", "log", "mark")  # stated once there are clips


def add(app: FastAPI, folder: Path) -> None:
    """Add the page of set-up and its forms."""

    @ui.page("/setup")
    def setup() -> None:
        with page("Set up", here="/setup"):
            if not (folder / SESSION).is_file():
                offer(folder)
                return
            try:
                _overview(folder)
            except VidspeedError as error:
                messages("This session cannot be shown:", error.messages)

    @app.put("/upload/file")
    async def upload(request: Request, name: str) -> Response:
        async def there(path: Path) -> str:
            return f"{path.name} is in the session folder; name it in the form that needs it"

        return await received(request, folder, ".", name, FILES, there, most=MOST_FILE_BYTES)

    @ui.page("/setup/{table}")
    def one(table: str) -> None:
        FormPage(folder, _known(table, many=False), 0).show()

    @ui.page("/setup/{table}/{number}")
    def one_of_many(table: str, number: int) -> None:
        if number < 0:
            raise HTTPException(404)
        FormPage(folder, _known(table, many=True), number).show()


def offer(folder: Path) -> None:
    """Offer to make a session in a folder that holds none."""
    ui.label("There is no session in this folder yet. A session is one day at one course.")
    ui.label(str(folder.resolve())).classes("where")

    def make() -> None:
        try:
            new_session(folder)
        except VidspeedError as error:
            messages("No session was made:", error.messages)
            return
        ui.navigate.to("/setup")

    ui.button("Make a session here", on_click=make).props('id="make" no-caps')


def _known(name: str, *, many: bool) -> Table:
    """Return a table by the name in an address; "day" is what stands before the first table."""
    if name == "day" and not many:
        return DAY
    for table in TABLES:
        if table.name == name and table.many == many:
            return table
    raise HTTPException(404)


def _overview(folder: Path) -> None:
    """Show every table with what is still to be done in it."""
    data = read(read_source(folder).text)
    faults = faults_of(folder)
    with ui.element("ul").classes("tables"):
        for table in (DAY, *TABLES):
            if table.name not in (*LATER, "clip"):
                _entries_of(table, data, faults)
            if table.name == "course":
                with ui.element("li"):
                    ui.link("Survey", "/survey").classes("big")
                    ui.label(
                        "Tables of markers, or of tapes and levels; the network drawn"
                    ).classes("help")
    with ui.element("h2").classes("title"):
        ui.label("Once there are clips")
    with ui.element("ul").classes("tables"):
        with ui.element("li"):
            ui.link(f"Clips: {len(entries(data, 'clip'))}", "/clips").classes("big")
            ui.label("Dropped in, measured, what is stated of each").classes("help")
        for table in TABLES:
            if table.name in LATER:
                _entries_of(table, data, faults)
    with ui.element("details").props('id="add-files"'):
        with ui.element("summary"):
            ui.label("Add a file: a lens, a clock, a log, points by satellite")
        drop_place("/upload/file", "Drop files here; they are copied into the session folder.")
    if faults:
        messages("Still to be done:", faults)
    else:
        ui.label("All of this can be read.").classes("ready").props('role="status"')
        ui.link("Next: pick the markers", "/picks").classes("big")


def _entries_of(table: Table, data: dict[str, Any], faults: tuple[str, ...]) -> None:
    """Show the forms of one table, those of many each with its name."""
    found = entries(data, table.name)
    if not table.many:
        where = f"/setup/{table.name or 'day'}"
        _row(table.name or "day", where, table, found[0] if found else {}, 0, faults)
        return
    for number, item in enumerate(found):
        name = visible(str(item.get("name") or item.get("file") or item.get("track") or number + 1))
        where = f"/setup/{table.name}/{number}"
        _row(f"{table.name} {name}", where, table, item, number, faults)
    with ui.element("li"):
        ui.link(f"Add a {table.name}", f"/setup/{table.name}/{len(found)}").classes("big")
        ui.label(_sentence(table)).classes("help")


def _row(
    words: str,
    where: str,
    table: Table,
    item: dict[str, Any],
    number: int,
    faults: tuple[str, ...],
) -> None:
    with ui.element("li"):
        ui.link(words.replace("_", " "), where).classes("big")
        todo = _to_do(table, item, number, faults)
        if todo:
            ui.label(f"{todo} to do").classes("warn")
        elif not item and not table.required:
            ui.label("nothing stated").classes("help")
        ui.label(_sentence(table)).classes("help")


def _to_do(table: Table, item: dict[str, Any], number: int, faults: tuple[str, ...]) -> int:
    """Count what is to be done in one table."""
    begin = f"{place_of(table.name, number, item)}"
    if table.name == TOP:
        names = tuple(keys_of(TOP))
        return sum(message.removeprefix(f"{begin}: ").startswith(names) for message in faults)
    whole = f"{SESSION}: [{table.name}] is"
    return sum(message.startswith((f"{begin}: ", whole)) for message in faults)


def _sentence(table: Table) -> str:
    return table.meaning[:1].upper() + table.meaning[1:]
