"""What was decided on the way, and why: through Python's `logging`, in one tree of loggers.

A record's message is a whole sentence; the figures in it are extra fields of the record as well, so
that a program need not read the sentence. Nothing is put together unless somebody listens to
INFO. What a job decides, wherever it runs, is told when its result is fetched: jobs are fetched
in the order of the session, so the order does not depend on who worked.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Executor, Future
from contextvars import ContextVar
from typing import Any, NamedTuple

ROOT = "vidspeed"
ON_ERRORS = "vidspeed_decisions"  # the attribute of an error that holds them
logging.getLogger(ROOT).addHandler(logging.NullHandler())  # silent unless somebody listens
PLAIN = frozenset((*logging.makeLogRecord({}).__dict__, "message", "asctime"))


class Decision(NamedTuple):
    """One record on its way: the module that decided, the sentence, and its figures by name."""

    where: str
    level: int
    message: str
    figures: Mapping[str, object]
    created_s: float  # seconds since 1970


class Answer(NamedTuple):
    """What a job came to, and what it decided on the way."""

    result: Any
    decisions: tuple[Decision, ...]


_caught: ContextVar[list[Decision] | None] = ContextVar("caught", default=None)


def wanted() -> bool:
    """Say whether anybody listens: whether it is worth putting a sentence together."""
    return _caught.get() is not None or logging.getLogger(ROOT).isEnabledFor(logging.INFO)


def decided(where: str, message: str, /, *, level: int = logging.INFO, **figures: object) -> None:
    """Tell what was decided, and why.

    Parameters
    ----------
    where
        `__name__` of the module that decides.
    message
        One sentence that stands for itself.
    figures
        What the sentence says, for programs: plain values, by names with their unit.
    """
    _tell(Decision(where, level, message, figures, time.time()))


def _tell(decision: Decision) -> None:
    """Keep a decision with its job, or hand it to the loggers with the moment it was made."""
    caught = _caught.get()
    if caught is not None:
        caught.append(decision)
        return
    logger = logging.getLogger(decision.where)
    if not logger.isEnabledFor(decision.level):
        return
    record = logger.makeRecord(
        decision.where, decision.level, "", 0, decision.message, (), None,
        extra=dict(decision.figures),
    )  # fmt: skip
    record.created = decision.created_s
    record.msecs = decision.created_s % 1.0 * 1000.0
    logger.handle(record)


def figures_of(record: logging.LogRecord) -> dict[str, object]:
    """Return the extra fields of a record."""
    return {name: value for name, value in record.__dict__.items() if name not in PLAIN}


class Steps:
    """Tells how long each step took, by a clock that nobody can set back."""

    def __init__(self, where: str) -> None:
        self._where = where
        self._wall_s, self._cpu_s = time.monotonic(), time.process_time()

    def done(self, step: str) -> None:
        """Tell the time since the step before."""
        wall_s, cpu_s = time.monotonic(), time.process_time()
        wall_s, cpu_s = wall_s - self._wall_s, cpu_s - self._cpu_s
        message = f"{step}: took {wall_s:.2f} s, of them {cpu_s:.2f} s of work in this process"
        decided(self._where, message, step=step, wall_s=wall_s, cpu_s=cpu_s)
        self._wall_s, self._cpu_s = time.monotonic(), time.process_time()


def noted(fn: Callable[..., Any], args: tuple[Any, ...], kwargs: Mapping[str, Any]) -> Answer:
    """Do a job and keep what it decides, with its error too: what runs where the work is done."""
    decisions: list[Decision] = []
    token = _caught.set(decisions)
    try:
        return Answer(fn(*args, **kwargs), tuple(decisions))
    except Exception as error:
        error.__dict__[ON_ERRORS] = tuple(decisions)
        raise
    finally:
        _caught.reset(token)


class Noting(Executor):
    """Hands jobs to another executor, and what they decided to the loggers of this process."""

    def __init__(self, pool: Executor) -> None:
        self._pool = pool

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Hand on `fn`; where nobody listens, as it is."""
        if not wanted():
            return self._pool.submit(fn, *args, **kwargs)
        noting = _Noted()
        self._pool.submit(noted, fn, args, kwargs).add_done_callback(noting.settle)
        return noting

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Shut the other executor down."""
        self._pool.shutdown(wait=wait, cancel_futures=cancel_futures)


class _Noted(Future[Any]):
    """The result of a job; who fetches it first hears what was decided over it."""

    def __init__(self) -> None:
        super().__init__()
        self._decisions: tuple[Decision, ...] = ()

    def settle(self, done: Future[Answer]) -> None:
        """Take over what the job came to."""
        if done.cancelled():
            self.cancel()
            self.set_running_or_notify_cancel()
        elif (error := done.exception()) is not None:
            self._decisions = getattr(error, ON_ERRORS, ())
            self.set_exception(error)
        else:
            answer, self._decisions = done.result()
            self.set_result(answer)

    def result(self, timeout: float | None = None) -> Any:
        """Return the job's result; tell first what it decided."""
        try:
            return super().result(timeout)
        finally:
            self._hear()

    def exception(self, timeout: float | None = None) -> BaseException | None:
        """Return the job's error; tell first what it decided."""
        try:
            return super().exception(timeout)
        finally:
            self._hear()

    def _hear(self) -> None:
        if not self.done():
            return
        decisions, self._decisions = self._decisions, ()
        for decision in decisions:
            _tell(decision)
