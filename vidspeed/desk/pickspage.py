"""The picking page: a still, the markers beside it, and at every pick what the fit then says."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from fastapi import FastAPI, HTTPException, Request, Response
from nicegui import run, ui

from vidspeed.assembly.reading import read_session
from vidspeed.clip.still import png_bytes, read_picture
from vidspeed.desk.dropping import EVENT, drop_place, received
from vidspeed.desk.frame import head, messages, navigation, page
from vidspeed.desk.picks import Fitted, Picking, fitted
from vidspeed.desk.sources import read_source
from vidspeed.desk.stills import still_of_clip, take_still
from vidspeed.desk.toml import entries, read
from vidspeed.desk.uploads import MOST_BYTES
from vidspeed.desk.verdict import verdict
from vidspeed.errors import SessionError, VidspeedError
from vidspeed.geometry.snap import snap_corner, snap_lamp
from vidspeed.record.words import visible
from vidspeed.session.unnamed import SUFFIXES
from vidspeed.values import Picture, Session

STILLS = (".png", *SUFFIXES)  # what a still is, or is made of
IDLE_S = 0.8  # without a change, before the verdict is worked out


def add(app: FastAPI, folder: Path) -> None:
    """Add the cameras to pick for, the page of each, and its still."""
    pictures: dict[str, Picture] = {}
    _add_stills(app, folder, pictures)
    _add_pages(folder, pictures)


def _add_stills(app: FastAPI, folder: Path, pictures: dict[str, Picture]) -> None:
    """Add what a page shows a camera's still from, and what takes another one in."""

    @app.get("/still/{number}.png")
    def picture(number: int) -> Response:
        session = read_session(folder, unpicked=True)
        if not 0 <= number < len(session.cameras):
            raise HTTPException(404)
        name = session.cameras[number].name
        if name not in pictures:
            pictures[name] = still_of(session, name)
        return Response(
            png_bytes(pictures[name]), media_type="image/png", headers={"cache-control": "no-store"}
        )

    @app.put("/upload/still")
    async def upload(request: Request, name: str, number: int) -> Response:
        async def taken(path: Path) -> str:
            return await run.io_bound(take_still, folder, number, path) or ""

        return await received(request, folder, ".", name, STILLS, taken, most=MOST_BYTES)


def _add_pages(folder: Path, pictures: dict[str, Picture]) -> None:
    """Add the list of cameras, and for each the page to pick on and that of its still."""

    @ui.page("/picks")
    def cameras() -> None:
        session = _session(folder)
        if session is None:
            return
        with page("Picks", here="/picks"):
            ui.label("Pick the markers in the picture of each camera.")
            for number, camera in enumerate(session.cameras):
                ui.link(visible(camera.name), f"/picks/{number}").classes("big")
                ui.label(f"{len(camera.picks)} of {len(session.markers)} markers picked")
                ui.link("Another still to pick on", f"/picks/{number}/still")

    @ui.page("/picks/{number}")
    async def picks(number: int) -> None:
        session = _session(folder)
        if session is None:
            return
        if not 0 <= number < len(session.cameras):
            raise HTTPException(404)
        try:
            name = session.cameras[number].name
            picture = await run.io_bound(still_of, session, name)
        except VidspeedError as error:
            _ask_for_still(number, name, error.messages)
            return
        if picture is None:  # the server is going down
            return
        pictures[name] = picture
        await _PickingPage(folder, session, number, pictures).show()

    @ui.page("/picks/{number}/still")
    def another(number: int) -> None:
        names = _camera_names(folder)  # the session may still lack the picture's size
        if not 0 <= number < len(names):
            raise HTTPException(404)
        _ask_for_still(number, names[number], ())


def _session(folder: Path) -> Session | None:
    """Return the session; where it cannot be read, say what is to do and return None."""
    try:
        return read_session(folder, unpicked=True)
    except VidspeedError as error:
        with page("Picks", here="/picks"):
            messages("To do before markers can be picked:", error.messages)
            ui.link("Set up", "/setup").classes("big")
            for number, name in enumerate(_camera_names(folder)):
                ui.link(f"A still of {visible(name)}", f"/picks/{number}/still").classes("big")
    return None


def _camera_names(folder: Path) -> list[str]:
    """Return what the cameras are called; none where session.toml cannot be read."""
    try:
        cameras = entries(read(read_source(folder).text), "camera")
    except VidspeedError:
        return []
    return [str(camera.get("name", number + 1)) for number, camera in enumerate(cameras)]


def _ask_for_still(number: int, name: str, faults: Sequence[str]) -> None:
    """Lay out the page on which a camera is given its still."""
    with page(f"Still of {name}", here="/picks"):
        if faults:
            messages("There is no picture to pick on yet:", faults)
        drop_place(
            f"/upload/still?number={number}",
            "Drop a frame of this camera's video as a PNG file, or a clip of the view with no "
            "craft in it: a still is made of it.",
            many=False,
        )

    def there(event: Any) -> None:
        if event.args.get("there"):
            ui.navigate.to(f"/picks/{number}")

    ui.on(EVENT, there)


def still_of(session: Session, camera: str) -> Picture:
    """Return what a camera's markers are picked on: its reference, or a still of its first clip.

    Raises SessionError where there is neither.
    """
    reference = session.camera(camera).reference
    folder = Path(session.folder)
    if reference is not None:
        return read_picture(folder / reference)
    clips = [clip.file for clip in session.clips if clip.camera == camera and clip.file]
    if not clips:
        raise SessionError(
            f'session.toml: camera "{camera}": neither reference nor a clip to pick on; make a '
            "still with `vidspeed still CLIP` and name it under reference"
        )
    return still_of_clip(folder / clips[0])


class _PickingPage:
    """One open picking page: its picks, its picture, and what it shows."""

    def __init__(
        self, folder: Path, session: Session, number: int, pictures: dict[str, Picture]
    ) -> None:
        self.folder, self.session, self.number = folder, session, number
        self.camera = session.cameras[number].name
        self.picking = Picking(folder=folder, camera=self.camera)
        self.pictures = pictures
        self.changes = self.asked = 0
        self.waiting: asyncio.Task[None] | None = None

    async def show(self) -> None:
        """Lay the page out and take part in what the pointer and the keys do."""
        head(f"picks of {visible(self.camera)}")
        navigation("/picks")
        with ui.element("main").classes("desk"):
            ui.element("canvas").props('id="still" tabindex="0" aria-label="Still of the camera"')
            with ui.element("div").classes("beside"):
                with ui.element("h1").classes("title"):
                    ui.label(visible(self.camera))
                ui.element("canvas").props('id="near" width="260" height="260" aria-hidden="true"')
                ui.label("").props('id="where"').classes("where")
                with ui.element("div").classes("keys"):
                    for text, act in (("Undo", "undo"), ("Redo", "redo"), ("Take away", "remove"),
                                      ("To lamp", "lamp"), ("To corner", "corner")):  # fmt: skip
                        button = ui.button(text).props(f'flat dense id="{act}"')
                        button.on("click", js_handler=f"() => picking.act('{act}')")
                self.table = ui.element("div").props('id="markers"')
                self.said = ui.label("").props('id="said" role="status"').classes("said")
                self.ready = ui.label("").props('id="ready" role="status"').classes("ready")
                ui.label(
                    "Click puts the pick of the chosen marker. Arrows move it by a tenth of a "
                    "pixel, with Shift by one. Wheel or + and - enlarge, dragging moves the "
                    "picture. N and P: next and previous marker; U: undo; R: redo; L: to the "
                    "lamp; C: to the corner; Delete: take away."
                ).classes("help")
        ui.add_body_html('<script src="/desk/picking.js"></script>')
        ui.on("vidspeed-pick", lambda event: self.take(event.args))
        await ui.context.client.connected()
        size = self.session.cameras[self.number].image_size_px
        start = {"still": f"/still/{self.number}.png", "size": size}
        ui.run_javascript(f"picking.start({json.dumps(start)})")
        await self.tell()

    async def take(self, asked: dict[str, Any]) -> None:
        """Do what the page asks: place, remove, undo, redo, lamp or corner."""
        try:
            self._act(asked)
        except VidspeedError as error:
            self.said.text = str(error)
            return
        await self.tell()

    def _act(self, asked: dict[str, Any]) -> None:
        act, name = str(asked.get("act")), str(asked.get("name"))
        self.asked = int(asked.get("asked", 0))
        if act in ("undo", "redo"):
            getattr(self.picking, act)()
        elif act == "remove":
            self.picking.remove(name)
        elif act in ("place", "lamp", "corner"):
            place = np.array([float(asked["x"]), float(asked["y"])])
            if not np.all(np.isfinite(place)):
                return
            if act != "place":
                if self.camera not in self.pictures:
                    self.pictures[self.camera] = still_of(self.session, self.camera)
                snap = snap_lamp if act == "lamp" else snap_corner
                place = snap(self.pictures[self.camera], place)
            self.picking.place(name, float(place[0]), float(place[1]))

    async def tell(self) -> None:
        """Send the page its picks and what the fit says of them; the verdict follows when idle."""
        found = await run.io_bound(fitted, self.folder, self.camera, dict(self.picking.placed))
        if found is None:  # the server is going down
            return
        self.said.text = found.message or _summary(found)
        ui.run_javascript(f"picking.show({json.dumps(self._state(found))})")
        self.changes += 1
        self.waiting = asyncio.create_task(self._verdict(self.changes))

    async def _verdict(self, change: int) -> None:
        await asyncio.sleep(IDLE_S)
        if change != self.changes:
            return
        self.ready.text = "working out the verdict"
        text = await run.io_bound(verdict, self.folder)
        if change == self.changes:
            self.ready.text = text

    def _state(self, found: Fitted) -> dict[str, Any]:
        left = {} if found.fit is None else {row.name: row for row in found.fit.markers}
        rows = []
        for marker in self.session.markers:
            placed = self.picking.placed.get(marker.name)
            row: dict[str, Any] = {"name": marker.name, "use": marker.use}
            row["pick"] = None if placed is None else placed[:2]
            row["there"] = found.projected.get(marker.name)
            if marker.name in left:
                row["left"] = [float(value) for value in left[marker.name].residual_px]
                row["odd"] = bool(left[marker.name].normalised > 3.0)
            rows.append(row)
        return {"markers": rows, "asked": self.asked}


def _summary(found: Fitted) -> str:
    assert found.fit is not None
    return f"{len(found.fit.markers)} picks, {found.fit.rms_px:.2f} px RMS left"
