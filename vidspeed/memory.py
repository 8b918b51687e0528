"""How much memory a job may take in a worker process, so that one clip cannot take it all."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

_worker = False


def in_a_worker() -> None:
    """Say of this process that it is a worker: bounds hold in it from now on."""
    global _worker  # noqa: PLW0603
    _worker = True


@contextmanager
def memory_within(more_bytes: int, *, anywhere: bool = False) -> Iterator[None]:
    """Let a worker process take at most so much more memory within the block.

    Beyond it, asking for memory fails in this process alone. Only Linux counts what is asked
    for (RLIMIT_DATA: private memory that can be written to); elsewhere, and in a process that is
    no worker unless `anywhere`, this does nothing.
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


def _data_bytes() -> int:
    """Return how much of what RLIMIT_DATA counts this process has (proc(5), VmData)."""
    with open("/proc/self/status", encoding="ascii", errors="replace") as file:  # noqa: PTH123
        line = next(row for row in file if row.startswith("VmData:"))
    return int(line.split()[1]) * 1024
