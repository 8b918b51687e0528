"""The command that opens the desk."""

from __future__ import annotations

import webbrowser
from typing import Annotated

import typer

from vidspeed.cli.shell import SessionFolder, app, guarded


@app.command()
@guarded
def desk(
    session: SessionFolder,
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Port on this machine; any that is free.")
    ] = 0,
    browser: Annotated[bool, typer.Option(help="Open the page in the browser.")] = True,
) -> int:
    """Open the session in the browser: set up, pick, measure, judge; an empty folder will do."""
    from vidspeed.desk.serve import desk as serve_desk

    def told(address: str) -> None:
        typer.echo(f"desk: {address}")
        typer.echo("Ctrl-C ends it")
        if browser:
            webbrowser.open(address)

    serve_desk(session, port=port, told=told)
    return 0
