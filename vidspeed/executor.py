"""The one seam through which work is spread: an executor that runs inline or on all cores.

Only `submit` of a `concurrent.futures.Executor` is used, so that any executor fits.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from typing import Any


class Inline(Executor):
    """Runs what is submitted at once, in this process."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Run `fn` and return a finished future."""
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:  # handed over, as any executor does
            future.set_exception(error)
        return future


@contextmanager
def executor(workers: int) -> Iterator[Executor]:
    """Yield an executor: inline for one worker, a pool of spawned processes for several."""
    if workers <= 1:
        yield Inline()
        return
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=spawn) as pool:
        yield pool
