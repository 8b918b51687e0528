"""Files of a run that are made and not yet written: beyond the first megabytes on the disk."""

from __future__ import annotations

import threading
import weakref
from collections.abc import Iterable, Iterator, Mapping
from tempfile import SpooledTemporaryFile, gettempdir

from vidspeed.errors import ResultsError

MOST_HELD = 2 << 20  # bytes; a run of four passes stays below it, and going beyond takes a copy


class Spool(Mapping[str, bytes]):
    """Contents of files by their path, in the order in which they came; several threads may put.

    What it takes on the disk has no name there, and goes when nobody holds it or its process ends.
    """

    def __init__(self) -> None:
        self._file = SpooledTemporaryFile(max_size=MOST_HELD)  # noqa: SIM115
        weakref.finalize(self, self._file.close)
        self._places: dict[str, tuple[int, int]] = {}
        self._end = 0
        self._turn = threading.Lock()

    def put(self, path: str, content: bytes | Iterable[bytes]) -> None:
        """Take what a file is to hold, whole or part after part.

        Raises
        ------
        ResultsError
            Where the disk of temporary files has no room for it.
        """
        with self._turn:
            self._file.seek(self._end)
            try:
                for part in (content,) if isinstance(content, bytes) else content:
                    self._file.write(part)
            except OSError as fault:
                raise ResultsError(
                    f"{gettempdir()}: the folder for temporary files cannot hold the pictures of "
                    f"this run ({fault.strerror or fault}); earlier results are as they were; make "
                    "room on its disk, or name another folder in TMPDIR, and run again"
                ) from None
            begin, self._end = self._end, self._file.tell()
            self._places[path] = (begin, self._end - begin)

    def __getitem__(self, path: str) -> bytes:
        with self._turn:
            begin, length = self._places[path]
            self._file.seek(begin)
            return self._file.read(length)

    def __contains__(self, path: object) -> bool:
        return path in self._places

    def __iter__(self) -> Iterator[str]:
        return iter(self._places)

    def __len__(self) -> int:
        return len(self._places)
