"""One writer at a time: a lock file in the session folder that dies with its process."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from vidspeed.errors import ResultsError
from vidspeed.record.swap import explain

LOCK = ".vidspeed-lock"
_FAR = 1 << 30  # the byte that Windows locks, beyond the text that others may read


@contextmanager
def locked(folder: Path, *, patience_s: float = 20.0) -> Iterator[None]:
    """Hold the session folder's lock; ResultsError where another process keeps it.

    The file holds the process number for the message, but what counts is the system's own lock
    on it, which ends with the process: a file left by a killed run locks nobody out.
    """
    path = folder / LOCK
    handle = _acquire(path, time.monotonic() + patience_s)
    try:
        with suppress(OSError):  # a full disk: the lock holds without its text
            os.ftruncate(handle, 0)
            os.write(handle, f"{os.getpid()}\n".encode("ascii"))
        yield
    finally:
        _release(handle, path)


def _acquire(path: Path, deadline: float) -> int:
    """Open and lock the file; try again until the deadline."""
    while True:
        handle = _open(path)
        if _try_lock(handle) and _is_same_file(handle, path):
            return handle
        os.close(handle)
        if time.monotonic() >= deadline:
            raise ResultsError(
                f"{path.parent}: another run is writing its results here "
                f"(process {_holder(path)}); wait for it to end, then run again"
            )
        time.sleep(0.1)


def _open(path: Path) -> int:
    """Open the lock file, made where it is not there."""
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o666)
    except OSError as fault:
        raise ResultsError(explain(fault, path.parent, {})) from fault


def _holder(path: Path) -> str:
    """Return the process number in the lock file, or `unknown`."""
    with suppress(OSError, ValueError):
        return str(int(path.read_text(encoding="ascii").strip()))
    return "unknown"


def _is_same_file(handle: int, path: Path) -> bool:
    """Tell whether the locked file is still the one of that name (its holder may remove it)."""
    try:
        return os.path.samestat(os.fstat(handle), path.stat())
    except OSError:
        return False


if sys.platform == "win32":
    import msvcrt

    def _try_lock(handle: int) -> bool:
        """Lock without waiting."""
        os.lseek(handle, _FAR, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            os.lseek(handle, 0, os.SEEK_SET)
        return True

    def _release(handle: int, path: Path) -> None:
        """Unlock, close, and remove the file unless somebody else has it open."""
        os.lseek(handle, _FAR, os.SEEK_SET)
        with suppress(OSError):
            msvcrt.locking(handle, msvcrt.LK_UNLCK, 1)
        os.close(handle)
        with suppress(OSError):
            path.unlink()

else:
    import errno
    import fcntl

    def _try_lock(handle: int) -> bool:
        """Lock without waiting; a file system without locks does not stop anybody."""
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as fault:
            return fault.errno in {errno.ENOLCK, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS}
        return True

    def _release(handle: int, path: Path) -> None:
        """Remove the file while it is still locked, then close it."""
        with suppress(OSError):
            path.unlink()
        os.close(handle)
