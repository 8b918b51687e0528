"""Look into the boxes of an MP4 or MOV file for what FFmpeg does not pass on.

ISO/IEC 14496-12 names them: the edit list with its rates (8.6.6), when movie and tracks say they
were made (8.2.2, 8.4.2). Nothing here decodes. A
box that lies about its size ends the search; what was found until then is given.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import BinaryIO

from vidspeed.values import Value
from vidspeed.values.timed import Edit

LARGEST_INDEX = 1 << 26  # bytes of an index that is looked into: hours of video
LARGEST_META = 1 << 20
MOST_BOXES = 10_000
EPOCH = datetime(1904, 1, 1, tzinfo=UTC)  # ISO/IEC 14496-12, 8.2.2.3
CAPTURE = re.compile(rb'captureFps="\s*([0-9.]+)\s*[a-z]*"')  # from memory, of camcorders' XML

Boxes = Iterator[tuple[bytes, bytes]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MovieBoxes(Value):
    """What the boxes say of the film's first picture track; times are UTC, None where unsaid."""

    edits: tuple[Edit, ...] = ()
    fragmented: bool = False
    movie_made: datetime | None = None
    track_made: datetime | None = None
    capture_hz: float | None = None  # of a camcorder's XML
    media_s: float | None = None  # how long its frames last, and how long it is shown,
    shown_s: float | None = None  # waits included; None where the file leaves it open

    @property
    def pieced(self) -> bool:
        """Say whether the edit list does more than wait and begin: pieces, or another speed."""
        shown = [row for row in self.edits if row.media_s is not None]
        return len(shown) > 1 or any(row.rate != 1.0 for row in shown)

    @property
    def pieces(self) -> str:
        """Say what the edit list would show."""
        shown = [row for row in self.edits if row.media_s is not None]
        rates = sorted({row.rate for row in shown if row.rate != 1.0})
        played = f", played at {', '.join(f'{rate:g}' for rate in rates)} times the speed"
        return f"{len(shown)} {'piece' if len(shown) == 1 else 'pieces'}{played if rates else ''}"


def movie_boxes(path: Path) -> MovieBoxes | None:
    """Return what the boxes of a file say; None where it is no file of such boxes, or has no index.

    Raises
    ------
    OSError
        Where the file cannot be read.
    """
    found: dict[bytes, bytes] = {}
    with path.open("rb") as file:
        for kind, size in _top_level(file):
            limit = {b"moov": LARGEST_INDEX, b"meta": LARGEST_META}.get(kind, 0)
            if 0 < size <= limit and kind not in found:
                found[kind] = file.read(size)
    if b"moov" not in found:
        return None
    return _of_movie(found[b"moov"], found.get(b"meta", b""))


def _top_level(file: BinaryIO) -> Iterator[tuple[bytes, int]]:
    """Yield kind and body size of each outer box, with the file at its body."""
    place = 0
    for _ in range(MOST_BOXES):
        file.seek(place)
        head = file.read(16)
        if len(head) < 8:
            return
        size, kind, used = struct.unpack(">I", head[:4])[0], head[4:8], 8
        if size == 1 and len(head) == 16:
            size, used = struct.unpack(">Q", head[8:])[0], 16
        if size == 0:
            size = LARGEST_INDEX  # to the end of the file
        if size < used or not kind.isascii() or place + size >= 1 << 62:
            return
        file.seek(place + used)
        yield kind, size - used
        place += size


def _inner(data: bytes) -> Boxes:
    """Yield kind and body of each box in a body."""
    place = 0
    while place + 8 <= len(data):
        size, kind = struct.unpack_from(">I4s", data, place)
        if size < 8 or place + size > len(data):
            return
        yield kind, data[place + 8 : place + size]
        place += size


def _at(data: bytes, *kinds: bytes) -> bytes | None:
    """Return the body of the first box along a way of kinds, None where there is none."""
    for kind in kinds:
        inside = next((body for name, body in _inner(data) if name == kind), None)
        if inside is None:
            return None
        data = inside
    return data


def _of_movie(moov: bytes, meta: bytes) -> MovieBoxes:
    """Read the index, and the XML that some cameras put beside it."""
    made, scale = _made_and_scale(_at(moov, b"mvhd"))
    tracks = [body for kind, body in _inner(moov) if kind == b"trak"]
    pictures = [body for body in tracks if _handler(body) == b"vide"]
    track = pictures[0] if pictures else b""
    track_made, media_scale = _made_and_scale(_at(track, b"mdia", b"mdhd"))
    said = CAPTURE.search(meta)
    return MovieBoxes(
        edits=_edits(_at(track, b"edts", b"elst"), scale, media_scale),
        fragmented=_at(moov, b"mvex") is not None,
        movie_made=made,
        track_made=track_made,
        capture_hz=_number(said[1]) if said else None,
        media_s=_lasts_s(_at(track, b"mdia", b"mdhd"), (16, 24), media_scale),
        shown_s=_lasts_s(_at(track, b"tkhd"), (20, 28), scale),
    )


def _number(text: bytes) -> float | None:
    """Return a number, None where the text is none."""
    try:
        return float(text)
    except ValueError:
        return None


def _handler(track: bytes) -> bytes:
    """Return the four letters that say what a track holds."""
    return (_at(track, b"mdia", b"hdlr") or b"")[8:12]


def _made_and_scale(header: bytes | None) -> tuple[datetime | None, int]:
    """Return the creation time and the ticks a second of a movie's or a medium's header."""
    if not header:
        return None, 0
    form, place = (">QQI", 4) if header[0] == 1 else (">III", 4)
    if len(header) < place + struct.calcsize(form):
        return None, 0
    made, _, scale = struct.unpack_from(form, header, place)
    return (EPOCH + timedelta(seconds=made) if 0 < made < 1 << 33 else None), scale


def _lasts_s(header: bytes | None, places: tuple[int, int], scale: int) -> float | None:
    """Return the duration that stands in a header at a place by its version."""
    if not header or not scale:
        return None
    form, place = (">Q", places[1]) if header[0] == 1 else (">I", places[0])
    if len(header) < place + struct.calcsize(form):
        return None
    ticks = int(struct.unpack_from(form, header, place)[0])
    unknown = (1 << 8 * struct.calcsize(form)) - 1
    return ticks / scale if 0 < ticks < unknown else None


def _edits(body: bytes | None, scale: int, media_scale: int) -> tuple[Edit, ...]:
    """Return the rows of an edit list."""
    if not body or len(body) < 8 or not scale or not media_scale:
        return ()
    form = ">Qqhh" if body[0] == 1 else ">Iihh"
    wide = struct.calcsize(form)
    count = min(struct.unpack_from(">I", body, 4)[0], (len(body) - 8) // wide, MOST_BOXES)
    rows = [struct.unpack_from(form, body, 8 + wide * k) for k in range(count)]
    return tuple(
        Edit(
            duration_s=duration / scale,
            media_s=media / media_scale if media >= 0 else None,
            rate=whole + (part & 0xFFFF) / 65536.0,
        )
        for duration, media, whole, part in rows
    )
