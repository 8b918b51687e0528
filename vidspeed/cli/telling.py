"""`--verbose` and `--log-json`: what was decided and why, for a person and for a program.

Nothing of it enters results. A log that cannot be written ends with one warning, and the work
goes on.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Annotated

import typer

from vidspeed.cli.shell import tell_error
from vidspeed.decisions import ROOT, figures_of
from vidspeed.errors import ResultsError

Verbose = Annotated[
    bool, typer.Option("--verbose", help="Say on standard error what was decided, and why.")
]
LogJson = Annotated[
    Path | None,
    typer.Option("--log-json", metavar="FILE", help="Write that as JSON, one object a line."),
]


@contextmanager
def telling(verbose: bool, log_json: Path | None) -> Iterator[None]:
    """Tell what is decided within the block as the two options say.

    Raises ResultsError where the file cannot be made.
    """
    handlers: list[logging.Handler] = [_Spoken()] if verbose else []
    logger = logging.getLogger(ROOT)
    before = logger.level
    with ExitStack() as stack:
        if log_json is not None:
            handlers.append(_JsonLines(log_json, stack.enter_context(_opened(log_json))))
        if handlers:
            logger.setLevel(logging.INFO)
            stack.callback(logger.setLevel, before)
        for handler in handlers:
            logger.addHandler(handler)
            stack.callback(logger.removeHandler, handler)
        yield


def _opened(path: Path) -> IO[str]:
    """Open the log, anew; what lies in results/ is replaced as a whole and may not be held open."""
    if path.absolute().parent.name == "results":
        raise ResultsError(
            f"--log-json {path}: lies in results/, which is replaced as a whole; name a file "
            "elsewhere"
        )
    try:
        return path.open("w", encoding="utf-8", newline="\n")
    except OSError as fault:
        raise ResultsError(
            f"--log-json {path}: cannot be written ({fault.strerror}); name a file in a folder "
            "that is there and can be written"
        ) from fault


class _Spoken(logging.Handler):
    """Says each decision in a line on standard error."""

    def emit(self, record: logging.LogRecord) -> None:
        where = record.name.removeprefix(f"{ROOT}.")
        tell_error(f"[{where}] {record.getMessage()}")


class _JsonLines(logging.Handler):
    """Writes each decision as one JSON object; the first fault of the disk ends the log."""

    def __init__(self, path: Path, file: IO[str]) -> None:
        super().__init__()
        self._path, self._file, self._broken = path, file, False

    def emit(self, record: logging.LogRecord) -> None:
        from vidspeed.values.base import jsonable  # with NumPy: not at the start of every command

        if self._broken:
            return
        moment = datetime.fromtimestamp(record.created, UTC)
        row = {
            "time": moment.isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "where": record.name,
            "message": record.getMessage(),
            "figures": jsonable(figures_of(record)),
        }
        try:
            self._file.write(json.dumps(row, ensure_ascii=False, allow_nan=False, default=str))
            self._file.write("\n")
            self._file.flush()
        except OSError as fault:
            self._broken = True
            typer.echo(
                f"warning: --log-json {self._path}: cannot be written any more "
                f"({fault.strerror}); the log ends here, the results do not depend on it",
                err=True,
            )
