"""What every command shares that looks at the clips of a session: progress, logs and workers."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from vidspeed.cli.progressing import progress
from vidspeed.cli.telling import telling
from vidspeed.spread.progress import Tell

if TYPE_CHECKING:
    from concurrent.futures import Executor

LOOKING = "vidspeed.assembly.looking"  # a worker imports it while this process imports the rest


@contextmanager
def working(verbose: bool = False, log_json: Path | None = None) -> Iterator[tuple[Tell, Executor]]:
    """Yield what shows progress, and worker processes; tell what is decided as the options say.

    There are two workers at least, and so none is this process: a decoder may die, or hang.
    """
    from vidspeed.spread.executor import executor

    workers = max(2, os.cpu_count() or 1)
    with (
        telling(verbose, log_json),
        progress() as tell,
        executor(workers, tell=tell, ready=1, imports=LOOKING) as pool,
    ):
        yield tell, pool
