"""The command that measures clips as they arrive."""

from __future__ import annotations

from dataclasses import replace

import typer

from vidspeed.cli.passes import print_outcome
from vidspeed.cli.shell import (
    SessionFolder,
    Unit,
    UnitName,
    app,
    guarded,
    tell_error,
    terminal,
)
from vidspeed.cli.telling import LogJson, Verbose
from vidspeed.cli.working import working


@app.command()
@guarded
def watch(
    session: SessionFolder,
    unit: Unit = UnitName.kmh,
    verbose: Verbose = False,
    log_json: LogJson = None,
) -> int:
    """Measure each clip as it finishes copying into the session folder, until Ctrl-C."""
    from vidspeed.record.files import write_results
    from vidspeed.record.place import recover
    from vidspeed.record.table import pass_table
    from vidspeed.watch import watch as arriving

    recover(session)
    with working(verbose, log_json) as (tell, pool):
        typer.echo(f"watching {session}: copy clips into it; Ctrl-C ends", err=True)
        for row in arriving(session, pool=pool, progress=tell):
            if row.outcome is None:
                tell_error(f"error: {row.fault}")
            elif row.listed:
                folder = write_results(row.outcome, unit=unit.value)
                print_outcome(row.outcome, folder, unit.value)
            else:
                own = tuple(one for one in row.outcome.passes if row.clip in one.clips)
                terminal().print(pass_table(replace(row.outcome, passes=own), unit.value))
                typer.echo(
                    f"{row.clip}: not in the results yet; session.toml does not name it: add "
                    "a [[clip]] for it, then `vidspeed run`"
                )
    return 0
