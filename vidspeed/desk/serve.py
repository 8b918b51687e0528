"""Serve the desk on this machine alone."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable
from pathlib import Path

from vidspeed.assembly.reading import read_session
from vidspeed.errors import VidspeedError

INSTALL = "pip install 'vidspeed[desk]'"
RECONNECT_S = 120.0  # a page whose laptop was asleep or busy goes on where it was


def desk(folder: Path, *, port: int = 0, told: Callable[[str], None]) -> None:
    """Serve the desk of the session in `folder` until interrupted.

    A folder without a session will do: the page offers to make one.

    Parameters
    ----------
    port
        Where to listen on 127.0.0.1; 0: any that is free.
    told
        Called with the address to open, token and all, once the desk listens.

    Raises
    ------
    VidspeedError
        Where the optional packages are missing, or the port is taken.
    """
    try:
        import uvicorn
        from fastapi import FastAPI
        from nicegui import ui

        from vidspeed.desk.guard import Guard
        from vidspeed.desk.page import add_pages
    except ModuleNotFoundError as missing:
        if str(missing.name).startswith("vidspeed"):
            raise
        raise VidspeedError(
            f"vidspeed desk needs packages that are not installed; {INSTALL}"
        ) from None
    if not folder.is_dir():
        read_session(folder)  # says what is wrong with it
    listening = _listen(port)
    bound = int(listening.getsockname()[1])
    token = secrets.token_urlsafe(32)
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    add_pages(app, folder)
    ui.run_with(app, title="vidspeed", dark=None, reconnect_timeout=RECONNECT_S)
    guarded = Guard(app, token=token, port=bound)
    config = uvicorn.Config(
        guarded,
        log_level="warning",
        ws_max_size=2**20,
        access_log=False,
        timeout_graceful_shutdown=1,
    )
    told(f"http://127.0.0.1:{bound}/?token={token}")
    uvicorn.Server(config).run(sockets=[listening])


def _listen(port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listening.bind(("127.0.0.1", port))
        listening.listen()  # so that a page may be asked for as soon as the address is told
    except OSError as error:
        listening.close()
        raise VidspeedError(
            f"port {port} of this machine cannot be used ({error.strerror}); leave --port out to "
            "take any that is free"
        ) from None
    return listening
