"""The page of one CSV file of the survey: a table of fields, judged while one types."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from nicegui import run, ui

from vidspeed.desk.fields import help_of, label_of
from vidspeed.desk.frame import messages, page
from vidspeed.desk.sheets import (
    TABLES,
    Fault,
    file_of,
    grid_of,
    judged,
    text_of,
    typed_of,
)
from vidspeed.desk.sources import Changed, keep, read_source
from vidspeed.errors import VidspeedError
from vidspeed.session.keys import Key
from vidspeed.session.units import symbol

WORDS = {
    "markers": "Markers",
    "tapes": "Distances by tape",
    "levels": "Heights",
    "gnss": "Points by satellite",
}


class SheetPage:
    """One open table."""

    def __init__(self, folder: Path, key: str) -> None:
        self.folder, self.key, self.table = folder, key, TABLES[key]

    async def show(self) -> None:
        """Lay the table out."""
        with page(WORDS[self.key], here="/setup"):
            try:
                self.source = read_source(self.folder, file_of(self.folder, self.key))
                self.grid = grid_of(self.source, self.table)
            except VidspeedError as error:
                messages("This table cannot be shown:", error.messages)
                return
            ui.label(
                f"{self.source.name}: a row for each. Enter goes down, cells of a spreadsheet can "
                "be pasted; comments in the file stay."
            )
            with ui.element("dl").classes("columns"):
                for key in self.grid.keys.values():
                    with ui.element("dt"):
                        ui.label(_head(key))
                    with ui.element("dd"):
                        ui.label(help_of(key))
            ui.element("div").props('id="sheet"').classes("sheet")
            with ui.element("div").classes("keys"):
                for words, act in (("Save", "sheet.send('save')"), ("Add a row", "sheet.more()")):
                    button = ui.button(words, color="primary" if words == "Save" else None)
                    button.props(f'id="{words.split()[0].lower()}" no-caps')
                    button.classes("" if words == "Save" else "second")
                    button.on("click", js_handler=f"() => {act}")
                ui.link("Survey", "/survey")
                ui.link("Back to set up", "/setup")
            self.state = ui.label("").props('id="state" role="status"').classes("ready")
            self.said = ui.element("div").props('id="faults" role="status"')
        ui.add_body_html('<script src="/desk/sheet.js"></script>')
        ui.on("vidspeed-sheet", lambda event: self.take(event.args))
        await ui.context.client.connected()
        ui.run_javascript(f"sheet.start({json.dumps(self._start())})")

    def _start(self) -> dict[str, Any]:
        columns = [
            {
                "name": name,
                "label": label_of(key) if key else name,
                "unit": symbol(key.unit) if key else "",
                "help": help_of(key) if key else "a note of your own",
                "choices": ["", *key.choices] if key and key.choices else None,
            }
            for name in self.grid.columns
            for key in (self.grid.keys.get(name),)
        ]
        rows = [
            {"line": line, "cells": [cells.get(name, "") for name in self.grid.columns]}
            for line, cells in self.grid.rows.items()
        ]
        return {"columns": columns, "rows": rows}

    async def take(self, asked: Any) -> None:
        """Judge or save the rows that the page sends."""
        try:
            typed = typed_of(asked.get("rows"), self.grid.columns)
            text, numbers = text_of(self.grid, typed)
            faults = await run.io_bound(judged, self.source, self.table, text, numbers)
            self._tell(faults or [])
            if asked.get("act") == "save":
                await self._save(text, numbers, faults or [])
            elif text != self.source.text:
                self.state.text = "not saved yet"
        except VidspeedError as error:
            self._refused(error)

    async def _save(self, text: str, numbers: list[int], faults: list[Fault]) -> None:
        """Write the file where no cell is wrong; what is missing may wait."""
        if any(fault.column for fault in faults):
            self.state.text = "not saved: mend the cells that are marked first"
            return
        self.source = await run.io_bound(keep, self.source, text) or self.source
        self.grid = grid_of(self.source, self.table)
        lines = [number - 1 if number else None for number in numbers]
        ui.run_javascript(f"sheet.kept({json.dumps(lines)})")
        self.state.text = f"saved, {sum(line is not None for line in lines)} rows"

    def _tell(self, faults: list[Fault]) -> None:
        sent = [{"row": row.row, "column": row.column, "text": row.text} for row in faults]
        ui.run_javascript(f"sheet.faults({json.dumps(sent)})")
        self.said.clear()
        with self.said:
            for fault in faults:
                where = "" if fault.row is None else f"row {fault.row + 1}: "
                ui.label(f"{where}{fault.text}").classes("warn")

    def _refused(self, error: VidspeedError) -> None:
        self.state.text = "not saved"
        self.said.clear()
        with self.said:
            messages("Nothing was written:", error.messages)
            if isinstance(error, Changed):
                ui.button("Load this page again", on_click=ui.navigate.reload).props("no-caps")


def _head(key: Key) -> str:
    return f"{label_of(key)}, {symbol(key.unit)}" if key.unit else label_of(key)
