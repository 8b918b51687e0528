"""Keep a test's process an ordinary one: an AV1 encoder that root runs makes it a real-time one.

SVT-AV1 gives the thread that opens it the policy SCHED_FIFO at its highest priority where it may.
Whatever that process starts afterwards inherits it; a browser's driver that waits by asking again
and again keeps a processor from the very thread it waits for, and two of them both: a run of all
tests never ended.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager


def schedule_of_this_thread() -> int:
    """Return the scheduling policy of the calling thread, 0 where a system has none."""
    return os.sched_getscheduler(0) if hasattr(os, "sched_getscheduler") else 0


@contextmanager
def kept_schedule() -> Iterator[None]:
    """Give the calling thread its policy and priority back when the block ends."""
    if not hasattr(os, "sched_getscheduler"):
        yield
        return
    policy, priority = os.sched_getscheduler(0), os.sched_getparam(0)
    try:
        yield
    finally:
        if os.sched_getscheduler(0) != policy:
            os.sched_setscheduler(0, policy, priority)
