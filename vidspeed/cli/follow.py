"""The command that follows what moves in a clip, without a session."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vidspeed.cli.shell import above_zero, app, guarded, progress, terminal
from vidspeed.errors import ClipError, WorkerError


@app.command()
@guarded
def follow(
    clip: Annotated[Path, typer.Argument(help="A recorded clip.")],
    out: Annotated[
        Path | None,
        typer.Option(
            help="What the files' names begin with, or a folder for them; CLIP without its "
            "suffix, beside it."
        ),
    ] = None,
    rate_hz: Annotated[
        float | None,
        typer.Option(help="True capture rate of a clip that was stored for slow playback."),
    ] = None,
) -> int:
    """Follow all that moves in a clip, in pixels: a CSV, and one picture of the whole clip."""
    from vidspeed.follow import follow as follow_clip
    from vidspeed.record.followview import follow_table, write_follow
    from vidspeed.spread.executor import clip_words, executor

    above_zero("--rate-hz", rate_hz, below=1e6)
    with progress() as tell, executor(2, tell=tell, imports=follow_clip.__module__) as pool:
        try:
            seen = pool.submit(follow_clip, clip, rate_hz=rate_hz).result()
        except WorkerError as error:
            raise ClipError(f"{clip.name}: {clip_words(error)}") from error
    stem = out or clip.with_suffix("")
    written = write_follow(seen, stem / clip.stem if stem.is_dir() else stem)
    if seen.tracks:
        terminal().print(follow_table(seen.tracks), highlight=False)
    for path in written:
        typer.echo(path)
    for note in seen.facts.notes:
        typer.echo(f"{clip.name}: {note}", err=True)
    if not seen.tracks:
        typer.echo(f"{clip.name}: nothing moved as a craft could", err=True)
    return 0
