"""The bytes of a clip: their hash, and whether a disk gives them at all."""

from __future__ import annotations

import hashlib
from pathlib import Path

from vidspeed.errors import ClipError
from vidspeed.spread.progress import alive

PIECE = 1 << 22  # bytes of a file that are read at once


def refuse_unreadable(path: Path) -> None:
    """Tell a file that is damaged from one whose disk fails.

    Raises
    ------
    ClipError
        Where the bytes cannot be read: what was decoded so far is then no clip.
    """
    try:
        with path.open("rb") as file:
            while file.read(PIECE):
                alive()
    except OSError as fault:
        raise ClipError(
            f"{path.name}: could not be read to its end ({fault.strerror or fault}); look at the "
            "card, cable or drive it lies on, and copy it to a disk of this machine; then run again"
        ) from None


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(PIECE):
            digest.update(piece)
            alive()
    return digest.hexdigest()
