"""Put aside what grows with a clip until its end: beyond the first megabyte on the disk."""

from __future__ import annotations

import pickle
import weakref
from collections.abc import Iterator
from tempfile import TemporaryFile
from typing import IO, Generic, TypeVar

T = TypeVar("T")

MOST_HELD = 1 << 20  # bytes


class Shelf(Generic[T]):
    """Values in the order in which they were put there; where the disk has no room, in memory.

    What it takes on the disk has no name there, and goes when nobody holds it or its process ends.
    """

    def __init__(self) -> None:
        self._file: IO[bytes] | None = None
        self._parts: list[tuple[int, int]] = []  # of the file: where each begins, how long it is
        self._held: list[T] = []
        self._bytes = 0  # of what is held
        self._no_room = False

    def put(self, value: T, size: int) -> None:
        """Put one more there, of so many bytes."""
        self._held.append(value)
        self._bytes += size
        if self._bytes > MOST_HELD and not self._no_room:
            self._no_room = not self._written(pickle.dumps(self._held, pickle.HIGHEST_PROTOCOL))
            if not self._no_room:
                self._held, self._bytes = [], 0

    def _written(self, content: bytes) -> bool:
        """Write a part to the file; tell whether all of it is there."""
        begin = sum(self._parts[-1]) if self._parts else 0
        try:
            if self._file is None:
                self._file = TemporaryFile(buffering=0)  # noqa: SIM115
                weakref.finalize(self, self._file.close)
            self._file.seek(begin)
            whole = self._file.write(content) == len(content)
        except OSError:
            return False
        if whole:
            self._parts.append((begin, len(content)))
        return whole

    def __iter__(self) -> Iterator[T]:
        for begin, length in self._parts:
            assert self._file is not None
            self._file.seek(begin)
            yield from pickle.loads(self._file.read(length))
        yield from self._held
