"""Commands that show one pass: large prints, and its frames with the course drawn in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vidspeed.cli.shell import ClipFolder, SessionFolder, Unit, UnitName, app, guarded
from vidspeed.cli.telling import LogJson, Verbose
from vidspeed.cli.working import working

PassLabel = Annotated[str, typer.Argument(metavar="PASS", help="Label of the pass, as reported.")]


@app.command()
@guarded
def picture(
    session: SessionFolder,
    label: PassLabel,
    out: Annotated[
        Path | None, typer.Option(help="Folder for the files; pictures/ in the session.")
    ] = None,
    clips: ClipFolder = None,
    unit: Unit = UnitName.kmh,
    verbose: Verbose = False,
    log_json: LogJson = None,
) -> int:
    """Print a pass large: place against time to scale, and the whole pass in one picture."""
    with working(verbose, log_json) as (tell, pool):
        from vidspeed.picture import picture as draw

        made = draw(session, label, out=out, unit=unit.value, clips=clips, progress=tell, pool=pool)
    for path in made:
        typer.echo(path)
    return 0


@app.command()
@guarded
def annotate(
    session: SessionFolder,
    label: PassLabel,
    slow: Annotated[
        int, typer.Option(min=1, max=64, help="How many times slower than it was filmed.")
    ] = 1,
    out: Annotated[
        Path | None, typer.Option(help="Folder for the clips; annotated/ in the session.")
    ] = None,
    clips: ClipFolder = None,
    unit: Unit = UnitName.kmh,
    verbose: Verbose = False,
    log_json: LogJson = None,
) -> int:
    """Write a pass as a clip with the course drawn in, and clock and speed so far below it."""
    with working(verbose, log_json) as (tell, pool):
        from vidspeed.annotate import annotate as write

        made = write(
            session, label, out=out, slow=slow, unit=unit.value, clips=clips, progress=tell,
            pool=pool,
        )  # fmt: skip
    for path in made:
        typer.echo(path)
    return 0
