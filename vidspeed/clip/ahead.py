"""Let a thread make what another takes: a decoder goes on while its frames are worked through."""

from __future__ import annotations

import sys
import threading
from collections.abc import Generator
from contextvars import copy_context
from queue import Full, Queue
from typing import Any, TypeVar

Item = TypeVar("Item")

TURN_S = 0.0005  # after which a thread that asks for its turn has it: decoders wait for it
LOOKED_S = 0.1  # after which who waits to hand something over looks whether it is still wanted


class _End:
    """Comes after the last item, with what went wrong."""

    def __init__(self, error: BaseException | None) -> None:
        self.error = error


def ahead(items: Generator[Item], most: int) -> Generator[Item]:
    """Yield the items of a generator that runs in a thread of its own, up to `most` items ahead.

    What it raises is raised here. When this ends, by `close` too, the thread has ended.
    """
    if most < 1:
        yield from items
        return
    made: Queue[Item | _End] = Queue(most)
    unwanted = threading.Event()
    thread = threading.Thread(
        target=copy_context().run, args=(_make, items, made, unwanted), daemon=True
    )
    before = sys.getswitchinterval()
    sys.setswitchinterval(min(before, TURN_S))
    thread.start()
    try:
        while not isinstance(item := made.get(), _End):
            yield item
            del item  # a frame that is held is one that the decoder must do without
        if item.error is not None:
            raise item.error
    finally:
        sys.setswitchinterval(before)
        unwanted.set()
        thread.join()


def _make(items: Generator[Item], made: Queue[Any], unwanted: threading.Event) -> None:
    """Hand the items over one by one, then the end."""
    try:
        for item in items:
            if not _handed(item, made, unwanted):
                return
            del item
        _handed(_End(None), made, unwanted)
    except BaseException as error:
        _handed(_End(error), made, unwanted)
    finally:
        items.close()


def _handed(item: object, made: Queue[Any], unwanted: threading.Event) -> bool:
    """Wait until there is room for an item; say whether it is still wanted."""
    while not unwanted.is_set():
        try:
            made.put(item, timeout=LOOKED_S)
        except Full:
            continue
        return True
    return False
