"""The place of a page on which files are dropped, and what takes them in."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path

from fastapi import Request
from fastapi.responses import JSONResponse, Response
from nicegui import ui

from vidspeed.desk.uploads import TooLarge, take_in
from vidspeed.errors import VidspeedError
from vidspeed.session.check import Refused
from vidspeed.session.paths import inside

EVENT = "vidspeed-dropped"


def drop_place(to: str, words: str, *, cameras: Sequence[str] = (), many: bool = True) -> None:
    """Lay out the place; `to` is the address that files are sent to, `cameras` to choose from."""
    with ui.element("section").props('id="drop" aria-label="Add files"').classes("drop") as place:
        place.props["data-to"] = to
        ui.label(words)
        if cameras:
            with ui.element("label").props('for="camera"'):
                ui.label("Recorded by camera")
            with ui.element("select").props('id="camera"'):
                for camera in cameras:
                    with ui.element("option"):
                        ui.label(camera)
        with ui.element("label").props('for="files"'):
            ui.label("Or choose files" if many else "Or choose a file")
        chosen = ui.element("input").props('id="files" type="file"')
        if many:
            chosen.props("multiple")
        ui.element("ul").props('id="arriving" role="status"')
    ui.add_body_html('<script src="/desk/drop.js"></script>')


async def received(
    request: Request,
    folder: Path,
    home: str,
    name: str,
    suffixes: Sequence[str],
    then: Callable[[Path], Awaitable[str]],
    *,
    most: int,
) -> Response:
    """Take one file into the folder `home` of a session, do with it what is to be done, and answer.

    `then` is given the file and returns what to say; where it raises VidspeedError that is said.
    """
    stated = request.headers.get("content-length", "")
    length = int(stated) if stated.isascii() and stated.isdigit() else None
    try:
        if Path(name).suffix.lower() not in suffixes:
            raise VidspeedError(f"{name[-80:]}: such a file ends in {', '.join(suffixes)}")
        place = folder / inside(folder, home)  # a link may not lead out of the session
        path = await take_in(request.stream(), place, name, stated=length, most=most)
        said = await then(path)
    except Refused as refusal:
        return JSONResponse({"said": str(refusal)}, 422)
    except VidspeedError as error:
        return JSONResponse({"said": str(error)}, 413 if isinstance(error, TooLarge) else 422)
    return JSONResponse({"said": said})
