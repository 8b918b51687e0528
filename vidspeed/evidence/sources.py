"""From what a pack is measured again: its clips, clips found by their hash, or its tracks."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from vidspeed.errors import PackError
from vidspeed.evidence.form import CHUNK
from vidspeed.evidence.manifest import Row
from vidspeed.values import Session, Value

Kind = Literal["clip", "track", "given", "nothing"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Source(Value):
    """From what one clip of the session is measured again; `given`: a track that it states."""

    clip: str
    kind: Kind


def find_clips(folder: Path, rows: Sequence[Row]) -> dict[str, Path]:
    """Return where in a folder of one's own the clips lie that a pack states by hash alone.

    Raises PackError where there is no such folder.
    """
    if not folder.is_dir():
        raise PackError(f"{folder}: no such folder; --clips needs the one where the clips are")
    wanted = {row.sha256: row.file for row in rows}
    found: dict[str, Path] = {}
    for path in _files(folder):
        if len(found) == len(wanted):
            break
        with suppress(OSError):  # one that cannot be read is none of them
            if any(_may_be(path, row) for row in rows):
                file = wanted.get(_sha256(path))
                if file is not None:
                    found.setdefault(file, path)
    return found


def _files(folder: Path) -> Iterator[Path]:
    """Yield the files below a folder in a fixed order; links are not followed."""
    for home, folders, names in os.walk(folder):
        folders.sort()
        for name in sorted(names):
            path = Path(home, name)
            if path.is_file() and not path.is_symlink():
                yield path


def _may_be(path: Path, row: Row) -> bool:
    """Tell whether a file may be a clip, by its size or else by its kind."""
    if row.bytes is not None:
        return path.stat().st_size == row.bytes
    return path.suffix.lower() == Path(row.file).suffix.lower()


def _sha256(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while piece := stream.read(CHUNK):
            digest.update(piece)
    return digest.hexdigest()


def put_clips(home: Path, found: Mapping[str, Path]) -> None:
    """Let found clips stand where the session looks for them: as links, or else as copies."""
    for file, path in found.items():
        target = home.joinpath(*file.split("/"))
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            os.link(path, target)
        except OSError:
            try:
                target.symlink_to(path.resolve())
            except OSError:
                shutil.copyfile(path, target)


def with_sources(
    session: Session, summary: Mapping[str, Any], there: frozenset[str]
) -> tuple[Session, tuple[Source, ...], dict[str, float]]:
    """Return the session measured from what is there.

    Parameters
    ----------
    there
        The files of the session that are there.

    Returns
    -------
    session, sources, intervals_s
        A clip that is not there takes the track that its run left. The intervals of clips without
        either, by camera, are those of the run.
    """
    rows = {str(row.get("clip")): row for row in _rows(summary)}
    clips, sources = [], []
    intervals_s: dict[str, float] = {}
    for stated in session.clips:
        clip = stated
        row = rows.get(clip.name, {})
        track, interval_s = row.get("track"), row.get("interval_s")
        kind: Kind = "nothing"
        if clip.track is not None:
            kind = "given"
        elif clip.file in there:
            kind = "clip"
        elif isinstance(track, str) and track in there:
            kind, clip = "track", replace(clip, track=track)
            heard = row.get("heard")
            if isinstance(heard, str) and heard in there:
                clip = replace(clip, heard=heard)
        elif isinstance(interval_s, float) and interval_s > 0.0:
            before_s = intervals_s.get(clip.camera, interval_s)
            intervals_s[clip.camera] = min(before_s, interval_s)
        clips.append(clip)
        sources.append(Source(clip=clip.name, kind=kind))
    return replace(session, clips=tuple(clips)), tuple(sources), intervals_s


def _rows(summary: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Return what the run said of its clips."""
    rows = summary.get("clips")
    return [row for row in rows if isinstance(row, dict)] if isinstance(rows, list) else []
