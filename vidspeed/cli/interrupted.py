"""Ctrl-C that is heard: Python, or a library's own code, may swallow the exception it becomes.

It is lost where the key is struck while an object is being cleared away, and becomes another error
in code that drops what it does not know. So the key is struck again, until the command has ended:
whatever is being written then is as whole as after a kill (`vidspeed.record.swap`).
"""

from __future__ import annotations

import _thread
import signal
import sys
import threading
from types import FrameType, TracebackType
from typing import Any, Self

INSIST_S = 0.6  # so long a command has for letting go of what it holds


class CtrlC:
    """Hears Ctrl-C within its block; `struck` says whether there was one."""

    def __init__(self) -> None:
        self.struck = False
        self._over = threading.Event()
        self._before: Any = None
        self._lost: Any = None

    def __enter__(self) -> Self:
        first = threading.current_thread() is threading.main_thread()
        if first and signal.getsignal(signal.SIGINT) is signal.default_int_handler:
            self._before = signal.signal(signal.SIGINT, self._strike)
            self._lost, sys.unraisablehook = sys.unraisablehook, self._say_nothing
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.answered()
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)
            sys.unraisablehook = self._lost

    def answered(self) -> None:
        """Insist no more."""
        self._over.set()

    def _strike(self, _signal: int, _frame: FrameType | None) -> None:
        if self._over.is_set():
            return
        if not self.struck:
            self.struck = True
            threading.Thread(target=self._insist, daemon=True, name="Ctrl-C").start()
        raise KeyboardInterrupt

    def _insist(self) -> None:
        while not self._over.wait(INSIST_S):
            _thread.interrupt_main()

    def _say_nothing(self, lost: Any) -> None:
        """Leave a swallowed Ctrl-C unsaid: it is struck again."""
        if not issubclass(lost.exc_type, KeyboardInterrupt):
            self._lost(lost)
