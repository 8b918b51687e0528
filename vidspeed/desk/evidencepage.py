"""What can be handed on: the report, and packs with their hashes and sheets to sign."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from urllib.parse import quote

from fastapi import FastAPI, HTTPException, Response
from fastapi.responses import FileResponse
from nicegui import run, ui

from vidspeed.desk.answered import known
from vidspeed.desk.frame import messages, page
from vidspeed.desk.markpage import part
from vidspeed.desk.packs import FOLDER, Kept, contents_sha256, make, packs
from vidspeed.desk.tables import Cell, Link, table
from vidspeed.errors import VidspeedError
from vidspeed.evidence.manifest import Mode

REPORT = "results/report.html"
TICK_S = 0.3
ALONE = {
    "content-security-policy": "sandbox; default-src 'none'; img-src data:; font-src data:; "
    "style-src 'unsafe-inline'",
    "cache-control": "no-store",
}  # a page that runs nothing, sends nothing and is of no origin


def add(app: FastAPI, folder: Path) -> None:
    """Add the page of evidence, the report itself, packs and their sheets."""
    making = asyncio.Lock()

    @app.get("/report.html")
    def report() -> Response:
        if not _within(folder, folder / REPORT):
            raise HTTPException(404)
        return FileResponse(folder / REPORT, media_type="text/html", headers=ALONE)

    @app.get("/packs/{name}")
    def one(name: str) -> Response:
        home = folder / FOLDER
        there = {path.name: path for path in home.iterdir()} if home.is_dir() else {}
        path = there.get(name)
        if path is None or path.suffix not in (".zip", ".html") or not _within(folder, path):
            raise HTTPException(404)
        if path.suffix == ".html":
            return FileResponse(path, media_type="text/html", headers=ALONE)
        return FileResponse(path, media_type="application/zip", filename=name)

    @ui.page("/evidence")
    async def evidence() -> None:
        with page("Evidence", here="/evidence"):
            await _EvidencePage(folder, making).show()


def _within(folder: Path, path: Path) -> bool:
    """Tell a file that lies in the session, and is not hidden, from one that a link leads to."""
    inside = path.resolve().is_relative_to(folder.resolve())
    return inside and path.is_file() and not path.name.startswith(".")


class _EvidencePage:
    """One open page of evidence."""

    def __init__(self, folder: Path, making: asyncio.Lock) -> None:
        self.folder, self.making = folder, making
        self.progress = ""

    async def show(self) -> None:
        """Lay the page out."""
        part("The report")
        if not (self.folder / REPORT).is_file():
            ui.label("There is no report yet: it is written when passes are measured.")
            ui.link("Measure on the page of the clips", "/clips").classes("big")
            return
        holds = await self._holds()
        ui.link("Open the report", "/report.html", new_tab=True).classes("big")
        ui.label("One file, results/report.html in the session's folder: it opens anywhere, prints "
                 "on A4, and needs no network.")  # fmt: skip
        digest = contents_sha256(self.folder)
        if digest is not None:
            ui.label("It ends with this hash of the list of all inputs and results. Whoever signs "
                     "beside it vouches for them all:")  # fmt: skip
            ui.label(digest).classes("hash").props('id="contents"')
        part("A pack for others")
        ui.label(
            "One file with the session, its results and all their hashes. Whoever has it can "
            "verify every hash and measure it again: vidspeed recheck."
        )
        with ui.element("div").classes("keys"):
            self.buttons = [
                self._button("Make a pack with the clips", "whole"),
                self._button("Make a pack without the clips, with their hashes", "hash"),
            ]
        if not holds:
            for button in self.buttons:
                button.props("disable")
        self.said = ui.label("").props('id="packing" role="status"').classes("said")
        self.home = ui.element("div").props('id="packs"')
        self.timer = ui.timer(TICK_S, self._tick, active=False)
        await self._list()

    async def _holds(self) -> bool:
        """Tell whether the results are of the files as they are now; say so where not."""
        try:
            outcome = await run.io_bound(known, self.folder)
        except VidspeedError as error:
            messages("This session cannot be read:", error.messages)
            return False
        if outcome is None:
            ui.label(
                "The session, a clip or this tool has changed since this report was written; "
                "measure again, so that it is of what is there now."
            ).classes("warn").props('id="stale"')
            ui.link("Measure on the page of the clips", "/clips").classes("big")
        return outcome is not None

    def _button(self, words: str, mode: Mode) -> ui.button:
        return ui.button(words, on_click=partial(self._make, mode)).props(
            f'id="pack-{mode}" no-caps'
        )

    async def _make(self, mode: Mode) -> None:
        """Make a pack beside the page, one at a time."""
        if self.making.locked():
            self.said.text = "A pack is being made already; wait until it is there."
            return
        async with self.making:
            self.progress = "hashing"
            self.timer.active = True
            try:
                made = await run.io_bound(make, self.folder, mode, self._tell)
            except VidspeedError as error:
                self.said.text = "\n".join(error.messages)
                return
            finally:
                self.timer.active = False
        if made is None:  # the server is going down
            return
        lines = [f"{made.path.name}: {_mb(made.bytes)} MB, {len(made.manifest.files)} files"]
        self.said.text = "\n".join([*lines, *(f"incomplete: {row}" for row in made.lacking)])
        await self._list()

    def _tell(self, what: str, done: int, total: int) -> None:
        self.progress = f"{what}, {done} of {total} files" if total else what

    def _tick(self) -> None:
        self.said.text = self.progress

    async def _list(self) -> None:
        """Show the packs that there are."""
        found = await run.io_bound(packs, self.folder)
        self.home.clear()
        if not found:
            return
        with self.home:
            part("Packs in the session's folder")
            table("Compare the hash with the sheet that witnesses signed.",
                  ("Pack", "MB", "SHA-256", "Sheet to print and sign"), _rows(found))  # fmt: skip


def _rows(found: list[Kept]) -> Iterator[list[Cell]]:
    for row in found:
        sheet: Cell = "–"
        if row.sheet is not None:
            sheet = Link(words="open", where=f"/packs/{quote(row.sheet)}")
        yield [
            Link(words=row.name, where=f"/packs/{quote(row.name)}"),
            _mb(row.bytes),
            row.sha256,
            sheet,
        ]


def _mb(size: int) -> str:
    return f"{size / 1e6:.1f}"
