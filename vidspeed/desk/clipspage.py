"""The clips: dropped in, listed, measured with progress, and the account of each one's time."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import JSONResponse, Response
from nicegui import run, ui

from vidspeed.desk.clips import Accounts, ClipRow, add_clip, clip_list
from vidspeed.desk.dropping import EVENT, drop_place, received
from vidspeed.desk.frame import messages, page
from vidspeed.desk.progress import Progress
from vidspeed.desk.runs import Runner
from vidspeed.desk.setuppage import offer
from vidspeed.desk.sources import SESSION, read_source
from vidspeed.desk.tables import Cell, Link, Tag, table
from vidspeed.desk.toml import entries, read
from vidspeed.desk.uploads import MOST_BYTES
from vidspeed.errors import VidspeedError
from vidspeed.record.words import visible
from vidspeed.session.unnamed import SUFFIXES

CLIPS = "clips"  # the folder in which dropped clips are put
HEAD = ("Clip", "Camera", "MB", "State", "Passes, km/h ± U95")


def add(app: FastAPI, folder: Path) -> None:
    """Add the list of clips, the page of each, and what takes dropped clips in."""
    runner, accounts = Runner(folder), Accounts(folder)

    @app.put("/upload/clip")
    async def upload(request: Request, name: str, camera: str) -> Response:
        return await _uploaded(request, folder, name, camera)

    @ui.page("/clips")
    def clips() -> None:
        with page("Clips", here="/clips"):
            if not (folder / SESSION).is_file():
                offer(folder)
                return
            _ClipsPage(folder, runner).show()

    @ui.page("/clips/{number}")
    async def one(number: int) -> None:
        try:
            rows = clip_list(folder)
        except VidspeedError as error:
            with page("Clip", here="/clips"):
                messages("session.toml cannot be read:", error.messages)
            return
        if not 0 <= number < len(rows):
            raise HTTPException(404)
        await _one(rows[number], runner, accounts)


async def _uploaded(request: Request, folder: Path, name: str, camera: str) -> Response:
    """Take one clip in and name it in session.toml; answer with what to say of it."""

    async def named(path: Path) -> str:
        file = path.relative_to(folder).as_posix()
        await run.io_bound(add_clip, folder, file, camera)
        return f"{file} is in the session"

    if camera not in _cameras(folder):
        said = f"no camera is named {camera[:80]}; load the page again"
        return JSONResponse({"said": said}, 422)
    return await received(request, folder, CLIPS, name, SUFFIXES, named, most=MOST_BYTES)


def _cameras(folder: Path) -> list[str]:
    """Return the names of the cameras; none where session.toml cannot be read."""
    try:
        cameras = entries(read(read_source(folder).text), "camera")
    except VidspeedError:
        return []
    return [str(camera["name"]) for camera in cameras if "name" in camera]


class _ClipsPage:
    """One open page of the list: what runs is the same for all."""

    def __init__(self, folder: Path, runner: Runner) -> None:
        self.folder, self.runner = folder, runner
        self.shown: tuple[Any, ...] = ()

    def show(self) -> None:
        """Lay the page out."""
        drop_place(
            "/upload/clip",
            "Drop clips here. They are copied into the session; yours stay as they are.",
            cameras=_cameras(self.folder),
        )
        with ui.element("div").classes("keys"):
            self.all = ui.button("Measure all clips", on_click=self._start).props(
                'id="measure" no-caps'
            )
        Progress(self.runner, ended=self._list)
        self.home = ui.element("div").props('id="clips"')
        self._list()
        ui.on(EVENT, self._list)

    def _list(self) -> None:
        self.home.clear()
        with self.home:
            try:
                rows = clip_list(self.folder)
            except VidspeedError as error:
                messages("session.toml cannot be read:", error.messages)
                return
            if rows:
                table(_count(rows), HEAD, map(_cells, rows))
            else:
                ui.label("No clip is in the session yet.")

    def _start(self) -> None:
        try:
            count = len(clip_list(self.folder))
        except VidspeedError:
            count = 0
        if not self.runner.start(None, count):
            ui.notify("Something is being measured already.")


async def _one(row: ClipRow, runner: Runner, accounts: Accounts) -> None:
    """Show one clip: how it stands, and the account of its time."""
    with page(row.name, here="/clips"):
        table("", ("Camera", "State", "Passes"), [(visible(row.camera), _state(row), _passes(row))])

        def start() -> None:
            if not runner.start(row.name, 1):
                ui.notify("Something is being measured already.")

        with ui.element("div").classes("keys"):
            ui.button("Measure this clip alone", on_click=start).props('id="measure" no-caps')
            ui.link("What is stated of it", f"/setup/clip/{row.number}")
            ui.link("All clips", "/clips")
        Progress(runner, ended=lambda: None)
        home = ui.element("div").props('id="account"')
        with home:
            ui.label("Working out the account of its time").props('role="status"')
    await ui.context.client.connected()
    try:
        found = await run.io_bound(accounts.of, row.name)
    except VidspeedError as error:
        home.clear()
        with home:
            messages("Its time cannot be accounted for:", error.messages)
        return
    home.clear()
    with home:
        table("The account of its time", ("What", "As found"), found or [])


def _count(rows: list[ClipRow]) -> str:
    done = sum(row.kind == "ok" for row in rows)
    return f"{len(rows)} {'clip' if len(rows) == 1 else 'clips'}, {done} measured"


def _cells(row: ClipRow) -> tuple[Cell, ...]:
    size = "–" if row.size_bytes is None else f"{row.size_bytes / 1e6:.1f}"
    name = Link(words=visible(row.name), where=f"/clips/{row.number}")
    return (name, visible(row.camera), size, _state(row), _passes(row))


def _state(row: ClipRow) -> Cell:
    return Tag(words=row.state, kind=row.kind) if row.kind else row.state


def _passes(row: ClipRow) -> str:
    return visible("; ".join(row.passes)) or "–"
