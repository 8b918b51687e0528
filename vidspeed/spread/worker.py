"""A process that works for `vidspeed.spread.processes`: both of its ends.

The parent starts a new interpreter and talks to it through its standard input and output:
pickles, each after its length. Nothing else reaches these two; whatever a library prints in the
process is thrown away, since a decoder that dies says nothing that would help in the field.
"""

from __future__ import annotations

import os
import pickle
import queue
import signal
import struct
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Callable, Mapping
from contextlib import suppress
from importlib import import_module
from multiprocessing.spawn import get_executable
from typing import IO, Any

from vidspeed.errors import WorkerDied, WorkerError, WorkerStuck
from vidspeed.spread import memory
from vidspeed.spread.progress import Tell, pulsing, told_to

Job = tuple[Callable[..., Any], tuple[Any, ...], Mapping[str, Any]]

BOOT = (
    "import sys; sys.path[:] = {path!r}; "
    "from vidspeed.spread.worker import serve; serve({imports!r})"
)
LENGTH = struct.Struct("<Q")
UNKILLED_S = 0.5  # a process that was killed and is there after so long is waited for elsewhere
EVERY_S = 0.1  # a job's reports are passed on at most so often


class Process:
    """A worker process as its parent sees it."""

    def __init__(self, heard: Tell, imports: str) -> None:
        self._heard = heard
        self._silent_s: float | None = None  # None: not a job that reports
        self._clock = threading.Lock()
        self._stuck_s = 0.0
        self.ended = False
        self.began = False  # it came up and did or tried a job
        path = [item for item in sys.path if isinstance(item, str)]
        self._popen = subprocess.Popen(
            [get_executable(), "-c", BOOT.format(path=path, imports=imports)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=memory.environment(),
        )
        self._said: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._listening = threading.Thread(target=self._listen, daemon=True, name="listener")
        self._listening.start()

    def _listen(self) -> None:
        """Queue what the process says; None where it says no more.

        A process that waits for a drive that does not answer cannot be ended, and its pipe stays
        open: nobody but this thread may wait for it.
        """
        assert self._popen.stdout is not None
        with suppress(OSError, EOFError, ValueError):
            while True:
                self._said.put(_receive(self._popen.stdout))
        self._said.put(None)

    def run(self, job: Job) -> Any:
        """Have a job done and return its result.

        Raises
        ------
        WorkerDied, WorkerStuck
            Where the process ended over it, or was ended.
        """
        request = pickle.dumps(job, pickle.HIGHEST_PROTOCOL)
        try:
            assert self._popen.stdin is not None
            _send(self._popen.stdin, request)
            while True:
                said = self._said.get()
                if said is None:
                    raise EOFError
                kind, content = pickle.loads(said)
                self.began = True
                if kind == "ready":
                    continue
                if kind != "told":
                    break
                self._sign_of_life(0.0)
                if content is not None:
                    self._heard(*content)
        except (OSError, EOFError, pickle.UnpicklingError):
            self.end(grace_s=1.0)
            if self._stuck_s:
                raise WorkerStuck(f"no sign of life for {self._stuck_s:g} s") from None
            raise WorkerDied(_how_it_ended(self._popen.returncode)) from None
        except BaseException:  # of `heard`: what the process still says belongs to no job
            self.end()
            raise
        finally:
            self._sign_of_life(None)
        if self._stuck_s:  # it was given up as its job ended: none may be given to it
            self.end()
        if kind == "failed":
            raise content
        return content

    def _sign_of_life(self, silent_s: float | None) -> None:
        with self._clock:
            self._silent_s = silent_s

    def waited(self, passed_s: float, patience_s: float) -> None:
        """Count the time since the last sign of life; end the process when there is none."""
        with self._clock:
            if self._silent_s is None or self.ended:
                return
            self._silent_s += passed_s
            if self._silent_s > patience_s:
                self._stuck_s = patience_s
                self.kill()

    def kill(self) -> None:
        """End the process at once; who waits for its answer is told, whether it ends or not."""
        self._popen.kill()
        self._said.put(None)

    def end(self, grace_s: float = 0.0) -> None:
        """End the process and let go of all that belongs to it.

        One that does not end when it is killed (a busy machine, or a drive that does not answer)
        holds nobody up: a thread waits for it.
        """
        self.ended = True
        try:
            self._popen.wait(grace_s)
        except subprocess.TimeoutExpired:
            self._popen.kill()
            try:
                self._popen.wait(UNKILLED_S)
            except subprocess.TimeoutExpired:
                threading.Thread(target=self._outlive, daemon=True, name="outliving").start()
                return
        self._let_go()

    def _outlive(self) -> None:
        """Let go of the process once it has ended, however long that takes."""
        while self._popen.poll() is None:
            time.sleep(EVERY_S)
        self._let_go()

    def _let_go(self) -> None:
        """Close the pipes of a process that has ended."""
        self._listening.join(UNKILLED_S)
        for pipe in (self._popen.stdin, self._popen.stdout):
            assert pipe is not None
            with suppress(OSError):  # what was not sent to a dead process
                pipe.close()


class Here:
    """What stands in for a process where none can be started: this one, without any safety."""

    ended, began = False, True

    def __init__(self, heard: Tell) -> None:
        self._heard = heard

    def run(self, job: Job) -> Any:
        """Do a job and return its result."""
        fn, args, kwargs = job
        with told_to(self._heard):
            return fn(*args, **kwargs)

    def end(self) -> None:
        """Do nothing: there is no process to end."""


def serve(imports: str) -> None:
    """Do jobs until standard input ends: what runs in the process."""
    memory.in_a_worker()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to answer
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    requests, answers = os.fdopen(os.dup(0), "rb"), _Answers(os.fdopen(os.dup(1), "wb"))
    nothing = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1):
        os.dup2(nothing, stream)
    jobs: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    threading.Thread(target=_take_in, args=(requests, jobs), daemon=True).start()
    if imports:
        with memory.uncollected():
            import_module(imports)
    answers.send(pickle.dumps(("ready", None)))
    while True:
        answers.send(_answer(jobs.get(), answers))


class _Answers:
    """What a worker says to its parent, one pickle at a time: jobs report from several threads."""

    def __init__(self, pipe: IO[bytes]) -> None:
        self._pipe, self._turn = pipe, threading.Lock()

    def send(self, packed: bytes) -> None:
        """Say a pickle."""
        with self._turn:
            _send(self._pipe, packed)


def _take_in(requests: IO[bytes], jobs: queue.SimpleQueue[bytes]) -> None:
    """Queue what comes in; without a parent there is nothing to live for."""
    try:
        while True:
            jobs.put(_receive(requests))
    except (OSError, EOFError):
        os._exit(0)


def _answer(request: bytes, answers: _Answers) -> bytes:
    """Do one job; return its pickled result or error."""
    told_s = -EVERY_S

    def pulse() -> None:
        nonlocal told_s
        now_s = time.monotonic()
        if now_s - told_s >= 10.0 * EVERY_S:
            told_s = now_s
            answers.send(pickle.dumps(("told", None)))

    def tell(what: str, done: int, total: int) -> None:
        nonlocal told_s
        now_s = time.monotonic()
        if now_s - told_s >= EVERY_S or done == total:
            told_s = now_s
            answers.send(pickle.dumps(("told", (what, done, total))))

    try:
        fn, args, kwargs = pickle.loads(request)
        with pulsing(pulse), told_to(tell):
            result = fn(*args, **kwargs)
        return pickle.dumps(("done", result), pickle.HIGHEST_PROTOCOL)
    except BaseException as error:
        return _failure(error)


def _failure(error: BaseException) -> bytes:
    """Return an error as it can be sent: itself, or where it does not pickle, its words."""
    try:
        packed = pickle.dumps(("failed", error))
        pickle.loads(packed)
    except Exception:
        words = "".join(traceback.format_exception_only(error)).strip()
        packed = pickle.dumps(("failed", WorkerError(words)))
    return packed


def _send(pipe: IO[bytes], packed: bytes) -> None:
    pipe.write(LENGTH.pack(len(packed)))
    pipe.write(packed)  # apart from its length: what is large is not there twice
    pipe.flush()


def _receive(pipe: IO[bytes]) -> bytes:
    (length,) = LENGTH.unpack(_exactly(pipe, LENGTH.size))
    return _exactly(pipe, length)


def _exactly(pipe: IO[bytes], count: int) -> bytes:
    packed = pipe.read(count)
    if len(packed) < count:
        raise EOFError
    return packed


def _how_it_ended(code: int | None) -> str:
    """Return an exit code in words: the signal's name where it was one.

    Examples
    --------
    >>> _how_it_ended(3)
    'exit code 3'
    """
    if code is None:
        return "it does not answer, and cannot be ended"
    if code < 0:
        with suppress(ValueError):
            return signal.Signals(-code).name
    return f"exit code {code & 0xFFFFFFFF:#x}" if code > 255 else f"exit code {code}"
