"""The command that listens to a clip, without a session."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vidspeed.cli.shell import WRONG_INPUT, Unit, UnitName, app, guarded, progress, terminal
from vidspeed.errors import ClipError, OptionError, WorkerError


@app.command()
@guarded
def listen(
    clip: Annotated[Path, typer.Argument(help="A recorded clip with sound.")],
    temperature_c: Annotated[
        float | None, typer.Option(min=-60.0, max=60.0, help="Of the air; 15 ± 10 if left out.")
    ] = None,
    temperature_u_c: Annotated[
        float, typer.Option(min=0.0, max=60.0, help="Standard uncertainty of it.")
    ] = 2.0,
    wind_u_mps: Annotated[
        float, typer.Option(min=0.0, max=60.0, help="How much wind there may be, either way.")
    ] = 4.0,
    between_s: Annotated[
        tuple[float, float] | None,
        typer.Option(help="From when to when a craft may be heard to be closest."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="PNG file to write; CLIP-sound.png beside it.")
    ] = None,
    unit: Unit = UnitName.kmh,
) -> int:
    """Listen to a clip: craft that fly by, how fast and how near, and a picture of the sound."""
    from vidspeed.listen import listen as listen_to
    from vidspeed.record.listenview import listen_notes, listen_table, write_listen
    from vidspeed.spread.executor import clip_words, executor
    from vidspeed.values import Air

    if between_s is not None and not between_s[0] < between_s[1]:
        raise OptionError(
            f"--between-s is {between_s[0]:g} {between_s[1]:g}; the first must be before the second"
        )
    air = Air(temperature_c=temperature_c, temperature_u_c=temperature_u_c, wind_u_mps=wind_u_mps)
    with progress() as tell, executor(2, tell=tell, imports=listen_to.__module__) as pool:
        try:
            found = pool.submit(listen_to, clip, air=air, between_s=between_s).result()
        except WorkerError as error:
            raise ClipError(f"{clip.name}: {clip_words(error)}") from error
    target = out or clip.with_name(f"{clip.stem}-sound.png")
    write_listen(found, target)
    if found.heard:
        terminal().print(listen_table(found, unit.value), highlight=False)
    typer.echo(target)
    for note in listen_notes(found):
        typer.echo(note, err=True)
    return 0 if found.heard else WRONG_INPUT
