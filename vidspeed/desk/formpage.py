"""The page of one form: a field for each key of a table, judged while one types."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from nicegui import run, ui

from vidspeed.desk.fields import EDITED, YES, help_of, label_of
from vidspeed.desk.frame import messages, page
from vidspeed.desk.setup import Form, Judged, files_there
from vidspeed.desk.sources import Changed
from vidspeed.errors import VidspeedError
from vidspeed.session.keys import TOP, Key, Table
from vidspeed.session.scaffold import FILLED, WANTED
from vidspeed.session.units import symbol

PAUSE_MS = 350  # without a key pressed, before what is typed is judged


class FormPage:
    """One open form."""

    def __init__(self, folder: Path, table: Table, number: int) -> None:
        self.folder, self.table, self.number = folder, table, number
        self.inputs: dict[str, Any] = {}
        self.asked = 0

    def show(self) -> None:
        """Lay the form out."""
        words = (self.table.name or "the day").replace("_", " ")
        with page(words[:1].upper() + words[1:], here="/setup"):
            try:
                self.form = Form(self.folder, self.table.name, self.number)
            except VidspeedError as error:
                messages("This form cannot be shown:", error.messages)
                return
            ui.label(f"{self.table.meaning[:1].upper()}{self.table.meaning[1:]}.")
            if self.table.name == "camera" and not self.form.new:
                where = f"/picks/{self.number}/still"
                ui.link("Its still, to pick markers on: it tells the image size too", where)
                ui.link("Its lens, measured from a printed chart", f"/lens/{self.number}")
            self._fields()
            with ui.element("div").classes("keys"):
                ui.button("Save", on_click=self.save).props('id="save" no-caps')
                if self.table.many and not self.form.new:
                    away = f"Take this {self.table.name} away"
                    ui.button(away, on_click=self.remove, color=None).props(
                        'id="remove" no-caps'
                    ).classes("second")
                ui.link("Back to set up", "/setup")
            self.state = ui.label("").props('id="state" role="status"').classes("ready")
            self.below = ui.element("div").props('id="others"')
        ui.timer(0.0, self.judge, once=True)

    def _fields(self) -> None:
        """Lay out the fields, those that few need folded away."""
        first: list[Key] = []
        rest: list[Key] = []
        for key in self.form.keys.values():
            (first if self._first(key) else rest).append(key)
        for key in first:
            self._field(key)
        if rest:
            with ui.element("details").props('id="more"'):
                with ui.element("summary"):
                    ui.label(f"More: {', '.join(label_of(key) for key in rest[:6])} …")
                for key in rest:
                    self._field(key)

    def _first(self, key: Key) -> bool:
        """Tell whether a key is shown at once."""
        told = key.required or (key.table, key.name) in WANTED | FILLED
        few = len(self.form.keys) <= 9 or self.table.name in (TOP, "course")
        return bool(told or few or self.form.stated[key.name])

    def _field(self, key: Key) -> None:
        """Lay out one field: its label, what may be in it, what it means."""
        at, text = f"f-{key.name}", self.form.texts[key.name]
        with ui.element("div").classes("field"):
            with ui.element("label").props(f'for="{at}"'):
                ui.label(label_of(key))
                ui.label(key.name).classes("key")
            if key.kind in EDITED:
                ui.label(f"{text or 'not stated'}; it is stated elsewhere or in an editor").props(
                    f'id="{at}"'
                )
            elif key.kind in ("choice", "yes or no"):
                options = {"": "–", **{each: each for each in key.choices or YES}}
                if text not in options:
                    options[text] = text
                chosen = ui.select(options, value=text).props(f'for="{at}" outlined dense')
                self._listen(key, chosen)
            else:
                names = files_there(self.folder) if key.kind == "path" else None
                made = ui.input(value=text, autocomplete=names)
                made.props(f'for="{at}" outlined dense debounce={PAUSE_MS} autocomplete=off')
                made.props["aria-describedby"] = f"h-{key.name}"
                if key.unit:
                    made.props["suffix"] = symbol(key.unit)
                self._listen(key, made)
            ui.label(help_of(key)).classes("help").props(f'id="h-{key.name}"')

    def _listen(self, key: Key, made: Any) -> None:
        async def typed(event: Any) -> None:
            self.form.texts[key.name] = str(event.value or "")
            await self.judge()

        made.on_value_change(typed)
        made.classes("typed")
        self.inputs[key.name] = made

    async def judge(self) -> None:
        """Say beside each field what is wrong with it, and below what else is."""
        self.asked += 1
        asked = self.asked
        try:
            judged = await run.io_bound(self.form.judged)
        except VidspeedError as error:
            judged = Judged(others=error.messages)
        if judged is None or asked != self.asked:
            return
        for name, made in self.inputs.items():
            said = judged.fields.get(name)
            if made.error != said:
                made.error = said
        if self.form.changed or self.form.new:
            self.state.text = "not saved yet"
        elif self.state.text != "saved":
            self.state.text = ""
        self._others(judged.others)

    def _others(self, lines: tuple[str, ...]) -> None:
        self.below.clear()
        if lines:
            with self.below, ui.element("details"):
                with ui.element("summary"):
                    ui.label(f"To do elsewhere in this session: {len(lines)}")
                for line in lines:
                    ui.label(line).classes("said")

    async def save(self) -> None:
        """Write what was typed; what is wrong or changed by others is said, and stays typed."""
        await self._done(self.form.save, "saved")

    async def remove(self) -> None:
        """Take the table away and go back."""
        if await self._done(self.form.remove, "taken away"):
            ui.navigate.to("/setup")

    async def _done(self, act: Any, words: str) -> bool:
        try:
            await run.io_bound(act)
        except VidspeedError as error:
            self.state.text = "not saved"
            self.below.clear()
            with self.below:
                messages("Nothing was written:", error.messages)
                if isinstance(error, Changed):
                    ui.button("Load this page again", on_click=ui.navigate.reload).props("no-caps")
            return False
        self.state.text = words
        await self.judge()
        self.state.text = words
        return True
