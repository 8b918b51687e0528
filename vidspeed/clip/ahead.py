"""Let a thread make what another takes: a decoder goes on while its frames are worked through."""

from __future__ import annotations

import threading
from collections.abc import Generator
from contextvars import copy_context
from queue import SimpleQueue
from typing import Any, TypeVar

Item = TypeVar("Item")


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
    made: SimpleQueue[Item | _End] = SimpleQueue()
    room: SimpleQueue[None] = SimpleQueue()  # one for each item that may be made
    for _ in range(most):
        room.put(None)
    unwanted = threading.Event()
    thread = threading.Thread(
        target=copy_context().run, args=(_make, items, made, room, unwanted), daemon=True
    )
    thread.start()
    try:
        while not isinstance(item := made.get(), _End):
            room.put(None)
            yield item
            del item  # a frame that is held is one that the decoder must do without
        if item.error is not None:
            raise item.error
    finally:
        unwanted.set()
        room.put(None)
        thread.join()


def _make(
    items: Generator[Any],
    made: SimpleQueue[Any],
    room: SimpleQueue[None],
    unwanted: threading.Event,
) -> None:
    """Hand the items over one by one as there is room, then the end."""
    try:
        for item in items:
            room.get()
            if unwanted.is_set():
                return
            made.put(item)
            del item
        made.put(_End(None))
    except BaseException as error:
        made.put(_End(error))
    finally:
        items.close()
