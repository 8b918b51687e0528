"""The one form of a pack: a ZIP whose every byte beside its files follows from names and sizes.

Files are stored, not compressed: clips would not shrink, nothing can swell, and the bytes depend
on no compressor. They lie one behind the other, then the directory, then the end; dates, rights
and versions are constants. So a pack can be rebuilt around its files and compared, and whatever
deviates (hidden bytes, overlaps, two sizes for one file) is refused without a rule for each.
Any program for ZIP files opens it (APPNOTE 6.3: 4.3.7 local headers, 4.3.12 directory,
4.3.14 to 4.3.16 its end, 4.5.3 sizes beyond 4 GiB).
"""

from __future__ import annotations

import stat
import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO

from vidspeed.errors import PackError
from vidspeed.evidence.limits import Limits, clash, refusal
from vidspeed.evidence.manifest import ASK
from vidspeed.session.check import shown
from vidspeed.values import Value

CHUNK = 1 << 20
LOCAL, CENTRAL, END = b"PK\x03\x04", b"PK\x01\x02", b"PK\x05\x06"
END64, LOCATOR64 = b"PK\x06\x06", b"PK\x06\x07"
BIG, MANY = 0xFFFFFFFF, 0xFFFF
PLAIN, LARGE = 20, 45  # version of the format that is needed
UNIX = 3
DAY = (1 << 5) | 1  # 1980-01-01, the first day that a ZIP can state
MODE = (stat.S_IFREG | 0o644) << 16
UTF8 = 0x800
ENCRYPTED = 0x1 | 0x40 | 0x2000
FIXED = struct.Struct("<4sBBHHHHHLLLHHHHHLL")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Entry(Value):
    """One file in a pack: its path, size, CRC-32, and where its header begins."""

    file: str
    bytes: int
    crc: int
    at: int

    @property
    def end(self) -> int:
        """Return where its last byte has been read."""
        return self.at + len(local_header(self)) + self.bytes


def _named(entry: Entry) -> tuple[bytes, int]:
    """Return the name as stored and its flag."""
    name = entry.file.encode("utf-8")
    return name, 0 if name.isascii() else UTF8


def local_header(entry: Entry) -> bytes:
    """Return what stands before the bytes of a file."""
    name, flag = _named(entry)
    large = entry.bytes >= BIG
    size, version = (BIG, LARGE) if large else (entry.bytes, PLAIN)
    extra = struct.pack("<HHQQ", 1, 16, entry.bytes, entry.bytes) if large else b""
    head = struct.pack(
        "<4sHHHHHLLLHH",
        LOCAL, version, flag, 0, 0, DAY, entry.crc, size, size, len(name), len(extra),
    )  # fmt: skip
    return head + name + extra


def central_record(entry: Entry) -> bytes:
    """Return what the directory says of a file."""
    name, flag = _named(entry)
    sizes = [entry.bytes] * 2 if entry.bytes >= BIG else []
    wide = [*sizes, *([entry.at] if entry.at >= BIG else [])]
    extra = struct.pack(f"<HH{len(wide)}Q", 1, 8 * len(wide), *wide) if wide else b""
    version, size, at = LARGE if wide else PLAIN, min(entry.bytes, BIG), min(entry.at, BIG)
    head = FIXED.pack(
        CENTRAL, version, UNIX, version, flag, 0, 0, DAY, entry.crc, size, size, len(name),
        len(extra), 0, 0, 0, MODE, at,
    )  # fmt: skip
    return head + name + extra


def tail(entries: Sequence[Entry]) -> bytes:
    """Return the directory and the end of a pack."""
    directory = b"".join(central_record(entry) for entry in entries)
    count, size, at = len(entries), len(directory), entries[-1].end
    more = b""
    if count >= MANY or at >= BIG or size >= BIG:
        more = struct.pack(
            "<4sQBBHLLQQQQ", END64, 44, LARGE, UNIX, LARGE, 0, 0, count, count, size, at
        ) + struct.pack("<4sLQL", LOCATOR64, 0, at + size, 1)
    many = min(count, MANY)
    end = struct.pack("<4sHHHHLLH", END, 0, 0, many, many, min(size, BIG), min(at, BIG), 0)
    return directory + more + end


def read_entries(stream: BinaryIO, limits: Limits) -> tuple[Entry, ...]:
    """Return the files of a pack that somebody else may have made, in their order.

    Nothing is taken on trust: the directory is rebuilt from what it says and must be the same to
    the byte. Raises PackError.
    """
    total = stream.seek(0, 2)
    count, size, at = _end(stream, total)
    if count > limits.files:
        raise PackError(f"it claims {count} files, at most {limits.files} are taken; {ASK}")
    if not count or size > count * (FIXED.size + 2048) or at + size > total:
        raise PackError(f"its directory does not fit into it: it is cut short or forged; {ASK}")
    stream.seek(at)
    raw = stream.read(size)
    entries = _directory(raw, count)
    if sum(entry.bytes for entry in entries) > limits.bytes:
        raise PackError(
            f"it holds more than {limits.bytes / 1e9:.1f} GB; if you trust where it comes from, "
            "allow more with --most-gb"
        )
    twice = clash(entry.file for entry in entries)
    if twice is not None:
        raise PackError(f"{twice}; {ASK}")
    _contiguous(entries)
    stream.seek(at)
    whole = tail(entries)
    if entries[-1].end != at or total - at != len(whole) or stream.read(len(whole) + 1) != whole:
        raise PackError(f"its directory is not as `vidspeed pack` writes it; {ASK}")
    return entries


def _end(stream: BinaryIO, total: int) -> tuple[int, int, int]:
    """Return the number of files, the size of the directory and where it begins."""
    stream.seek(0)
    if total < 22 or stream.read(4) != LOCAL:
        raise PackError("this is no ZIP file; give the file that `vidspeed pack` wrote")
    stream.seek(total - 22)
    last = stream.read(22)
    if last[:4] != END or last[20:] != b"\0\0":
        stream.seek(max(0, total - 22 - 0x10000))
        near = stream.read(22 + 0x10000)
        whole = 0 <= near.rfind(END) <= len(near) - 22
        what = "there are bytes behind its end" if whole else "it is cut short: its end is missing"
        raise PackError(f"{what}; copy it again, or {ASK}")
    count, size, at = struct.unpack("<HLL", last[10:20])
    if count == MANY or BIG in (size, at):
        stream.seek(max(0, total - 22 - 76))
        more = stream.read(76)
        if more[:4] != END64 or more[56:60] != LOCATOR64:
            raise PackError(f"its directory for large files is missing; {ASK}")
        count, size, at = struct.unpack("<QQQ", more[32:56])
    return int(count), int(size), int(at)


def _directory(raw: bytes, count: int) -> tuple[Entry, ...]:
    """Return what each record of the directory says."""
    entries, at = [], 0
    for _ in range(count):
        head = raw[at : at + FIXED.size]
        if len(head) < FIXED.size or head[:4] != CENTRAL:
            raise PackError(f"its directory is shorter than the number of its files; {ASK}")
        values = FIXED.unpack(head)
        name_bytes, extra_bytes, comment_bytes = values[11:14]
        start = at + FIXED.size
        name = raw[start : start + name_bytes]
        extra = raw[start + name_bytes : start + name_bytes + extra_bytes]
        at = start + name_bytes + extra_bytes + comment_bytes
        entries.append(_entry(values, name, extra))
    return tuple(entries)


def _entry(values: tuple[int, ...], raw_name: bytes, extra: bytes) -> Entry:
    """Return one record as an entry; PackError where no pack may hold such a file."""
    flag, method, crc, stored, size = values[4], values[5], values[8], values[9], values[10]
    try:
        name = raw_name.decode("utf-8")
    except UnicodeDecodeError:
        raise PackError(f"{raw_name[:40]!a}: its name is no UTF-8; {ASK}") from None
    why = _unfit(name, flag, method, values[16] >> 16)
    if why is not None:
        raise PackError(f"{shown(name)} {why}; {ASK}")
    wide = list(struct.unpack(f"<{max(0, len(extra) - 4) // 8}Q", extra[4:][: len(extra[4:]) & ~7]))
    if size == BIG and len(wide) >= 2:
        size, stored = wide.pop(0), wide.pop(0)
    at = wide.pop(0) if values[17] == BIG and wide else values[17]
    if size != stored:
        raise PackError(
            f"{shown(name)} has {size} bytes of which {stored} are stored; a pack holds its files "
            f"as they are; {ASK}"
        )
    return Entry(file=name, bytes=int(size), crc=int(crc), at=int(at))


def _unfit(name: str, flag: int, method: int, mode: int) -> str | None:
    """Say why a file may not be in a pack, by its name and how it is stored."""
    why = refusal(name)
    if why is not None:
        return why
    if flag & ENCRYPTED:
        return "is encrypted; nothing that is hidden can be evidence"
    if stat.S_ISLNK(mode):
        return "is a link; a pack holds files alone"
    if stat.S_IFMT(mode) not in (0, stat.S_IFREG):
        return "is no ordinary file"
    if method:
        return "is compressed; a pack holds its files as they are, so that nothing in it can swell"
    return None


def _contiguous(entries: Sequence[Entry]) -> None:
    """Refuse files that overlap, and bytes that belong to no file."""
    expected = 0
    for entry in entries:
        if entry.at != expected:
            what = "overlaps the file before it" if entry.at < expected else "has hidden bytes"
            where = "" if entry.at < expected else " before it"
            raise PackError(f"{shown(entry.file)} {what}{where}; {ASK}")
        expected = entry.end


def chunks(stream: BinaryIO, entry: Entry) -> Iterator[bytes]:
    """Yield the header of a file, then its bytes piece by piece.

    Raises PackError where the header is not the directory's, or the CRC-32 not that of the bytes.
    """
    stream.seek(entry.at)
    header = local_header(entry)
    if stream.read(len(header)) != header:
        raise PackError(f"{shown(entry.file)}: its header contradicts the directory; {ASK}")
    yield header
    left, crc = entry.bytes, 0
    while left:
        piece = stream.read(min(left, CHUNK))
        if not piece:
            raise PackError(f"{shown(entry.file)}: the pack ends within it; copy it again")
        left -= len(piece)
        crc = zlib.crc32(piece, crc)
        yield piece
    if crc != entry.crc:
        raise PackError(f"{shown(entry.file)}: it was damaged (its CRC-32 is wrong); copy it again")
