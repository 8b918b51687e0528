"""A limit to silence where nobody can end the process: the jobs of a cluster's workers.

`vidspeed.spread.processes` ends a process of its own whose job gives no more sign of life. A worker
of a cluster belongs to the cluster, and ended over one job it would be given the same job again, as
would the next. There a job that hangs is left behind in a thread, and the worker goes on.
"""

from __future__ import annotations

import contextvars
import threading
import time
from concurrent.futures import Executor, Future, wait
from typing import TYPE_CHECKING, Any

from vidspeed.errors import WorkerStuck
from vidspeed.spread.progress import pulsing, told_to
from vidspeed.spread.worker import Job

if TYPE_CHECKING:
    from collections.abc import Callable

TICK_S = 0.5


class Patient(Executor):
    """Hands jobs to another executor; one that goes silent there raises WorkerStuck."""

    def __init__(self, pool: Executor, patience_s: float) -> None:
        self._pool, self._patience_s = pool, patience_s

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Hand on `fn`."""
        return self._pool.submit(patiently, self._patience_s, (fn, args, kwargs))

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Shut the other executor down."""
        self._pool.shutdown(wait=wait, cancel_futures=cancel_futures)


def patiently(patience_s: float, job: Job) -> Any:
    """Do a job in a thread of its own, and give it up where it falls silent.

    A job that gave a sign of life (`vidspeed.spread.progress.report`, `alive`) is expected to go
    on; one that never does may take any time.

    Raises
    ------
    WorkerStuck
        After so long without a sign; the thread is left where it hangs.
    """
    fn, args, kwargs = job
    done: Future[Any] = Future()
    silence = _Silence()

    def work() -> None:
        try:
            with pulsing(silence.broken), told_to(lambda *_: silence.broken()):
                result = fn(*args, **kwargs)
        except BaseException as error:  # handed over, as any executor does
            done.set_exception(error)
        else:
            done.set_result(result)

    context = contextvars.copy_context()
    threading.Thread(target=context.run, args=(work,), daemon=True, name="patient").start()
    before_s = time.monotonic()
    while not wait((done,), TICK_S).done:
        now_s = time.monotonic()
        if silence.longer(min(now_s - before_s, 2.0 * TICK_S), patience_s):  # it may have slept
            raise WorkerStuck(f"no sign of life for {patience_s:g} s")
        before_s = now_s
    return done.result()


class _Silence:
    """Counts the time since the last sign of life, from the first one on."""

    def __init__(self) -> None:
        self._turn = threading.Lock()
        self._silent_s: float | None = None  # None: no sign was ever given

    def broken(self) -> None:
        """Begin anew: there was a sign."""
        with self._turn:
            self._silent_s = 0.0

    def longer(self, passed_s: float, patience_s: float) -> bool:
        """Count time that passed; tell whether the silence is too long."""
        with self._turn:
            if self._silent_s is None:
                return False
            self._silent_s += passed_s
            return self._silent_s > patience_s
