"""Whether a file is as long as it says: a copy that is still going on is not.

MP4 and MOV are a row of boxes, AVI one of RIFF chunks; each begins with its size.
"""

from __future__ import annotations

import struct
from pathlib import Path

from vidspeed.clip.container import packets_of
from vidspeed.errors import ClipError

MOST_PARTS = 100_000


def is_whole(path: Path) -> bool:
    """Tell whether a clip is all there, as far as its container can say."""
    try:
        stated, there = stated_bytes(path), path.stat().st_size
        if stated is not None and stated > there:
            return False
        packets_of(path)
    except (ClipError, OSError):
        return False
    return True


def stated_bytes(path: Path) -> int | None:
    """Return how long a file says it is, None where it does not say.

    Raises OSError where it cannot be read.
    """
    with path.open("rb") as file:
        place = 0
        for number in range(MOST_PARTS):
            file.seek(place)
            head = file.read(16)
            if number == 0 and head[:4] != b"RIFF" and head[4:8] != b"ftyp":
                return None
            size = _part_bytes(head)
            if size is None:
                return None  # it lasts to the end of the file
            if size < 8:
                return place
            place += size
    return place


def _part_bytes(head: bytes) -> int | None:
    """Return how long the part that begins with `head` is: 0 for none, None for the rest."""
    if len(head) < 8:
        return 0
    if head[:4] == b"RIFF":
        size = int(struct.unpack("<I", head[4:8])[0])
        return 8 + size + size % 2
    if not head[4:8].isalnum():
        return 0
    size = int(struct.unpack(">I", head[:4])[0])
    if size == 1 and len(head) == 16:
        return int(struct.unpack(">Q", head[8:])[0])
    return size or None
