"""Commands for evidence: pack a session, and measure somebody's pack again."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vidspeed.cli.shell import (
    PARTLY,
    WRONG_INPUT,
    SessionFolder,
    Unit,
    UnitName,
    app,
    guarded,
    progress,
    terminal,
)
from vidspeed.cli.telling import LogJson, Verbose
from vidspeed.cli.working import working

if TYPE_CHECKING:
    from vidspeed.evidence.recheck import Rechecked


class ClipMode(StrEnum):
    """What a pack holds of the clips."""

    whole = "whole"
    hash = "hash"


@app.command()
@guarded
def pack(
    session: SessionFolder,
    out: Annotated[
        Path | None, typer.Option(help="The ZIP to write; else NAME-pack.zip beside the session.")
    ] = None,
    clips: Annotated[
        ClipMode, typer.Option(help="Put the clips in, or only their hashes.")
    ] = ClipMode.whole,
    clip_folder: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder to look for clips in, as for run.")
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Overwrite another pack of that name.")
    ] = False,
    unit: Unit = UnitName.kmh,
) -> int:
    """Put a measured session into one ZIP with all hashes, and write a sheet for witnesses."""
    with progress() as tell:
        from vidspeed.evidence.pack import pack as pack_session

        made = pack_session(
            session,
            out=out,
            clips="whole" if clips is ClipMode.whole else "hash",
            clip_folder=clip_folder,
            replace=replace,
            unit=unit.value,
            progress=tell,
        )
    typer.echo(f"pack: {made.path} ({made.bytes / 1e6:.1f} MB, {len(made.manifest.files)} files)")
    typer.echo(f"sheet to print and sign: {made.sheet}")
    typer.echo(f"SHA-256 of results/contents.sha256, as in the report: {made.contents_sha256}")
    for line in made.lacking:
        typer.echo(f"warning: incomplete: {line}", err=True)
    typer.echo(f"SHA-256 of the pack: {made.sha256}")
    return 0


@app.command()
@guarded
def recheck(
    pack: Annotated[Path, typer.Argument(help="A ZIP that `vidspeed pack` wrote.")],
    clips: Annotated[
        Path | None, typer.Option(help="Folder in which clips are found by their hashes.")
    ] = None,
    unit: Unit = UnitName.kmh,
    most_files: Annotated[int, typer.Option(min=1, help="Files that a pack may hold.")] = 10_000,
    most_gb: Annotated[float, typer.Option(min=0.0, help="Size of all files, unpacked.")] = 64.0,
    most_memory_gb: Annotated[
        float, typer.Option(min=0.1, help="Memory to measure with (Linux only).")
    ] = 4.0,
    verbose: Verbose = False,
    log_json: LogJson = None,
) -> int:
    """Verify every hash of somebody's pack, measure it again, and compare every figure."""
    with working(verbose, log_json) as (tell, pool):
        from vidspeed.evidence.limits import Limits
        from vidspeed.evidence.recheck import recheck as measure_again

        limits = Limits(
            files=most_files, bytes=int(most_gb * 1e9), memory_bytes=int(most_memory_gb * 1e9)
        )
        found = measure_again(pack, clips=clips, limits=limits, pool=pool, progress=tell)
    _print_recheck(found, unit.value)
    if not found.agrees:
        return WRONG_INPUT
    return PARTLY if found.open_ else 0


def _print_recheck(found: Rechecked, unit: str) -> None:
    from vidspeed.evidence.view import differences, notes, part_table, speed_table, verdict
    from vidspeed.record.units import unit_named

    console = terminal()
    console.print(speed_table(found, unit_named(unit)))
    console.print(part_table(found))
    for line in (*differences(found), *notes(found)):
        typer.echo(line, err=True)
    typer.echo(f"SHA-256 of the pack: {found.unpacked.sha256}")
    typer.echo(f"SHA-256 of results/contents.sha256: {found.contents_sha256}")
    typer.echo("compare these with the sheet and the report that the witnesses signed")
    typer.echo(verdict(found))
