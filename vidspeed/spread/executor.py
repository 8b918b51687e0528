"""The one seam through which work is spread: an executor that runs inline or in other processes.

Only `submit` of a `concurrent.futures.Executor` is used, so that any executor fits. The one with
processes knows which job each of them is at: a job that kills its process (a decoder that runs
wild, memory that runs out) or that stops giving signs of life loses that process alone; the
other jobs never notice.

The processes are new interpreters, never forks, and none of them runs the caller's script again:
a script needs no guard around its main part. A job is a function of a module that can be
imported, with arguments that can be pickled.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future
from contextlib import contextmanager, suppress
from typing import Any

from vidspeed.decisions import Noting
from vidspeed.errors import WorkerDied, WorkerError, WorkerStuck
from vidspeed.spread.memory import collected_at_its_end
from vidspeed.spread.patience import Patient
from vidspeed.spread.processes import Processes
from vidspeed.spread.progress import Tell, told_to

Call = tuple[Callable[..., Any], tuple[Any, ...]]

PATIENCE_S = 15.0  # without a sign of life of a job that gave one; a sleeping disk needs ten
SCHEDULER_WAIT_S = 30.0
AGAIN = "copy it from the camera again, or re-wrap it (same pictures, new container)"


class Inline(Executor):
    """Runs what is submitted at once, in this process."""

    def __init__(self, tell: Tell | None = None) -> None:
        self._tell = tell

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Run `fn` and return a finished future."""
        future: Future[Any] = Future()
        try:
            with told_to(self._tell):
                future.set_result(fn(*args, **kwargs))
        except Exception as error:  # handed over, as any executor does
            future.set_exception(error)
        return future


class Prepared(Executor):
    """Hands jobs on to a pool, once what it prepares is done: none starts a process meanwhile."""

    def __init__(self, pool: Executor) -> None:
        self._pool = pool
        self._first: Future[Any] | None = None

    def prepare(self, fn: Callable[..., Any], /, *args: Any) -> None:
        """Have `fn` done by the pool; what becomes of it is nobody's matter."""
        self._first = self._pool.submit(fn, *args)

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Wait for what was prepared, submit `fn` and return its future."""
        if self._first is not None:
            with suppress(Exception):
                self._first.result()
        return self._pool.submit(fn, *args, **kwargs)


def clip_words(error: WorkerError) -> str:
    """Say of a clip what a lost worker means, and what to do."""
    if isinstance(error, WorkerDied):
        return f"the decoder died on this clip ({error}); {AGAIN}"
    if isinstance(error, WorkerStuck):
        return (
            f"the decoder hung on this clip ({error}), or the drive it lies on does not answer; "
            f"look at the drive, or {AGAIN}"
        )
    return f"this clip could not be looked at ({error})"


@contextmanager
def executor(
    workers: int,
    *,
    tell: Tell | None = None,
    ready: int = 0,
    imports: str = "",
    patience_s: float = PATIENCE_S,
    apart: bool = False,
) -> Iterator[Executor]:
    """Yield an executor: inline for one worker, processes of their own for several.

    Parameters
    ----------
    tell
        Called with what a job reports (`vidspeed.spread.progress.report`); by processes from
        another thread, never twice at once.
    ready
        So many processes start at once, the others when there is work for them.
    imports
        The module that a process imports while it waits for its first job.
    patience_s
        A job that reports is expected to go on; after so long in silence its process is ended.
        A job that never reports may take any time.
    apart
        A process of its own for one worker too: a decoder that dies then takes only that.
    """
    if workers <= 1 and not apart:
        yield Noting(Inline(tell))
        return
    pool = Processes(max(workers, 1), tell=tell, imports=imports, patience_s=patience_s)
    try:
        pool.start(ready)
        yield Noting(pool)
    finally:
        pool.shutdown(cancel_futures=True)


_one_here = threading.Lock()  # of calls that are shared out and done in one process


def shared_out(
    pool: Executor | None,
    calls: Sequence[Call],
    taken: Callable[[int, Any], Any] = lambda _, made: made,
) -> list[Any]:
    """Do calls in this process, and beside it others of them in one of a pool's; in their order.

    What is returned of each is what `taken` makes, at once, of its number and of what it came to;
    two threads call it.

    The pool is given the first ones, one at a time, so that it starts no process for them that is
    not there; this process begins with the last, and does what the pool could not. Without a pool
    it does all. No two calls run at once in one process.
    """
    left, results = deque(enumerate(calls)), dict[int, Any]()

    def beside(pool: Executor) -> None:
        with suppress(IndexError):  # nothing is left
            while True:
                number, call = left.popleft()
                try:
                    results[number] = taken(number, pool.submit(_alone, *call).result())
                except BaseException:  # a lost process, or a fault that is the same here
                    left.append((number, call))
                    return

    helper = threading.Thread(target=beside, args=(pool,), daemon=True, name="beside")
    if pool is not None:
        helper.start()
    while len(results) < len(calls):
        try:
            number, (fn, arguments) = left.pop()
        except IndexError:  # the last one is done beside
            helper.join()
        else:
            results[number] = taken(number, _alone(fn, arguments))
    return [results[number] for number in range(len(calls))]


def _alone(fn: Callable[..., Any], arguments: tuple[Any, ...]) -> Any:
    with _one_here, collected_at_its_end():
        return fn(*arguments)


@contextmanager
def cluster(address: str, *, patience_s: float = PATIENCE_S) -> Iterator[Executor]:
    """Yield an executor on a Dask cluster; `address` is that of its scheduler.

    Its workers need this package, one thread each, and the sessions under the same paths. A worker
    that is lost costs its jobs a second try on another. A job that reports and then is silent for
    `patience_s` raises WorkerStuck, and its worker goes on to others.

    Raises WorkerError where Dask is not installed, or where no scheduler answers.
    """
    try:
        from distributed import Client
    except ImportError:
        raise WorkerError(
            "--cluster needs Dask, which is not installed; install it with: "
            "python -m pip install 'vidspeed[cluster]'"
        ) from None
    try:
        client = Client(address, timeout=SCHEDULER_WAIT_S)
    except (OSError, ValueError) as fault:
        raise WorkerError(
            f"--cluster {address}: no Dask scheduler answers there ({fault or 'timed out'}); start "
            "one with `dask scheduler`, and name the address that it prints (tcp://HOST:8786)"
        ) from fault
    with client:
        yield Noting(Patient(client.get_executor(pure=False), patience_s))
