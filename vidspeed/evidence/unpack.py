"""Open a pack that a stranger made: every hash verified, nothing written but what was promised.

Bounded in everything: the number of files and their sizes before anything is written, memory by
reading in pieces, the disk by the pack's own size (nothing in it is compressed). Files are made
anew in a folder that was empty; nothing in them is run.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from vidspeed.errors import PackError
from vidspeed.evidence.form import Entry, chunks, read_entries, tail
from vidspeed.evidence.limits import MANIFEST, MOST_TEXT_BYTES, Limits
from vidspeed.evidence.manifest import ASK, Manifest, read_manifest
from vidspeed.session.check import shown
from vidspeed.spread.progress import Tell
from vidspeed.values import Value

MOST_TOLD = 12  # damaged files; the rest is counted
SPARE_BYTES = 256 << 20  # of the disk, that stay free


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Unpacked(Value):
    """A pack whose every hash was right."""

    manifest: Manifest
    sha256: str  # of the pack itself
    bytes: int


def unpack(
    pack: Path,
    into: Path | None,
    *,
    limits: Limits | None = None,
    progress: Tell | None = None,
) -> Unpacked:
    """Verify every hash of a pack, and write its files into an empty folder.

    Parameters
    ----------
    into
        An empty folder; None: only verify.

    Raises
    ------
    PackError
        Where it is no pack, a hash is wrong, or it holds what no pack may hold. The folder may
        then hold some of its files.
    """
    try:
        if not pack.is_file():
            there = "this is a folder" if pack.is_dir() else "there is no such file"
            raise PackError(f"{there}; give the ZIP that `vidspeed pack` wrote")
        with pack.open("rb") as stream:
            return _unpacked(stream, into, limits or Limits(), progress)
    except PackError as error:
        raise PackError(*(f"{pack.name}: {message}" for message in error.messages)) from None
    except OSError as fault:
        raise PackError(f"{pack.name}: cannot be unpacked ({fault.strerror or fault})") from fault


def _unpacked(
    stream: BinaryIO, into: Path | None, limits: Limits, progress: Tell | None
) -> Unpacked:
    entries = read_entries(stream, limits)
    manifest = _manifest(stream, entries)
    _refuse_others(entries, manifest)
    if into is not None:
        _refuse_full(entries, into)
    whole, wrong = hashlib.sha256(), []
    expected = [None, *(row.sha256 for row in manifest.files)]
    for done, (entry, sha256) in enumerate(zip(entries, expected, strict=True)):
        if progress is not None:
            progress("verifying", done, len(entries))
        own = _file(stream, entry, into, whole)
        if sha256 is not None and own != sha256:
            wrong.append(entry.file)
    if wrong:
        more = f"; and {len(wrong) - MOST_TOLD} more" if len(wrong) > MOST_TOLD else ""
        raise PackError(
            *(
                f"{shown(file)}: is not what the manifest says (its SHA-256 differs); {ASK}"
                for file in wrong[:MOST_TOLD]
            ),
            *([f"{len(wrong)} files differ{more}"] if more else []),
        )
    end = tail(entries)
    whole.update(end)
    return Unpacked(manifest=manifest, sha256=whole.hexdigest(), bytes=entries[-1].end + len(end))


def _manifest(stream: BinaryIO, entries: Sequence[Entry]) -> Manifest:
    """Return the manifest, which is the first file."""
    first = entries[0]
    if first.file != MANIFEST:
        raise PackError(f"its first file is {shown(first.file)}, {MANIFEST} is needed; {ASK}")
    if first.bytes > MOST_TEXT_BYTES:
        raise PackError(f"{MANIFEST} is larger than {MOST_TEXT_BYTES >> 20} MB; {ASK}")
    pieces = list(chunks(stream, first))
    return read_manifest(b"".join(pieces[1:]))


def _refuse_others(entries: Sequence[Entry], manifest: Manifest) -> None:
    """Raise where the files are not those of the manifest, one by one."""
    there = {entry.file: entry.bytes for entry in entries[1:]}
    promised = {row.file: row.bytes for row in manifest.files}
    for file in there.keys() - promised.keys():
        raise PackError(f"{shown(file)} is not in the manifest; {ASK}")
    for file in promised.keys() - there.keys():
        raise PackError(f"{shown(file)} is in the manifest, but not in the pack; {ASK}")
    for file, size in promised.items():
        if there[file] != size:
            raise PackError(
                f"{shown(file)} has {there[file]} bytes, the manifest says {size}; {ASK}"
            )
    if list(there) != list(promised):
        raise PackError(f"its files are not in the order of the manifest; {ASK}")


def _refuse_full(entries: Sequence[Entry], into: Path) -> None:
    """Raise where the disk has no room for it."""
    need, free = sum(entry.bytes for entry in entries), shutil.disk_usage(into).free
    if need + SPARE_BYTES > free:
        raise PackError(
            f"{need / 1e9:.1f} GB are needed in {into.parent}, {free / 1e9:.1f} GB are free; free "
            "space, or set TMPDIR to a folder on another disk"
        )


def _file(stream: BinaryIO, entry: Entry, into: Path | None, whole: Any) -> str:
    """Read one file, write it where that is asked for, and return its SHA-256."""
    digest = hashlib.sha256()
    pieces = chunks(stream, entry)
    head = next(pieces)
    whole.update(head)
    with _new(into, entry.file) as out:
        for piece in pieces:
            whole.update(piece)
            digest.update(piece)
            if out is not None:
                out.write(piece)
    return digest.hexdigest()


def _new(into: Path | None, file: str) -> Any:
    """Open a file that is not there yet; nothing is ever written over or through a link."""
    if into is None:
        return nullcontext()
    path = into.joinpath(*file.split("/"))
    if not path.parent.resolve().is_relative_to(into.resolve()):
        raise PackError(f"{shown(file)} leads out of its folder; {ASK}")
    path.parent.mkdir(parents=True, exist_ok=True)
    return path.open("xb")
