"""Commands for clips alone: a still to pick on, and synthetic clips with a known truth."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vidspeed.cli.shell import app, guarded, progress


@app.command()
@guarded
def still(
    clip: Annotated[Path, typer.Argument(help="A recorded clip.")],
    at: Annotated[
        float | None, typer.Option(help="Moment in seconds; the middle if left out.")
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
