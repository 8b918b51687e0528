"""Commands that measure passes: run, and the demonstration."""

from __future__ import annotations

import os
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
from vidspeed.errors import VidspeedError

if TYPE_CHECKING:
    from vidspeed.values import Outcome

LOOKING = "vidspeed.assembly.looking"  # a worker imports it while this process imports the rest


@app.command()
@guarded
def run(
    session: SessionFolder,
    unit: Unit = UnitName.kmh,
    monte_carlo: Annotated[
        bool, typer.Option("--monte-carlo", help="Draw every pass, not only the curved ones.")
    ] = False,
    fresh: Annotated[
        bool, typer.Option("--fresh", help="Decode every clip again, whatever is kept of it.")
    ] = False,
) -> int:
    """Measure every pass of a session and write its results."""
    from vidspeed.assembly.gather import Keeping
    from vidspeed.executor import executor

    workers = max(2, os.cpu_count() or 1)  # never inline: a decoder may die, or hang
    with progress() as tell, executor(workers, tell=tell, ready=1, imports=LOOKING) as pool:
        from vidspeed.measure import run as measure
        from vidspeed.record.files import recover, write_results

        recover(session)
        keeping = Keeping(folder=session, fresh=fresh)
        outcome = measure(
            session, progress=tell, monte_carlo=monte_carlo, pool=pool, keeping=keeping
        )
    status = exit_status(outcome)
    if status == WRONG_INPUT:
        faults = [row for row in outcome.problems if row.level == "error"]
        raise VidspeedError(*(f"{row.where}: {row.message}" for row in faults))
    folder = write_results(outcome, unit=unit.value)
    print_outcome(outcome, folder, unit.value)
    return status


def exit_status(outcome: Outcome) -> int:
    """Return the exit status of a run by the contract."""
    failed = any(problem.level == "error" for problem in outcome.problems)
    measured = any(result.status != "none" for result in outcome.passes)
    if failed:
        return PARTLY if measured else WRONG_INPUT
    return 0


def print_outcome(outcome: Outcome, folder: Path, unit: str) -> None:
    """Print the table of passes, the problems, the mark, where the report is, and the last line."""
    from vidspeed.record.markview import mark_lines
    from vidspeed.record.table import last_line, pass_table

    terminal().print(pass_table(outcome, unit))
    for problem in outcome.problems:
        typer.echo(f"{problem.level}: {problem.where}: {problem.message}", err=True)
    for line in mark_lines(outcome, unit):
        typer.echo(line)
    typer.echo(f"report: {folder / 'report.html'}")
    typer.echo(last_line(outcome, unit))


@app.command()
@guarded
def demo(
    folder: Annotated[Path, typer.Argument(help="Folder to make.")] = Path("vidspeed-demo"),
    unit: Unit = UnitName.kmh,
) -> int:
    """Render an evening at an invented airstrip, measure it, and show result beside truth."""
    from vidspeed.demo import demo as make_demo
    from vidspeed.record.readiness import truth_table

    with progress() as tell:
        made = make_demo(folder, progress=tell, unit=unit.value)
    rows = [(row.label, row.true_mps, row.result) for row in made.rows]
    terminal().print(truth_table(rows, unit.value))
    print_outcome(made.outcome, made.report.parent, unit.value)
    return exit_status(made.outcome)
