"""Commands that measure passes: run, and the demonstration."""

from __future__ import annotations

import os
import threading
from collections.abc import Sequence
from contextlib import AbstractContextManager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vidspeed.cli.shell import (
    PARTLY,
    WRONG_INPUT,
    ClipFolder,
    Unit,
    UnitName,
    app,
    guarded,
    progress,
    tell_error,
    terminal,
)
from vidspeed.cli.telling import LogJson, Verbose, telling
from vidspeed.cli.working import LOOKING
from vidspeed.errors import VidspeedError

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from vidspeed.spread.progress import Tell
    from vidspeed.values import Outcome, Session


WRITING = "drawing pictures, writing results"


@app.command()
@guarded
def run(
    sessions: Annotated[
        list[Path], typer.Argument(metavar="SESSION...", help="Folders with session.toml in them.")
    ],
    unit: Unit = UnitName.kmh,
    monte_carlo: Annotated[
        bool, typer.Option("--monte-carlo", help="Draw every pass, not only the curved ones.")
    ] = False,
    fresh: Annotated[
        bool, typer.Option("--fresh", help="Decode every clip again, whatever is kept of it.")
    ] = False,
    jobs: Annotated[
        int | None,
        typer.Option(min=1, help="Clips at once; as many as there are cores if left out."),
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="Work on the Dask cluster with this scheduler."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Write into a folder of the session's name in here, not into the session."
        ),
    ] = None,
    clips: ClipFolder = None,
    verbose: Verbose = False,
    log_json: LogJson = None,
) -> int:
    """Measure every pass of one session or of several and write their results."""
    if cluster is not None:  # its workers stand elsewhere
        sessions = [session.resolve() for session in sessions]
        out = None if out is None else out.resolve()
        clips = None if clips is None else clips.resolve()
    if clips is not None and not clips.is_dir():
        raise VidspeedError(f"--clips {clips}: no such folder; name the one that holds the clips")
    places = _places(sessions, out)
    statuses = []
    with telling(verbose, log_json), progress() as tell, _pool(jobs, cluster, tell) as pool:
        for session, place in zip(sessions, places, strict=True):
            if len(sessions) > 1:
                typer.echo(f"{session}:")
            try:
                outcome, folder = _measured(
                    session, place, tell, pool, unit.value, helper=None if cluster else pool,
                    monte_carlo=monte_carlo, fresh=fresh, clips=clips,
                )  # fmt: skip
            except VidspeedError as error:
                if len(sessions) == 1:
                    raise
                for message in error.messages:
                    tell_error(f"{session}: {message}")
                statuses.append(WRONG_INPUT)
                continue
            if clips is None:
                _tell_unnamed(outcome.session)
            print_outcome(outcome, folder, unit.value)
            statuses.append(exit_status(outcome))
    return statuses[0] if len(set(statuses)) == 1 else PARTLY


def _tell_unnamed(session: Session) -> None:
    """Say which clips lie there, in a folder of their camera, and were not measured."""
    from vidspeed.session.unnamed import camera_of, unnamed

    lying = [name for name in unnamed(session) if camera_of(session, name)]
    if lying:
        more = f" and {len(lying) - 1} more" if len(lying) > 1 else ""
        tell_error(
            f"note: {lying[0]}{more}: no [[clip]] in session.toml, so not measured; add one for "
            "each that shows a pass"
        )


def _pool(jobs: int | None, address: str | None, tell: Tell) -> AbstractContextManager[Executor]:
    """Return where the work is done: in processes of this machine, or on a cluster."""
    from vidspeed.spread.executor import cluster, executor

    if address is not None:
        return cluster(address)
    workers = jobs or os.cpu_count() or 1
    return executor(workers, tell=tell, ready=1, imports=LOOKING, apart=True)


def _places(sessions: Sequence[Path], out: Path | None) -> list[Path]:
    """Return where each session's results go; refuse two of one name."""
    if out is None:
        places = list(sessions)
    else:
        places = [out / session.resolve().name for session in sessions]
    for number, place in enumerate(places):
        if place.resolve() in [other.resolve() for other in places[:number]]:
            raise VidspeedError(
                f"{sessions[number]}: two sessions would write their results into {place}; name "
                "each session once, and with --out give their folders different names"
            )
    return places


def _measured(
    session: Path,
    place: Path,
    tell: Tell,
    pool: Executor,
    unit: str,
    *,
    helper: Executor | None,
    monte_carlo: bool,
    fresh: bool,
    clips: Path | None,
) -> tuple[Outcome, Path]:
    """Measure a session and write its results; return what was found and where it stands.

    A process of `helper` draws some of the pictures; it imports what draws while passes are solved.
    """
    from vidspeed.spread.executor import Prepared
    from vidspeed.spread.memory import uncollected

    with uncollected():
        from vidspeed.assembly.gather import Keeping
        from vidspeed.measure import run as measure
        from vidspeed.record.imported import import_drawing, import_writing
        from vidspeed.record.place import made_place, recover

    if place != session:
        made_place(place)
    recover(place)
    keeping = Keeping(folder=place, fresh=fresh)
    drawing = None if helper is None else Prepared(helper)
    # a daemon: Ctrl-C that is struck within an import leaves its lock behind, and this thread may
    # be waiting for it
    importing = threading.Thread(target=import_writing, name="import", daemon=True)
    outcome = measure(
        session, clips=clips, progress=tell, monte_carlo=monte_carlo, pool=pool, keeping=keeping,
        looking=importing.start,
        looked=None if drawing is None else partial(drawing.prepare, import_drawing),
    )  # fmt: skip
    if exit_status(outcome) == WRONG_INPUT:
        faults = [row for row in outcome.problems if row.level == "error"]
        raise VidspeedError(*(f"{row.where}: {row.message}" for row in faults))
    tell(WRITING, 0, 0)
    from vidspeed.record.files import write_results

    written = write_results(outcome, folder=place, unit=unit, pool=drawing)
    tell(WRITING, 1, 1)
    return outcome, written


def exit_status(outcome: Outcome) -> int:
    """Return the exit status of a run by the contract."""
    failed = any(problem.level == "error" for problem in outcome.problems)
    measured = any(result.status != "none" for result in outcome.passes)
    if failed:
        return PARTLY if measured else WRONG_INPUT
    return 0


def print_outcome(outcome: Outcome, folder: Path, unit: str) -> None:
    """Print the table of passes, the problems, the mark, where the report is, and the last line."""
    from vidspeed.record.markview import mark_headline, mark_lines
    from vidspeed.record.table import last_line, pass_table

    terminal().print(pass_table(outcome, unit))
    for problem in outcome.problems:
        tell_error(f"{problem.level}: {problem.where}: {problem.message}")
    for line in mark_lines(outcome, unit):
        typer.echo(line)
    last = last_line(outcome, unit)
    if (headline := mark_headline(outcome, unit)) not in last:  # a warning has the last word
        typer.echo(headline)
    typer.echo(f"report: {folder / 'report.html'}")
    typer.echo(last)


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
