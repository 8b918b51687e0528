"""Packs that the desk makes: in a folder of the session, each under a name of its own."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import chain, count
from pathlib import Path

from vidspeed.errors import PackError
from vidspeed.evidence.manifest import Mode
from vidspeed.evidence.pack import Packed, pack
from vidspeed.record.swap import explain
from vidspeed.spread.progress import Tell

FOLDER = "packs"
CONTENTS = "results/contents.sha256"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A pack that lies in the session: `sheet` is the name of its sheet, None without one."""

    name: str
    bytes: int
    sha256: str
    sheet: str | None


def make(folder: Path, clips: Mode, progress: Tell | None = None) -> Packed:
    """Make a pack of the session in its own folder; the same pack again is not kept twice.

    Raises PackError where the results do not hold, or it cannot be written.
    """
    home = folder / FOLDER
    try:
        home.mkdir(exist_ok=True)
    except OSError as fault:
        raise PackError(explain(fault, home, {})) from None
    before = packs(folder)
    made = pack(folder, out=home / _free(folder), clips=clips, progress=progress)
    same = next((row for row in before if row.sha256 == made.sha256), None)
    if same is None:
        return made
    made.path.unlink()
    made.sheet.unlink()
    return replace(made, path=home / same.name, sheet=home / (same.sheet or made.sheet.name))


def _free(folder: Path) -> str:
    """Return a name that no pack has yet: witnesses may have signed those that are there."""
    stem = f"{folder.resolve().name}-pack"
    names = chain([stem], (f"{stem}-{number}" for number in count(2)))
    return next(f"{name}.zip" for name in names if not (folder / FOLDER / f"{name}.zip").exists())


def packs(folder: Path) -> list[Kept]:
    """Return the packs of a session by name, with their hashes."""
    return list(_packs(folder / FOLDER))


def _packs(home: Path) -> Iterator[Kept]:
    for path in sorted(home.glob("*.zip")) if home.is_dir() else ():
        if path.name.startswith(".") or not path.is_file():
            continue
        at = path.stat()
        sheet = path.with_name(f"{path.stem}-witness.html")
        yield Kept(
            name=path.name,
            bytes=at.st_size,
            sha256=_sha256(path, at.st_mtime_ns, at.st_size),
            sheet=sheet.name if sheet.is_file() else None,
        )


@lru_cache(maxsize=64)
def _sha256(path: Path, _when_ns: int, _size: int) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def contents_sha256(folder: Path) -> str | None:
    """Return the hash of the list that a signature beside it holds; None without results."""
    path = folder / CONTENTS
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else None
