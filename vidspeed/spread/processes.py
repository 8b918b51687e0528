"""A pool of processes, each at one job at a time, that outlives jobs which end or hang theirs."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Executor, Future
from typing import Any

from vidspeed.decisions import decided
from vidspeed.errors import WorkerDied
from vidspeed.spread.progress import Tell
from vidspeed.spread.worker import Here, Job, Process

Task = tuple[Job, "Future[Any]"]

TICK_S = 0.5


class Processes(Executor):
    """Runs jobs in processes, each at one job at a time.

    A job whose process dies is tried once more, alone, when nothing else runs: it may have
    died of what the others took of the memory. Its future then raises WorkerDied; that of a
    job that went silent raises WorkerStuck.
    """

    def __init__(self, workers: int, *, tell: Tell | None, imports: str, patience_s: float) -> None:
        self._workers, self._imports, self._patience_s = workers, imports, patience_s
        self._tell, self._telling = tell, threading.Lock()
        self._turn = threading.Condition()
        self._jobs: deque[Task] = deque()
        self._suspects: deque[Task] = deque()  # their process died; each is tried again, alone
        self._alone: Task | None = None
        self._running = 0
        self._closed = self._ended = self._no_start = False
        self._tenders: list[threading.Thread] = []
        self._processes: set[Process] = set()
        self._watcher: threading.Thread | None = None
        self._over = threading.Event()

    def start(self, count: int) -> None:
        """Start processes up to `count`, and what tends them."""
        with self._turn:
            while not self._closed and len(self._tenders) < min(count, self._workers):
                thread = threading.Thread(target=self._tend, daemon=True, name="vidspeed worker")
                self._tenders.append(thread)
                thread.start()
            if self._watcher is None and self._tenders:
                self._watcher = threading.Thread(target=self._watch, daemon=True, name="watcher")
                self._watcher.start()

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Queue `fn` and return its future."""
        future: Future[Any] = Future()
        with self._turn:
            if self._closed:
                raise RuntimeError("the executor is shut down")
            self._jobs.append(((fn, args, kwargs), future))
            wanted = len(self._jobs) + len(self._suspects) + self._running
            self._turn.notify()
        self.start(wanted)
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the processes: after the work is done, or with `cancel_futures` at once."""
        with self._turn:
            self._closed = True
            if cancel_futures:
                self._ended = True
                for _, future in (*self._jobs, *self._suspects):
                    future.cancel()
                self._jobs.clear()
                self._suspects.clear()
                for process in self._processes:
                    process.kill()
            self._turn.notify_all()
        if wait:
            for thread in (*self._tenders, *([self._watcher] if self._watcher else [])):
                thread.join()

    def _tend(self) -> None:
        """Keep one process at work until there is no more."""
        process = self._new_process()
        while (taken := self._next()) is not None:
            job, future = taken
            try:
                if process.ended:
                    self._forget(process)
                    process = self._new_process()
                answer = process.run(job)
            except WorkerDied as error:
                self._no_start |= not process.began
                self._lost(taken, error)
            except BaseException as error:  # handed over, as any executor does
                self._done()
                future.set_exception(error)
            else:
                self._done()
                future.set_result(answer)
        self._forget(process)

    def _new_process(self) -> Process | Here:
        """Start a process; where the system has none to give, work goes on in this one."""
        if not self._no_start:
            try:
                process = Process(self._heard, self._imports)
            except OSError:
                self._no_start = True
            else:
                with self._turn:
                    self._processes.add(process)
                    if self._ended:
                        process.kill()
                return process
        self._heard("no worker process can be started: all work is done in this one", 0, 0)
        return Here(self._heard)

    def _forget(self, process: Process | Here) -> None:
        process.end()
        with self._turn:
            if isinstance(process, Process):
                self._processes.discard(process)
            if self._closed and not self._processes:
                self._over.set()

    def _next(self) -> Task | None:
        """Wait for a job that may run now; None when the pool is shut down and empty."""
        with self._turn:
            while not (self._closed and not (self._jobs or self._suspects or self._running)):
                if self._jobs and self._alone is None:
                    task = self._jobs.popleft()
                    if task[1].set_running_or_notify_cancel():
                        self._running += 1
                        return task
                elif self._suspects and not self._running:
                    self._alone = self._suspects.popleft()
                    self._running += 1
                    return self._alone
                else:
                    self._turn.wait()
            self._turn.notify_all()
            return None

    def _lost(self, task: Task, error: WorkerDied) -> None:
        """Keep a job whose process died for another try; after that one its future raises."""
        with self._turn:
            again = task is not self._alone and not self._ended
            if not self._ended:
                next_ = "the job is tried once more, alone" if again else "the job is given up"
                decided(__name__, f"a worker ended over its job ({error}): {next_}", again=again)
            if again:
                self._suspects.append(task)
        self._done()
        if not again:
            task[1].set_exception(error)

    def _done(self) -> None:
        with self._turn:
            self._running -= 1
            self._alone = None
            self._turn.notify_all()

    def _heard(self, what: str, done: int, total: int) -> None:
        if self._tell is not None:
            with self._telling:
                self._tell(what, done, total)

    def _watch(self) -> None:
        """End processes that went silent; a computer that slept is not held against them."""
        before_s = time.monotonic()
        while not self._over.wait(TICK_S):
            now_s = time.monotonic()
            passed_s, before_s = min(now_s - before_s, 2.0 * TICK_S), now_s
            with self._turn:
                processes = tuple(self._processes)
            for process in processes:
                process.waited(passed_s, self._patience_s)
