"""The clips of a session as the page lists them: from session.toml, results and dates of files."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vidspeed.clip.times import times
from vidspeed.desk.results import NAME, summary_of
from vidspeed.desk.sources import Changed, Source, keep, read_source
from vidspeed.desk.toml import entries, put, read
from vidspeed.errors import VidspeedError, WorkerError
from vidspeed.record.times import times_rows
from vidspeed.record.units import bare_speed_text, unit_named
from vidspeed.session.check import Refused
from vidspeed.session.paths import inside
from vidspeed.spread.executor import clip_words, executor
from vidspeed.values.timed import ClipTimes

TRIES = 8  # to add a clip while others change the file


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipRow:
    """A clip of the list. `kind` tells how it stands: ok, warn, fail, or "" for not measured."""

    number: int
    name: str
    camera: str
    size_bytes: int | None
    state: str
    kind: str
    passes: tuple[str, ...]


def clip_list(folder: Path) -> list[ClipRow]:
    """Return every clip of session.toml with its state; nothing is decoded or hashed.

    Raises SessionError where session.toml cannot be read.
    """
    listed = entries(read(read_source(folder).text), "clip")
    summary = summary_of(folder) or {}
    measured_ns = _changed_ns(folder / NAME)
    seen = {row.get("clip") for row in summary.get("clips", [])}
    problems = _problems(summary)
    passes = _passes(summary)
    return [
        _row(folder, number, item, seen, problems, passes, measured_ns)
        for number, item in enumerate(listed)
    ]


def _row(
    folder: Path,
    number: int,
    item: Mapping[str, Any],
    seen: set[str],
    problems: Mapping[str, list[str]],
    passes: Mapping[str, list[str]],
    measured_ns: int,
) -> ClipRow:
    name = str(item.get("file") or item.get("track") or number + 1)
    try:
        path = folder / inside(folder, name)
        stat = path.stat() if path.is_file() else None
    except (Refused, OSError):
        stat = None
    faults = problems.get(name, [])
    if stat is None:
        state, kind = "not there", "fail"
    elif name not in seen or stat.st_mtime_ns > measured_ns:
        state, kind = "not measured yet", ""
    elif faults:
        state, kind = faults[0], "fail"
    else:
        state, kind = "measured", "ok"
    return ClipRow(
        number=number,
        name=name,
        camera=str(item.get("camera", "–")),
        size_bytes=None if stat is None else stat.st_size,
        state=state,
        kind=kind,
        passes=tuple(passes.get(name, [])),
    )


def _problems(summary: Mapping[str, Any]) -> dict[str, list[str]]:
    """Return the errors of each clip."""
    found: dict[str, list[str]] = {}
    for row in summary.get("problems", []):
        if row.get("level") == "error":
            found.setdefault(str(row.get("where")), []).append(str(row.get("message")))
    return found


def _passes(summary: Mapping[str, Any]) -> dict[str, list[str]]:
    """Return what each clip's passes were measured to be."""
    kmh = unit_named("kmh")
    found: dict[str, list[str]] = {}
    for row in summary.get("passes", []):
        speed, wide = row.get("speed_mps"), row.get("speed_U95_mps")
        words = f"{row.get('pass')}: {row.get('status')}"
        if speed is not None and wide is not None:
            words = f"{row.get('pass')}: {bare_speed_text(speed, wide, kmh)} km/h"
        for clip in row.get("clips", []):
            found.setdefault(str(clip), []).append(words)
    return found


def _changed_ns(path: Path) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0


def add_clip(folder: Path, file: str, camera: str) -> Source:
    """Add a [[clip]] to session.toml as it stands at that moment.

    Raises SessionError where it cannot be changed.
    """
    for _ in range(TRIES - 1):
        try:
            return _added(folder, file, camera)
        except Changed:
            continue
    return _added(folder, file, camera)


def _added(folder: Path, file: str, camera: str) -> Source:
    source = read_source(folder)
    number = len(entries(read(source.text), "clip"))
    return keep(source, put(source.text, "clip", number, {"file": file, "camera": camera}))


class Accounts:
    """Time accounts of clips, each worked out once for the bytes that are there."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._held: dict[str, list[tuple[str, str]]] = {}

    def of(self, name: str) -> list[tuple[str, str]]:
        """Return item and value of each line, as `vidspeed times` prints them.

        The clip is decoded in a process of its own. Raises VidspeedError where that fails.
        """
        try:
            path = self.folder / inside(self.folder, name)
            stat = path.stat()
        except (Refused, OSError) as error:
            raise VidspeedError(f"{name}: cannot be read: {error}") from None
        key = f"{path} {stat.st_size} {stat.st_mtime_ns}"
        stamp = hashlib.sha256(key.encode("utf-8", "surrogateescape")).hexdigest()
        if stamp not in self._held:
            self._held[stamp] = times_rows(_times(path))
        return self._held[stamp]


def _times(path: Path) -> ClipTimes:
    with executor(1, ready=1, imports=times.__module__, apart=True) as pool:
        try:
            found: ClipTimes = pool.submit(times, path).result()
        except WorkerError as error:
            raise VidspeedError(f"{path.name}: {clip_words(error)}") from None
    return found
