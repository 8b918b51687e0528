"""Files that a person keeps, saved whole or not at all: what was there is never lost halfway."""

from __future__ import annotations

import os
import secrets
import shutil
from pathlib import Path

from vidspeed.errors import ResultsError

MEND = "mend that, or name another place"


def save(path: Path, data: bytes, *, name: str | None = None, mend: str = MEND) -> None:
    """Write a file through another one beside it, so that it is never seen, or left, half written.

    A link is followed, and what is no file (a pipe, a terminal) is written to as it is. `name` is
    what messages call it, left out, its path; `mend` is what they say to do.

    Raises
    ------
    ResultsError
        Where it cannot be written; what was there before is then as it was.
    """
    try:
        place = path.resolve()
        if place.exists() and not place.is_file():
            place.write_bytes(data)
        else:
            _replace(place, data)
    except (OSError, RuntimeError) as error:  # on some systems links in a circle are the latter
        why = getattr(error, "strerror", None) or error
        called = path if name is None else name
        raise ResultsError(f"{called}: cannot be written: {why}; {mend}") from None


def _replace(place: Path, data: bytes) -> None:
    """Put a file in the place of what is there, if anything is and may be written to."""
    part = place.with_name(f".{secrets.token_hex(8)}.part")
    try:
        with part.open("xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        if place.exists():
            place.open("r+b").close()  # one that is kept from writing stays
            shutil.copymode(place, part)
        part.replace(place)
    finally:
        part.unlink(missing_ok=True)
