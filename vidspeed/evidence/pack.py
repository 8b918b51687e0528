"""Pack a session into one file: what was measured, from what, with what, and all their hashes.

The same session gives the same bytes, on any machine. A pack is made only of results that belong
to their inputs: what has changed since the run is named, and nothing is written.
"""

from __future__ import annotations

import hashlib
import os
import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from vidspeed.assembly.reading import read_session
from vidspeed.errors import PackError, ResultsError
from vidspeed.evidence.form import CHUNK, Entry, local_header, tail
from vidspeed.evidence.limits import MANIFEST, Limits, clash, refusal
from vidspeed.evidence.manifest import Manifest, Mode, Row, made, manifest_bytes, strict_json
from vidspeed.evidence.sheet import write_sheet
from vidspeed.evidence.unpack import unpack
from vidspeed.record.contents import CONTENTS, REPLACED, REPORT, read_contents
from vidspeed.record.swap import explain
from vidspeed.session.check import Refused, shown
from vidspeed.session.elsewhere import with_clips
from vidspeed.session.paths import inside
from vidspeed.spread.progress import Tell
from vidspeed.values import Session, Value

RESULTS = "results"
SUMMARY = f"{RESULTS}/summary.json"
HASHES = f"{RESULTS}/{CONTENTS}"
AGAIN = "measure it again with `vidspeed run`, then pack"
UNLIMITED = Limits(bytes=1 << 62)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Packed(Value):
    """A pack that was written: its file, its hash, the sheet to sign, and what it lacks."""

    path: Path
    sheet: Path
    bytes: int
    sha256: str
    contents_sha256: str
    manifest: Manifest
    lacking: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found(Value):
    """A file as it lies on the disk now."""

    row: Row
    crc: int


def pack(
    folder: Path,
    *,
    out: Path | None = None,
    clips: Mode = "whole",
    clip_folder: Path | None = None,
    replace: bool = False,
    unit: str = "kmh",
    progress: Tell | None = None,
) -> Packed:
    """Write the evidence pack of a measured session, and beside it a sheet for witnesses.

    Parameters
    ----------
    folder
        The session folder, with `results/`.
    out
        The file to write; by default `NAME-pack.zip` beside the folder.
    clips
        `whole`: the clips are in it; `hash`: only their hashes are.
    clip_folder
        A folder in which clips are looked for before the session folder.
    replace
        Another pack of that name may be overwritten.
    unit
        In which the sheet states speeds.

    Raises
    ------
    PackError
        Where there are no results, they do not belong to the files as they are now, a name cannot
        be kept by every system, or the pack cannot be written. Nothing is then left behind.
    """
    target = _target(folder, out)
    listed = _listed(folder)
    summary = _loaded(folder)
    session = read_session(folder)
    places = {} if clip_folder is None else _elsewhere(session, clip_folder)
    own = {clip.file for clip in session.clips if clip.file is not None and clip.track is None}
    found = _hashed(folder, [*_wanted(folder, session, listed, own), *places], places, progress)
    _refuse_stale(session, listed, found, own, clips)
    away = {file for file in own if clips == "hash" or file not in found}
    manifest = made(
        clips,
        [item.row for file, item in found.items() if file not in away],
        [_absent(file, found, listed) for file in sorted(away & (listed.keys() | found.keys()))],
    )
    packed = _written(folder, target, manifest, found, places, replace, progress)
    return Packed(
        path=target,
        sheet=write_sheet(target, packed[0], packed[1], listed[HASHES], summary, unit=unit),
        bytes=packed[1],
        sha256=packed[0],
        contents_sha256=listed[HASHES],
        manifest=manifest,
        lacking=tuple(_lacking(summary, manifest)),
    )


def _elsewhere(session: Session, clip_folder: Path) -> dict[str, Path]:
    """Return where the clips lie that are not in the session folder, by their names there.

    Raises PackError where several files may be one of them.
    """
    clips = with_clips(session, clip_folder).clips
    faults = [f"{clip.name}: {clip.lost}" for clip in clips if clip.lost is not None]
    if faults:
        raise PackError(*faults)
    return {clip.name: Path(clip.path) for clip in clips if clip.path is not None}


def _target(folder: Path, out: Path | None) -> Path:
    """Return where the pack goes."""
    home = folder.resolve()
    target = home.parent / f"{home.name}-pack.zip" if out is None else out
    if target.suffix.lower() != ".zip":
        raise PackError(f"{target}: a pack is a ZIP file; give a name that ends in .zip")
    if not target.parent.is_dir():
        raise PackError(f"{target.parent}: no such folder; make it, or give another with --out")
    return target


def _listed(folder: Path) -> dict[str, str]:
    """Return the hash of every file that the results rest on and consist of, and the list's own.

    Raises PackError where there are no results, or none that list their hashes.
    """
    path = folder / RESULTS / CONTENTS
    if not (folder / SUMMARY).is_file():
        raise PackError(f"{folder}: there are no results in it; measure it with `vidspeed run`")
    if not path.is_file():
        raise PackError(
            f"{path}: is missing, an earlier version of vidspeed wrote these results; {AGAIN}"
        )
    data = path.read_bytes()
    try:
        return {**read_contents(data), HASHES: hashlib.sha256(data).hexdigest()}
    except ResultsError as error:
        raise PackError(*error.messages) from None


def _loaded(folder: Path) -> dict[str, Any]:
    """Return the summary of the run."""
    loaded: dict[str, Any] = strict_json((folder / SUMMARY).read_bytes(), SUMMARY)
    return loaded


def _wanted(
    folder: Path, session: Session, listed: Iterable[str], own: Iterable[str]
) -> Iterator[str]:
    """Yield what belongs into a pack, and no other file of the folder."""
    tracks = {clip.track for clip in session.clips if clip.track is not None}
    there = {path for path in (*own, *tracks) if (folder / path).is_file()}
    given = {item.file for item in session.inputs}
    yield from sorted({*listed, *given, *there, f"{RESULTS}/{REPORT}"})
    for place in REPLACED:
        for path in sorted((folder / RESULTS / place).rglob("*")):
            if path.is_file() and not path.name.startswith("."):
                yield path.relative_to(folder).as_posix()


def _hashed(
    folder: Path, files: Iterable[str], places: Mapping[str, Path], progress: Tell | None
) -> dict[str, Found]:
    """Return every file that is there, with its size and hashes, by its path."""
    found: dict[str, Found] = {}
    names = list(dict.fromkeys(files))
    for done, file in enumerate(names):
        if progress is not None:
            progress("hashing", done, len(names))
        path = _inside(folder, file)
        path = places.get(file, path)
        if path.is_file():
            found[file] = _hash(path, file)
    return found


def _inside(folder: Path, file: str) -> Path:
    """Return a file of the session; PackError where it is none, or no pack may hold its name."""
    try:
        kept = inside(folder, file)
    except Refused as refusal_:
        raise PackError(f"{file}: {refusal_}") from None
    why = refusal(file) or ("is the name of the manifest" if file == MANIFEST else None)
    if why is not None or kept != file:
        raise PackError(
            f"{shown(file)} {why or f'is written otherwise: {kept}'}; not every system can keep "
            f"such a file: rename it, change session.toml, {AGAIN}"
        )
    return folder / file


def _hash(path: Path, file: str) -> Found:
    digest, crc, size = hashlib.sha256(), 0, 0
    try:
        with path.open("rb") as stream:
            while piece := stream.read(CHUNK):
                digest.update(piece)
                crc = zlib.crc32(piece, crc)
                size += len(piece)
    except OSError as fault:
        raise PackError(
            f"{file}: cannot be read ({fault.strerror}); mend that, then pack"
        ) from None
    return Found(row=Row(file=file, bytes=size, sha256=digest.hexdigest()), crc=crc)


def _refuse_stale(
    session: Session,
    listed: dict[str, str],
    found: dict[str, Found],
    own: set[str],
    mode: Mode,
) -> None:
    """Raise PackError where the results do not belong to the files as they are now."""
    faults = []
    for file, sha256 in listed.items():
        if file not in found:
            if not (mode == "hash" and file in own):
                hint = "; or pack with --clips hash" if file in own else ""
                faults.append(f"{file}: is no longer there; bring it back{hint}")
        elif found[file].row.sha256 != sha256:
            faults.append(f"{file}: has changed since the results were written; {AGAIN}")
    unread = [item.file for item in session.inputs if item.file not in listed]
    faults += [f"{file}: the results do not rest on it yet; {AGAIN}" for file in unread]
    if f"{RESULTS}/{REPORT}" not in found:
        faults.append(f"{RESULTS}/{REPORT}: is no longer there; {AGAIN}")
    twice = clash([MANIFEST, *found])
    if twice is not None:
        faults.append(f"{twice}; rename one, change session.toml, {AGAIN}")
    if faults:
        raise PackError(*faults)


def _absent(file: str, found: dict[str, Found], listed: dict[str, str]) -> Row:
    """Return the row of a clip that stays away."""
    return found[file].row if file in found else Row(file=file, bytes=None, sha256=listed[file])


def _lacking(summary: dict[str, Any], manifest: Manifest) -> Iterator[str]:
    """Say what a reader of the pack will miss."""
    for row in summary["problems"]:
        if row["level"] == "error":
            yield f"{row['where']}: {row['message']}"
    if manifest.absent:
        yield (
            f"{len(manifest.absent)} clips are in it by their hashes alone; keep them unchanged, "
            "`vidspeed recheck --clips FOLDER` finds them by these"
        )


def _written(
    folder: Path,
    target: Path,
    manifest: Manifest,
    found: dict[str, Found],
    places: Mapping[str, Path],
    replace: bool,
    progress: Tell | None,
) -> tuple[str, int]:
    """Write the pack beside its place, read it back, rename it; return its hash and size."""
    work = target.with_name(f".{target.name}-{os.getpid()}.part")
    try:
        with work.open("xb") as stream:
            _fill(stream, folder, manifest, found, places, progress)
            stream.flush()
            os.fsync(stream.fileno())
        read = unpack(work, None, limits=UNLIMITED)
        if target.exists() and not replace and _hash(target, target.name).row.sha256 != read.sha256:
            raise PackError(
                f"{target}: is there already and differs; witnesses may have signed it: give "
                "another name with --out, or say --replace"
            )
        work.replace(target)
        return read.sha256, read.bytes
    except OSError as fault:
        raise PackError(explain(fault, target.parent, {})) from fault
    finally:
        work.unlink(missing_ok=True)


def _fill(
    stream: BinaryIO,
    folder: Path,
    manifest: Manifest,
    found: dict[str, Found],
    places: Mapping[str, Path],
    progress: Tell | None,
) -> None:
    """Write the manifest, every file and the directory, in one pass."""
    first = manifest_bytes(manifest)
    entries = [Entry(file=MANIFEST, bytes=len(first), crc=zlib.crc32(first), at=0)]
    stream.write(local_header(entries[0]) + first)
    for done, row in enumerate(manifest.files):
        if progress is not None:
            progress("packing", done, len(manifest.files))
        assert row.bytes is not None
        entry = Entry(file=row.file, bytes=row.bytes, crc=found[row.file].crc, at=stream.tell())
        stream.write(local_header(entry))
        _copy(places.get(row.file, folder / row.file), row, stream)
        entries.append(entry)
    stream.write(tail(entries))


def _copy(path: Path, row: Row, stream: BinaryIO) -> None:
    """Copy a file; PackError where it is no longer what was hashed."""
    digest = hashlib.sha256()
    with path.open("rb") as source:
        while piece := source.read(CHUNK):
            digest.update(piece)
            stream.write(piece)
    if digest.hexdigest() != row.sha256:
        raise PackError(f"{row.file}: changed while it was packed; wait until nothing writes to it")
