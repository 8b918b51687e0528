"""How much memory a job may take in a worker process, and what is done with what it leaves."""

from __future__ import annotations

import ctypes
import gc
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress

_worker = False


def environment() -> dict[str, str]:
    """Return the environment that a worker process is started with.

    By itself the C library of Linux gives each thread of a process a heap of its own, and none
    lends another what it has free: 10 MB of a scan. Other systems do not know the name.
    """
    return {"MALLOC_ARENA_MAX": "1"} | os.environ


def in_a_worker() -> None:
    """Say of this process that it is a worker: bounds hold in it from now on."""
    global _worker  # noqa: PLW0603
    _worker = True


@contextmanager
def uncollected() -> Iterator[None]:
    """Look for no garbage within the block: in what modules make it takes a tenth of an import.

    After the first such block of a process all that is there is left alone for good: modules stay.
    """
    before = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if before:
            gc.enable()
        if not gc.get_freeze_count():
            gc.freeze()


@contextmanager
def collected_at_its_end() -> Iterator[None]:
    """Look for garbage once: at the end of the block, in what came into being within it.

    For work that leaves megabytes of it (a figure's parts all hold each other). In between it would
    be looked for a hundred times, in parts of which most are still of use; and what outlives that
    stays until everything is looked through, which is seldom.
    """
    before = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        gc.collect(0)
        if before:
            gc.enable()


@contextmanager
def memory_within(more_bytes: int, *, anywhere: bool = False) -> Iterator[None]:
    """Let a worker process take at most so much more memory within the block.

    Beyond it, asking for memory fails in this process alone. What is free at the end of the block
    goes back to the system. Only Linux counts what is asked for (RLIMIT_DATA: private memory that
    can be written to); elsewhere, and in a process that is no worker unless `anywhere`, this does
    nothing.
    """
    if not (_worker or anywhere) or sys.platform != "linux":
        yield
        return
    import resource

    before = resource.getrlimit(resource.RLIMIT_DATA)
    limit = _data_bytes() + more_bytes
    if before[1] != resource.RLIM_INFINITY:
        limit = min(limit, before[1])
    resource.setrlimit(resource.RLIMIT_DATA, (limit, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_DATA, before)
        give_back()


def give_back() -> None:
    """Hand what is free in the heap to the system; the C library of GNU keeps 100 MB of a scan."""
    with suppress(OSError, AttributeError, TypeError):  # another C library, or Windows
        ctypes.CDLL(None).malloc_trim(0)


def _data_bytes() -> int:
    """Return how much of what RLIMIT_DATA counts this process has (proc(5), VmData)."""
    with open("/proc/self/status", encoding="ascii", errors="replace") as file:  # noqa: PTH123
        line = next(row for row in file if row.startswith("VmData:"))
    return int(line.split()[1]) * 1024
