"""Commands that answer: the mark of a session, and which of two was the faster."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import typer

from vidspeed.cli.shell import (
    PARTLY,
    SessionFolder,
    Unit,
    UnitName,
    app,
    guarded,
    progress,
    terminal,
)

if TYPE_CHECKING:
    from vidspeed.values import Outcome, Session

LOOKING = "vidspeed.assembly.looking"


def measure(session: Session) -> Outcome:
    """Measure a session as `run` does, and write nothing."""
    from vidspeed.executor import executor
    from vidspeed.measure import run_session

    workers = max(2, os.cpu_count() or 1)  # never inline: a decoder may die, or hang
    with progress() as tell, executor(workers, tell=tell, ready=1, imports=LOOKING) as pool:
        return run_session(session, progress=tell, pool=pool)


@app.command()
@guarded
def mark(session: SessionFolder, unit: Unit = UnitName.kmh) -> int:
    """State the mark of a session: the best two opposite passes that its rules allow."""
    from vidspeed.answers import mark as mark_of_session

    outcome = mark_of_session(session, measure)
    print_mark(outcome, unit.value)
    wrong = any(problem.level == "error" for problem in outcome.problems)
    return PARTLY if wrong else 0


def print_mark(outcome: Outcome, unit_name: str) -> None:
    """Print the rules, the other passes, what luck and wind did, and last the mark itself."""
    from vidspeed.record.markview import (
        beats_sentence,
        left_out_lines,
        mark_lines,
        mark_sentence,
        rules_table,
    )
    from vidspeed.record.units import unit_named

    unit = unit_named(unit_name)
    for problem in outcome.problems:
        typer.echo(f"{problem.level}: {problem.where}: {problem.message}", err=True)
    if outcome.mark is not None:
        if outcome.mark.rules:
            terminal().print(rules_table(outcome.mark))
        for line in (*left_out_lines(outcome.mark), *mark_lines(outcome, unit_name)):
            typer.echo(line)
    sentences = (mark_sentence(outcome, unit), beats_sentence(outcome, unit))
    typer.echo(". ".join(sentence for sentence in sentences if sentence))
