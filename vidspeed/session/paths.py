"""Files that a session names: inside its folder, there, and with their SHA-256."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path, PurePosixPath, PureWindowsPath

from vidspeed.errors import SessionError
from vidspeed.session.check import Refused, shown
from vidspeed.values import InputFile

MOST_BYTES = 64 << 20  # of a file that is read as a whole: no survey, lens or still is larger
OTHER = "it is not what belongs there: name another file"


def inside(folder: Path, text: str) -> str:
    """Return a path that the session names, relative to its folder, with forward slashes.

    Raises
    ------
    Refused
        Where the path is absolute or leads out of the session folder, by `..` or by a link.
    """
    if "\\" in text:
        raise Refused(f"{shown(text)} has a backslash; write paths with /")
    windows = PureWindowsPath(text)
    if PurePosixPath(text).is_absolute() or windows.drive or windows.root:
        raise Refused(f"{shown(text)} is not relative to the session folder; copy the file into it")
    path = PurePosixPath(text)
    try:
        whole = (folder / path).resolve()
        stays = whole.is_relative_to(folder.resolve())
    except (OSError, RuntimeError, ValueError):
        raise Refused(f"{shown(text)} cannot be followed to a file; copy the file here") from None
    if not stays:
        raise Refused(f"{shown(text)} leads out of the session folder; copy the file into it")
    return path.as_posix()


def read_whole(path: Path) -> bytes:
    """Return what a file holds that is read as a whole.

    Raises SessionError where it cannot be read, or is larger than any such file.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise SessionError(f"{path.name}: is larger than {MOST_BYTES >> 20} MB; {OTHER}")
        return path.read_bytes()
    except OSError as error:
        raise SessionError(f"{path.name}: cannot be read: {error.strerror}") from None


class Files:
    """Reads the files of one session once each and keeps their hashes."""

    def __init__(self, folder: Path, instead: Mapping[str, bytes] | None = None) -> None:
        self.folder = folder
        self._held: dict[str, bytes] = dict(instead or {})

    def holds(self, file: str) -> bool:
        """Tell whether what a file holds is known already."""
        return file in self._held

    def read(self, file: str) -> bytes:
        """Return what a file of the session holds; `file` comes from `inside`.

        Raises
        ------
        Refused
            Where there is no such file or it cannot be read.
        """
        if file not in self._held:
            path = self.folder / file
            try:
                if not path.is_file():
                    there = "is a folder" if path.is_dir() else "does not exist"
                    raise Refused(f"{shown(file)} {there}; name a file of the session folder")
                if path.stat().st_size > MOST_BYTES:
                    raise Refused(f"{shown(file)} is larger than {MOST_BYTES >> 20} MB; {OTHER}")
                self._held[file] = path.read_bytes()
            except (OSError, ValueError) as error:
                why = getattr(error, "strerror", None) or error
                raise Refused(f"{shown(file)} cannot be read: {why}") from None
        return self._held[file]

    def inputs(self) -> tuple[InputFile, ...]:
        """Return every file that was read, in that order, with its hash."""
        return tuple(
            InputFile(file=file, sha256=hashlib.sha256(data).hexdigest())
            for file, data in self._held.items()
        )
