"""The commands: parse, call the library function of the same name, print, exit.

Heavy imports happen inside the commands, so that `vidspeed --help` is instant.
"""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vidspeed import __version__
from vidspeed.errors import VidspeedError

if TYPE_CHECKING:
    from rich.console import Console

    from vidspeed.calibrate import Readiness
    from vidspeed.values import Outcome

WRONG_INPUT, PARTLY, INTERRUPTED = 1, 3, 130

app = typer.Typer(
    name="vidspeed",
    help="The speed of a small, fast craft from fixed cameras on the ground, with its uncertainty.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


class UnitName(StrEnum):
    """The units in which a person may read a speed."""

    kmh = "kmh"
    mph = "mph"
    kn = "kn"
    mps = "mps"


Unit = Annotated[UnitName, typer.Option(help="Unit of the speeds that are printed and reported.")]
SessionFolder = Annotated[Path, typer.Argument(help="Folder with session.toml in it.")]


def main() -> None:
    """Run the command line."""
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # matrices of a hundred rows are slower on more threads
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    app()


def _guarded(command: Callable[..., int]) -> Callable[..., None]:
    """Turn the library's errors into messages, and what a command returns into an exit status."""

    @functools.wraps(command)
    def wrapper(*args: Any, **kwargs: Any) -> None:
        try:
            status = command(*args, **kwargs)
        except VidspeedError as error:
            for message in error.messages:
                typer.echo(message, err=True)
            raise typer.Exit(WRONG_INPUT) from None
        except KeyboardInterrupt:
            typer.echo("interrupted; earlier results are as they were", err=True)
            raise typer.Exit(INTERRUPTED) from None
        raise typer.Exit(status)

    return wrapper


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"vidspeed {__version__}")
        raise typer.Exit


@app.callback()
def _top(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Read the options before a command."""


@app.command()
@_guarded
def new(
    folder: Annotated[Path, typer.Argument(help="Folder to make the session in.")],
    shelf: Annotated[
        Path | None, typer.Option(help="Copy lens, clock and site files from this shelf.")
    ] = None,
) -> int:
    """Make a session folder: commented files to fill in, and a sheet to print."""
    from vidspeed.session.scaffold import new_session

    for path in new_session(folder, shelf=shelf):
        typer.echo(path)
    return 0


@app.command()
@_guarded
def calibrate(session: SessionFolder, unit: Unit = UnitName.kmh) -> int:
    """Calibrate the course before anything has flown, and say whether it is ready."""
    from vidspeed.calibrate import calibrate as calibrate_session
    from vidspeed.record.files import write_calibration

    found = calibrate_session(session)
    folder = write_calibration(session, found.pictures)
    _print_readiness(found, unit.value)
    typer.echo(f"pictures: {folder}")
    for row in found.failing:
        typer.echo(f"not ready: {row.item}; {row.mend}")
    if found.ready:
        typer.echo("ready")
    return 0 if found.ready else WRONG_INPUT


def _print_readiness(found: Readiness, unit: str) -> None:
    from vidspeed.record.readiness import advice_table, camera_table, forecast_text, marker_table

    console = _console()
    for fit in found.cameras:
        console.print(marker_table(fit))
    console.print(camera_table(found.cameras))
    if found.forecast is not None:
        console.print(forecast_text(found.forecast, unit), highlight=False)
    console.print(advice_table([(row.change, row.relative_U95) for row in found.advice]))


@app.command()
@_guarded
def run(
    session: SessionFolder,
    unit: Unit = UnitName.kmh,
    monte_carlo: Annotated[
        bool, typer.Option("--monte-carlo", help="Draw every pass, not only the curved ones.")
    ] = False,
) -> int:
    """Measure every pass of a session and write its results."""
    from vidspeed.measure import run as measure
    from vidspeed.record.files import recover, write_results

    recover(session)
    with _progress() as tell:
        outcome = measure(
            session, progress=tell, monte_carlo=monte_carlo, workers=os.cpu_count() or 1
        )
    status = exit_status(outcome)
    if status == WRONG_INPUT:
        raise VidspeedError(*(f"{row.where}: {row.message}" for row in outcome.problems))
    folder = write_results(outcome, unit=unit.value)
    _print_outcome(outcome, folder, unit.value)
    return status


def exit_status(outcome: Outcome) -> int:
    """Return the exit status of a run by the contract."""
    failed = any(problem.level == "error" for problem in outcome.problems)
    measured = any(result.status != "none" for result in outcome.passes)
    if failed:
        return PARTLY if measured else WRONG_INPUT
    return 0


def _print_outcome(outcome: Outcome, folder: Path, unit: str) -> None:
    from vidspeed.record.table import last_line, pass_table

    _console().print(pass_table(outcome, unit))
    for problem in outcome.problems:
        typer.echo(f"{problem.level}: {problem.where}: {problem.message}", err=True)
    typer.echo(f"report: {folder / 'report.html'}")
    typer.echo(last_line(outcome, unit))


@app.command()
@_guarded
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
@_guarded
def render(
    scene: Annotated[Path, typer.Argument(help="Scene file (TOML).")],
    out: Annotated[
        Path | None, typer.Option(help="Folder of the session; beside the scene.")
    ] = None,
) -> int:
    """Render a synthetic session with a known truth."""
    from vidspeed.render.session import render_scene_file

    with _progress() as tell:
        truth = render_scene_file(scene, out, progress=tell)
    for row in truth.passes:
        typer.echo(f"pass {row.label}: {3.6 * row.speed_mps:.6f} km/h {row.direction}")
    return 0


@app.command()
@_guarded
def demo(
    folder: Annotated[Path, typer.Argument(help="Folder to make.")] = Path("vidspeed-demo"),
    unit: Unit = UnitName.kmh,
) -> int:
    """Render an evening at an invented airstrip, measure it, and show result beside truth."""
    from vidspeed.demo import demo as make_demo
    from vidspeed.record.readiness import truth_table

    with _progress() as tell:
        made = make_demo(folder, progress=tell, unit=unit.value)
    rows = [(row.label, row.true_mps, row.result) for row in made.rows]
    _console().print(truth_table(rows, unit.value))
    _print_outcome(made.outcome, made.report.parent, unit.value)
    return exit_status(made.outcome)


def _console() -> Console:
    from rich.console import Console

    wide = None if sys.stdout.isatty() else 120
    return Console(width=wide)


@contextmanager
def _progress() -> Iterator[Callable[[str, int, int], None]]:
    """Show on standard error what is being done; one line a step where it is no terminal."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    if not console.is_terminal:
        seen: set[str] = set()

        def say(what: str, done: int, total: int) -> None:
            if what not in seen:
                seen.add(what)
                typer.echo(what, err=True)

        yield say
        return
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as shown:
        tasks: dict[str, Any] = {}

        def tell(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = shown.add_task(what, total=None)
            shown.update(tasks[what], completed=done, total=total or None)

        yield tell
