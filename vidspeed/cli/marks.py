"""Commands that answer: the mark of a session, and which of two was the faster."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vidspeed.cli.passes import exit_status
from vidspeed.cli.shell import (
    PARTLY,
    ClipFolder,
    SessionFolder,
    Unit,
    UnitName,
    app,
    guarded,
    terminal,
)
from vidspeed.cli.telling import LogJson, Verbose, telling
from vidspeed.cli.working import working

if TYPE_CHECKING:
    from vidspeed.values import Outcome, Problem, Session


def measure(session: Session) -> Outcome:
    """Measure a session as `run` does, and write nothing but what it keeps of decoded clips."""
    from vidspeed.assembly.gather import Keeping
    from vidspeed.measure import run_session

    with working() as (tell, pool):
        keeping = Keeping(folder=Path(session.folder))
        return run_session(session, progress=tell, pool=pool, keeping=keeping)


@app.command()
@guarded
def mark(
    session: SessionFolder,
    unit: Unit = UnitName.kmh,
    clips: ClipFolder = None,
    verbose: Verbose = False,
    log_json: LogJson = None,
) -> int:
    """State the mark of a session: the best two opposite passes that its rules allow."""
    from vidspeed.mark import mark as mark_of_session

    with telling(verbose, log_json):
        outcome = mark_of_session(session, measure, clips=clips)
    print_mark(outcome, unit.value)
    return exit_status(outcome)


def print_mark(outcome: Outcome, unit_name: str) -> None:
    """Print the rules, the other passes, what luck and wind did, and last the mark itself."""
    from vidspeed.record.markview import (
        left_out_lines,
        mark_headline,
        mark_lines,
        rules_table,
    )

    _print_problems(outcome.problems)
    if outcome.mark is not None:
        if outcome.mark.rules:
            terminal().print(rules_table(outcome.mark))
        for line in (*left_out_lines(outcome.mark), *mark_lines(outcome, unit_name)):
            typer.echo(line)
    typer.echo(mark_headline(outcome, unit_name))


@app.command()
@guarded
def compare(
    first: Annotated[Path, typer.Argument(metavar="A", help="Folder of a session.")],
    second: Annotated[
        Path | None,
        typer.Argument(metavar="B", help="Another; left out: two setups of A are compared."),
    ] = None,
    setup_a: Annotated[str | None, typer.Option(help="Only passes of this setup of A.")] = None,
    setup_b: Annotated[str | None, typer.Option(help="Only passes of this setup of B.")] = None,
    same_air: Annotated[
        bool,
        typer.Option("--same-air", help="Reduce both to air of one density, from their \\[air]."),
    ] = False,
    out: Annotated[Path, typer.Option(help="PNG file of the plot to write.")] = Path(
        "comparison.png"
    ),
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the comparison as JSON, for programs.")
    ] = False,
    unit: Unit = UnitName.kmh,
    clips: ClipFolder = None,
    verbose: Verbose = False,
    log_json: LogJson = None,
) -> int:
    """Say whether B was faster than A: two sessions, or two setups of one, and how sure that is."""
    import json

    from vidspeed.compare import compare as compare_sessions
    from vidspeed.record.compareview import (
        comparison_figure,
        comparison_json,
        comparison_lines,
        comparison_table,
    )
    from vidspeed.record.units import unit_named
    from vidspeed.saving import save

    with telling(verbose, log_json):
        found = compare_sessions(
            first, second, measure, setups=(setup_a, setup_b), same_air=same_air, clips=clips
        )
    spoken = unit_named(unit.value)
    save(out, comparison_figure(found, spoken))
    _print_problems(found.problems)
    status = PARTLY if found.problems else 0
    if as_json:
        typer.echo(json.dumps(comparison_json(found), indent=2, allow_nan=False))
        return status
    terminal().print(comparison_table(found, spoken))
    typer.echo(f"plot: {out}")
    for line in comparison_lines(found, spoken):
        typer.echo(line)
    return status


def _print_problems(problems: Sequence[Problem]) -> None:
    for row in problems:
        typer.echo(f"{row.level}: {row.where}: {row.message}", err=True)
