"""What every command shares: the options, how errors become messages, progress, the console."""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable
from contextlib import suppress
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vidspeed.cli.interrupted import CtrlC
from vidspeed.cli.progressing import progress
from vidspeed.errors import OptionError, VidspeedError

if TYPE_CHECKING:
    from rich.console import Console

__all__ = [
    "INTERRUPTED",
    "PARTLY",
    "WRONG_INPUT",
    "WRONG_LINE",
    "ClipFolder",
    "SessionFolder",
    "Unit",
    "UnitName",
    "above_zero",
    "app",
    "guarded",
    "one_line",
    "progress",
    "tell_error",
    "terminal",
]

WRONG_INPUT, WRONG_LINE, PARTLY, INTERRUPTED = 1, 2, 3, 130

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
        with CtrlC() as key:
            try:
                status = _answered(key, lambda: command(*args, **kwargs))
            except KeyboardInterrupt:  # struck again over the answer
                status = INTERRUPTED
        raise typer.Exit(status)

    return wrapper


def _answered(key: CtrlC, command: Callable[[], int]) -> int:
    """Return the exit status of a command; say what went wrong."""
    try:
        return command()
    except KeyboardInterrupt:
        return _interrupted(key)
    except Exception as error:
        if key.struck:  # what else it became on its way
            return _interrupted(key)
        if isinstance(error, VidspeedError):
            for message in error.messages:
                tell_error(message)
            return WRONG_LINE if isinstance(error, OptionError) else WRONG_INPUT
        if isinstance(error, OSError) and not isinstance(error, BrokenPipeError):
            where = f"{error.filename}: " if error.filename else ""  # nothing better is known
            with suppress(OSError):
                tell_error(f"{where}{error.strerror or error}; mend that and run again")
            return WRONG_INPUT
        raise


def above_zero(option: str, value: float | None, below: float) -> None:
    """Refuse an option whose value is not above zero and below a limit; None is not given."""
    if value is not None and not 0.0 < value < below:
        raise OptionError(f"{option} is {value:g}; above 0 and below {below:.0f} is allowed")


def _interrupted(key: CtrlC) -> int:
    key.answered()
    tell_error("interrupted; earlier results are as they were")
    return INTERRUPTED


def one_line(text: str) -> str:
    """Return a message as one line: a file's name may hold a line break, or what moves a cursor."""
    return "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text)


def tell_error(message: str) -> None:
    """Say a message on standard error, in one line."""
    typer.echo(one_line(message), err=True)


def terminal() -> Console:
    """Return the console for tables; 120 columns wide where the output is no terminal.

    Names that a user gave are printed as they are, square brackets too.
    """
    from rich.console import Console

    wide = None if sys.stdout.isatty() else 120
    return Console(width=wide, markup=False, emoji=False)
