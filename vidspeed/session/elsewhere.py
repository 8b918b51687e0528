"""Clips that lie on another disk: found below a folder by their path in the session, or name."""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path, PurePosixPath

from vidspeed.errors import SessionError
from vidspeed.session.check import shown
from vidspeed.values import Clip, Session

MOST_NAMED = 3


def with_clips(session: Session, folder: Path) -> Session:
    """Return the session with each clip's place below `folder`; its name stays as it is.

    A clip is looked for by its relative path, else by its file name in any folder below, else in
    the session folder as ever. One that several files may be says so in its `lost`, and is a
    problem of its own.

    Raises
    ------
    SessionError
        Where there is no such folder.
    """
    if not folder.is_dir():
        raise SessionError(f"{folder}: no such folder; name the one that holds the clips")
    named = _by_name(folder)
    clips = tuple(
        clip if clip.file is None or clip.track else _found(clip, clip.file, session, folder, named)
        for clip in session.clips
    )
    return replace(session, clips=clips)


def _found(
    clip: Clip, file: str, session: Session, folder: Path, named: Mapping[str, Sequence[Path]]
) -> Clip:
    """Return a clip with its place, or with why it has none."""
    there = folder / file
    if there.is_file():
        return replace(clip, path=str(there.absolute()))
    alike = named.get(_plain(PurePosixPath(file).name), [])
    if len(alike) == 1:
        return replace(clip, path=str(alike[0].absolute()))
    if alike:
        some = ", ".join(shown(str(path.relative_to(folder))) for path in alike[:MOST_NAMED])
        more = ", ..." if len(alike) > MOST_NAMED else ""
        lost = (
            f"{len(alike)} files of that name are in {folder} ({some}{more}), and which is meant "
            f"is not sure; put the right one at {there}"
        )
        return replace(clip, lost=lost)
    if (Path(session.folder) / file).is_file():
        return clip
    lost = f"there is no such file in the session folder, and none of that name in {folder}"
    return replace(clip, lost=f"{lost}; copy the clip there, or check `file` of the clip")


def _by_name(folder: Path) -> dict[str, list[Path]]:
    """Return the files below a folder by their plain names; links to folders are not followed."""
    named: dict[str, list[Path]] = {}
    for path in _files(folder):
        named.setdefault(_plain(path.name), []).append(path)
    return named


def _files(folder: Path) -> Iterator[Path]:
    for home, folders, names in os.walk(folder):
        folders.sort()
        yield from (Path(home, name) for name in sorted(names) if not name.startswith("."))


def _plain(name: str) -> str:
    """Return a name as all systems find it: some change capitals, some how accents are put."""
    return unicodedata.normalize("NFC", name).casefold()
