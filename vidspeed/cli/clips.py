"""Commands for clips alone: their time, a still to pick on, synthetic clips with a known truth."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vidspeed.cli.shell import PARTLY, WRONG_INPUT, app, guarded, progress, terminal
from vidspeed.errors import VidspeedError, WorkerError


@app.command()
@guarded
def still(
    clip: Annotated[Path, typer.Argument(help="A recorded clip.")],
    at: Annotated[
        float | None, typer.Option(min=0.0, help="Moment in seconds; the middle if left out.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="PNG file to write; CLIP-still.png beside it.")
    ] = None,
) -> int:
    """Write the mean of the sharp frames around a moment: what picks are made on."""
    from vidspeed.clip.still import still as mean_still
    from vidspeed.clip.still import write_still

    target = out or clip.with_name(f"{clip.stem}-still.png")
    write_still(target, mean_still(clip, at_s=at))
    typer.echo(target)
    return 0


@app.command()
@guarded
def times(
    files: Annotated[list[Path], typer.Argument(metavar="FILE", help="Recorded clips.")],
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the accounts as JSON, for programs.")
    ] = False,
) -> int:
    """Account for a clip's time: stamps, rates, tags, sound, origin, and what to think of them."""
    import json

    from vidspeed.clip.times import times as account_for
    from vidspeed.record.times import times_json, times_table, verdict_line
    from vidspeed.spread.executor import clip_words, executor

    found = []
    problems: list[str] = []
    with executor(2, ready=1, imports=account_for.__module__) as pool:  # a decoder may die
        futures = [pool.submit(account_for, file) for file in files]
        for file, future in zip(files, futures, strict=True):
            try:
                found.append(future.result())
            except WorkerError as error:
                problems.append(f"{file.name}: {clip_words(error)}")
            except VidspeedError as error:
                problems += error.messages
    if as_json:
        typer.echo(json.dumps(times_json(found, problems), indent=2, allow_nan=False))
    else:
        for row in found:
            terminal().print(times_table(row), highlight=False)
        for row in found:
            typer.echo(verdict_line(row))
    for message in problems:
        typer.echo(message, err=True)
    if not found:
        return WRONG_INPUT
    return PARTLY if problems else 0


@app.command()
@guarded
def render(
    scene: Annotated[Path, typer.Argument(help="Scene file (TOML).")],
    out: Annotated[
        Path | None, typer.Option(help="Folder of the session; beside the scene.")
    ] = None,
) -> int:
    """Render a synthetic session with a known truth."""
    from vidspeed.render.session import render_scene_file

    with progress() as tell:
        truth = render_scene_file(scene, out, progress=tell)
    for row in truth.passes:
        typer.echo(f"pass {row.label}: {3.6 * row.speed_mps:.6f} km/h {row.direction}")
    return 0
