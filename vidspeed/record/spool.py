"""Files of a run that are made and not yet written: beyond the first megabytes on the disk."""

from __future__ import annotations

import threading
import weakref
from collections.abc import Iterator, Mapping
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

    def put(self, path: str, content: bytes) -> None:
        """Take what a file is to hold.

        Raises
        ------
        ResultsError
            Where the disk of temporary files has no room for it.
        """
        with self._turn:
            self._file.seek(self._end)
            try:
                self._file.write(content)
            except OSError as fault:
                raise ResultsError(
                    f"{gettempdir()}: the folder for temporary files cannot hold the pictures of "
                    f"this run ({fault.strerror or fault}); earlier results are as they were; make "
                    "room on its disk, or name another folder in TMPDIR, and run again"
                ) from None
            self._places[path] = (self._end, len(content))
            self._end += len(content)

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
