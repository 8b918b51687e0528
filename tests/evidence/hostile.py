"""Packs that somebody means harm with, each with the words that refuse it."""

from __future__ import annotations

import io
import json
import stat
import struct
import zipfile
from collections.abc import Callable, Iterator

from vidspeed.evidence.form import FIXED, Entry, central_record, tail
from vidspeed.evidence.manifest import Row, manifest_bytes, read_manifest

from .packed import sha256, with_manifest, zipped

Pack = Callable[[dict[str, bytes]], bytes]
NAMES = (
    ("/etc/passwd", "is an absolute path"),
    ("../outside.txt", 'leads out of its folder by ".."'),
    ("a/../../outside.txt", 'leads out of its folder by ".."'),
    ("..", 'leads out of its folder by ".."'),
    ("..\\outside.txt", "has a backslash"),
    ("\\\\server\\share\\x", "has a backslash"),
    ("C:/outside.txt", "begins with the letter of a drive"),
    ("c:outside.txt", "begins with the letter of a drive"),
    ("//server/share/x", "is an absolute path"),
    ("results/", "is a folder"),
    ("results//x", "is no name of its own"),
    ("./x", "is no name of its own"),
    ("results/NUL", "keeps for a device"),
    ("com1.txt", "keeps for a device"),
    ("lpt².csv", "keeps for a device"),
    ("a:stream", "begins with the letter of a drive"),
    ("notes.txt:stream", "has ':' in it"),
    ("x.", "ends with a dot"),
    ("x ", "ends with a space"),
    (" x", "begins or ends with a space"),
    ("a\0b", "has '\\x00' in it"),
    ("a\nb", "has '\\n' in it"),
    ("a\u202egpj.exe", "has '\\u202e' in it"),
    ("x" * 256, "is longer than 255 bytes"),
    ("/".join("a" * 17), "more than 16 folders deep"),
    ("/".join(["b" * 250] * 5), "is longer than 1000 bytes"),
)
CLASHES = (
    (("notes.txt", "notes.txt"), "is there twice"),
    (("notes.txt", "NOTES.txt"), "are one file"),
    (("caf\u00e9.txt", "cafe\u0301.txt"), "are one file"),
    (("stra\u00dfe", "strasse"), "are one file"),
    (("\ufb01le", "file"), "are one file"),
    (("more", "more/notes.txt"), "is a file and a folder at once"),
    (("More/a", "more"), "is a file and a folder at once"),
    (("Manifest.json",), "are one file"),
)


def named(name: str) -> Pack:
    return lambda held: with_files(held, (name,))


def with_files(held: dict[str, bytes], names: tuple[str, ...]) -> bytes:
    """Return a pack with more files, whose manifest names all of them."""
    first = json.loads(files_first(with_manifest(held)))
    extra = [{"file": name, "bytes": 1, "sha256": sha256(b"x")} for name in names]
    first["files"] += extra
    data = json.dumps(first, ensure_ascii=False, indent=1).encode() + b"\n"
    return zipped([("manifest.json", data), *sorted(held.items()), *((n, b"x") for n in names)])


def files_first(pack: bytes) -> bytes:
    with zipfile.ZipFile(io.BytesIO(pack)) as archive:
        return archive.read("manifest.json")


def entries_of(files: list[tuple[str, bytes]]) -> tuple[bytes, list[Entry]]:
    data = zipped(files)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        infos = archive.infolist()
        entries = [
            Entry(file=info.filename, bytes=info.file_size, crc=info.CRC, at=info.header_offset)
            for info in infos
        ]
        return data[: archive.start_dir], entries


def patched(held: dict[str, bytes], at: int, value: bytes, *, both: int | None = None) -> bytes:
    """Return a pack with bytes of the last directory record changed, and of its local header."""
    data = bytearray(with_manifest(held))
    name = sorted(held)[-1].encode()
    record = data.rindex(b"PK\x01\x02")
    assert data[record + FIXED.size :].startswith(name)
    data[record + at : record + at + len(value)] = value
    if both is not None:
        local = data.rindex(b"PK\x03\x04")
        data[local + both : local + both + len(value)] = value
    return bytes(data)


def link(held: dict[str, bytes]) -> bytes:
    return patched(held, 38, struct.pack("<L", (stat.S_IFLNK | 0o777) << 16))


def device(held: dict[str, bytes]) -> bytes:
    return patched(held, 38, struct.pack("<L", (stat.S_IFIFO | 0o644) << 16))


def encrypted(held: dict[str, bytes]) -> bytes:
    return patched(held, 8, b"\x01\x00", both=6)


def compressed(held: dict[str, bytes]) -> bytes:
    """Return a bomb: 50 million zeros in some 50 kB, promised by the manifest."""
    bomb = bytes(50_000_000)
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        rows = [Row(file="bomb.bin", bytes=len(bomb), sha256=sha256(bomb))]
        archive.writestr("manifest.json", json.dumps({"files": [row.file for row in rows]}))
        archive.writestr("bomb.bin", bomb)
    return stream.getvalue()


def claims_more(held: dict[str, bytes]) -> bytes:
    """Return a pack whose last file claims another 4 GB than it has."""
    return patched(held, 20, struct.pack("<LL", 4_000_000_000, 4_000_000_000), both=18)


def claims_less(held: dict[str, bytes]) -> bytes:
    return patched(held, 20, struct.pack("<LL", 1, 1), both=18)


def two_sizes(held: dict[str, bytes]) -> bytes:
    return patched(held, 24, struct.pack("<L", 7))


def overlapping(held: dict[str, bytes]) -> bytes:
    """Return many records of one and the same file: small on the disk, large unpacked."""
    body, entries = entries_of([("manifest.json", b"{}"), ("kernel.bin", bytes(100_000))])
    more = [
        Entry(file=f"copy-{n}.bin", bytes=100_000, crc=entries[1].crc, at=entries[1].at)
        for n in range(500)
    ]
    rows = [*entries, *more]
    directory = b"".join(central_record(entry) for entry in rows)
    end = struct.pack(
        "<4sHHHHLLH", b"PK\5\6", 0, 0, len(rows), len(rows), len(directory), len(body), 0
    )
    return body + directory + end


def hidden(held: dict[str, bytes]) -> bytes:
    """Return a pack with bytes between two files that belong to neither."""
    data, entries = entries_of([("manifest.json", b"{}"), ("b", b"b")])
    moved = Entry(file="b", bytes=1, crc=entries[1].crc, at=entries[1].at + 9)
    data = data[: entries[1].at] + b"a program" + data[entries[1].at :]
    return data + tail([entries[0], moved])


def header_contradicts(held: dict[str, bytes]) -> bytes:
    data = bytearray(with_manifest(held))
    at = data.rindex(b"PK\x03\x04") + 30
    data[at : at + 7] = b"notes.t"
    return bytes(data)


def before(held: dict[str, bytes]) -> bytes:
    return b"#!/bin/sh\n" + with_manifest(held)


def behind(held: dict[str, bytes]) -> bytes:
    return with_manifest(held) + b"more"


def comment(held: dict[str, bytes]) -> bytes:
    return with_manifest(held)[:-2] + b"\x04\x00more"


def end_in_comment(held: dict[str, bytes]) -> bytes:
    """Return a pack with another ZIP in its comment, which other readers would open instead."""
    other = zipped([("manifest.json", b"{}")])
    return with_manifest(held)[:-2] + struct.pack("<H", len(other)) + other


def wide_end(held: dict[str, bytes]) -> bytes:
    """Return a pack with a second end, for large files, that says otherwise."""
    data = with_manifest(held)
    count, size, at = struct.unpack("<HLL", data[-12:-2])
    end64 = struct.pack("<4sQBBHLLQQQQ", b"PK\6\6", 44, 45, 3, 45, 0, 0, count, count, size, at)
    locator = struct.pack("<4sLQL", b"PK\6\7", 0, at + size, 1)
    return data[:-22] + end64 + locator + data[-22:-14] + b"\xff\xff\xff\xff" + data[-10:]


def wide_sizes(held: dict[str, bytes]) -> bytes:
    """Return a pack whose last file states its size in the way of large files, without need."""
    data = with_manifest(held)
    body, entries = entries_of([("manifest.json", files_first(data)), *sorted(held.items())])
    last = entries[-1]
    record = bytearray(central_record(last))
    record[20:28] = b"\xff" * 8
    record[30:32] = struct.pack("<H", 20)
    extra = struct.pack("<HHQQ", 1, 16, last.bytes, last.bytes)
    directory = b"".join(central_record(entry) for entry in entries[:-1]) + bytes(record) + extra
    end = struct.pack(
        "<4sHHHHLLH", b"PK\5\6", 0, 0, len(entries), len(entries), len(directory), len(body), 0
    )
    return body + directory + end


def wide_lie(held: dict[str, bytes]) -> bytes:
    """Return a pack that claims exabytes in the way of large files."""
    data = with_manifest(held)
    end64 = struct.pack("<4sQBBHLLQQQQ", b"PK\6\6", 44, 45, 3, 45, 0, 0, 2**63, 2**63, 2**63, 2**63)
    locator = struct.pack("<4sLQL", b"PK\6\7", 0, len(data) - 22, 1)
    end = struct.pack("<4sHHHHLLH", b"PK\5\6", 0, 0, 0xFFFF, 0xFFFF, 2**32 - 1, 2**32 - 1, 0)
    return data[:-22] + end64 + locator + end


def count_lie(held: dict[str, bytes]) -> bytes:
    data = with_manifest(held)
    return data[:-14] + b"\x02\x00\x02\x00" + data[-10:]


def many(held: dict[str, bytes]) -> bytes:
    """Return a pack of 100 000 empty files."""
    return zipped([("manifest.json", b"{}"), *((f"d/{n:06d}", b"") for n in range(100_000))])


def not_promised(held: dict[str, bytes]) -> bytes:
    first = files_first(with_manifest(held))
    return zipped([("manifest.json", first), *sorted({**held, "zz": b"x"}.items())])


def not_there(held: dict[str, bytes]) -> bytes:
    first = files_first(with_manifest(held))
    return zipped([("manifest.json", first), *sorted(held.items())[:-1]])


def wrong_size(held: dict[str, bytes]) -> bytes:
    first = files_first(with_manifest(held))
    return zipped([("manifest.json", first), *sorted({**held, "markers.csv": b"x"}.items())])


def wrong_order(held: dict[str, bytes]) -> bytes:
    first = files_first(with_manifest(held))
    return zipped([("manifest.json", first), *sorted(held.items(), reverse=True)])


def no_manifest(held: dict[str, bytes]) -> bytes:
    return zipped(sorted(held.items()))


def manifest_of(change: Callable[[dict], object]) -> Pack:
    """Return a pack whose manifest was changed."""

    def made(held: dict[str, bytes]) -> bytes:
        value = json.loads(files_first(with_manifest(held)))
        change(value)
        data = json.dumps(value, ensure_ascii=False, indent=1).encode() + b"\n"
        return zipped([("manifest.json", data), *sorted(held.items())])

    return made


def manifest_as(data: bytes) -> Pack:
    return lambda held: zipped([("manifest.json", data), *sorted(held.items())])


def respelled(held: dict[str, bytes]) -> bytes:
    """Return a pack whose manifest says the same in other bytes, with a key said twice."""
    data = files_first(with_manifest(held))
    assert manifest_bytes(read_manifest(data)) == data
    other = data.replace(b'{\n "schema"', b'{\n "clips": "hash",\n "schema"')
    return zipped([("manifest.json", other), *sorted(held.items())])


def cases() -> Iterator[tuple[str, Pack, str]]:
    """Yield every hostile pack: what it is, how it is made, and words of its refusal."""
    for name, words in NAMES:
        yield f"name {name[:24]!a}", named(name), words
    for names, words in CLASHES:
        yield f"clash {names!a}", lambda held, names=names: with_files(held, names), words
    yield "a link", link, "is a link"
    yield "a device", device, "is no ordinary file"
    yield "encrypted", encrypted, "is encrypted"
    yield "a bomb", compressed, "is compressed"
    yield "a file that claims more", claims_more, "is not as `vidspeed pack` writes it"
    yield "a file that claims less", claims_less, "is not as `vidspeed pack` writes it"
    yield "two sizes", two_sizes, "bytes of which"
    yield "files on top of each other", overlapping, "overlaps the file before it"
    yield "bytes between files", hidden, "has hidden bytes before it"
    yield "a header of its own", header_contradicts, "its header contradicts the directory"
    yield "bytes before it", before, "this is no ZIP file"
    yield "bytes behind it", behind, "there are bytes behind its end"
    yield "a comment", comment, "there are bytes behind its end"
    yield "a ZIP in its comment", end_in_comment, ""
    yield "two ends", wide_end, "is not as `vidspeed pack` writes it"
    yield "wide sizes", wide_sizes, "is not as `vidspeed pack` writes it"
    yield "exabytes", wide_lie, "at most 10000 are taken"
    yield "too small a count", count_lie, "is not as `vidspeed pack` writes it"
    yield "100 000 files", many, "at most 10000 are taken"
    yield "a file that is not promised", not_promised, "is not in the manifest"
    yield "a file that is missing", not_there, "is in the manifest, but not in the pack"
    yield "a file of another size", wrong_size, "the manifest says"
    yield "another order", wrong_order, "not in the order of the manifest"
    yield "no manifest", no_manifest, "manifest.json is needed"
    yield "an empty manifest", manifest_as(b""), "cannot be read as JSON"
    yield "a deep manifest", manifest_as(b"[" * 200_000), "nested too deep"
    yield "no number", manifest_as(b'{"schema": NaN}'), "is no number of JSON"
    yield "not UTF-8", manifest_as(b"\xff\xfe{}"), "cannot be read as JSON"
    yield "a list", manifest_as(b"[]"), "schema is"
    yield "another schema", manifest_of(lambda v: v.update(schema="x")), "this version reads"
    yield "no files", manifest_of(lambda v: v.pop("files")), "a list of files is needed"
    yield "a size that is none", manifest_of(lambda v: v["files"][0].update(bytes=-1)), "a size"
    yield "no size", manifest_of(lambda v: v["files"][0].update(bytes=None)), "is not as"
    yield (
        "a hash that is none",
        manifest_of(lambda v: v["files"][0].update(sha256="0")),
        "64 digits",
    )
    yield "a key too many", manifest_of(lambda v: v["files"][0].update(run="x")), "nothing else"
    yield "a key on top", manifest_of(lambda v: v.update(run="x")), "is not as"
    yield (
        "an absent clip outside",
        manifest_of(lambda v: v["absent"].append({"file": "../x", "bytes": 1, "sha256": "0" * 64})),
        "leads out of its folder",
    )
    yield (
        "a wrong hash",
        manifest_of(lambda v: v["files"][2].update(sha256="0" * 64)),
        "its SHA-256 differs",
    )
    yield "said twice", respelled, "is not as `vidspeed pack` writes it"
