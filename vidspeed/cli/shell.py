"""What every command shares: the options, how errors become messages, progress, the console."""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vidspeed.errors import VidspeedError

if TYPE_CHECKING:
    from rich.console import Console

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
ClipFolder = Annotated[
    Path | None,
    typer.Option(
        "--clips", metavar="DIR", help="Folder to look for clips in: by their path, or their name."
    ),
]
SessionFolder = Annotated[Path, typer.Argument(help="Folder with session.toml in it.")]


def guarded(command: Callable[..., int]) -> Callable[..., None]:
    """Turn the library's errors into messages, and what a command returns into an exit status."""

    @functools.wraps(command)
    def wrapper(*args: Any, **kwargs: Any) -> None:
        try:
            status = command(*args, **kwargs)
        except VidspeedError as error:
            for message in error.messages:
                tell_error(message)
            raise typer.Exit(WRONG_INPUT) from None
        except OSError as fault:  # a disk or a pipe that fails where nothing better is known of it
            if isinstance(fault, BrokenPipeError):
                raise  # who reads has read enough
            where = f"{fault.filename}: " if fault.filename else ""
            with suppress(OSError):
                tell_error(f"{where}{fault.strerror or fault}; mend that and run again")
            raise typer.Exit(WRONG_INPUT) from None
        except KeyboardInterrupt:
            typer.echo("interrupted; earlier results are as they were", err=True)
            raise typer.Exit(INTERRUPTED) from None
        raise typer.Exit(status)

    return wrapper


def one_line(text: str) -> str:
    """Return a message as one line: a file's name may hold a line break, or what moves a cursor."""
    return "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text)


def tell_error(message: str) -> None:
    """Say a message on standard error, in one line."""
    typer.echo(one_line(message), err=True)


def terminal() -> Console:
    """Return the console for tables; 120 columns wide where the output is no terminal."""
    from rich.console import Console

    wide = None if sys.stdout.isatty() else 120
    return Console(width=wide)


@contextmanager
def progress() -> Iterator[Callable[[str, int, int], None]]:
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
