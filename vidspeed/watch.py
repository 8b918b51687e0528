"""Measure each clip as it finishes copying into the session folder.

A clip counts as there when its size and its time of change have stood still for a moment and its
index can be read: until then it is half a file, and nobody looks into it. What was measured before
is not decoded again (`assembly/kept.py`), so that a pass is told seconds after its clip.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Event

from watchfiles import watch as changes

from vidspeed.assembly.gather import Keeping
from vidspeed.assembly.reading import read_session
from vidspeed.clip.whole import is_whole
from vidspeed.errors import ClipError, VidspeedError
from vidspeed.measure import run_session
from vidspeed.session.unnamed import camera_of, clips_in, is_clip
from vidspeed.spread.progress import Tell
from vidspeed.values import Clip, Outcome, Session, Value

SETTLED_S = 2.0  # a copy that pauses longer is looked at early, cannot be read, and waits on
TICK_MS = 250


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arrived(Value):
    """A clip that came: what the session gives with it, or why it could not be measured.

    `listed` tells whether session.toml names it.
    """

    clip: str
    listed: bool
    outcome: Outcome | None
    fault: str | None = None


def watch(
    folder: Path,
    *,
    pool: Executor,
    stop: Event | None = None,
    progress: Tell | None = None,
    settled_s: float = SETTLED_S,
) -> Iterator[Arrived]:
    """Yield each clip that is copied into a session folder, measured, until `stop` is set.

    A clip that session.toml does not name is taken for one of the camera after which its folder is
    called, as `clips/north/x.mp4` for the camera north.

    Raises SessionError at once where the session cannot be read.
    """
    folder = folder.resolve()
    read_session(folder)
    for path in complete(folder, stop=stop, settled_s=settled_s):
        name = path.relative_to(folder).as_posix()
        try:
            session, listed = _with(read_session(folder), folder, name)
            outcome = run_session(
                session,
                pool=pool,
                progress=progress,
                films=False,
                keeping=Keeping(folder=folder),
            )
        except VidspeedError as error:
            yield Arrived(clip=name, listed=False, outcome=None, fault=str(error))
        else:
            yield Arrived(clip=name, listed=listed, outcome=outcome)


def complete(
    folder: Path, *, stop: Event | None = None, settled_s: float = SETTLED_S
) -> Iterator[Path]:
    """Yield each clip in a folder, and in those below it, once it has finished arriving."""
    folder = folder.resolve()
    waiting: dict[Path, _Copy] = {}
    seen = {path: _stamp(path) for path in clips_in(folder)}
    begins = True
    for found in changes(
        folder,
        stop_event=stop,
        rust_timeout=TICK_MS,
        yield_on_timeout=True,
        raise_interrupt=True,
        watch_filter=lambda _, path: is_clip(folder, Path(path)),
    ):
        fresh = {Path(text) for _, text in found}
        if begins:  # what came while the watch was being set up
            fresh, begins = fresh | set(clips_in(folder)), False
        for path in fresh:
            waiting.setdefault(path, _Copy(stamp=None, since_s=time.monotonic()))
        for path, copy in list(waiting.items()):
            stamp = _stamp(path)
            if stamp is None or stamp == seen.get(path):
                del waiting[path]
            elif stamp != copy.stamp:
                waiting[path] = _Copy(stamp=stamp, since_s=time.monotonic())
            elif time.monotonic() - copy.since_s >= settled_s and is_whole(path):
                del waiting[path]
                seen[path] = stamp
                yield path


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Copy(Value):
    """A file on its way: its size and time of change, and since when they stand still."""

    stamp: tuple[int, int] | None
    since_s: float


def _stamp(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns


def _with(session: Session, folder: Path, name: str) -> tuple[Session, bool]:
    """Return the session with the clips that are there, and whether it names the new one."""
    there = [clip for clip in session.clips if clip.track or (folder / clip.name).is_file()]
    listed = any(clip.file == name for clip in there)
    if not listed:
        there.append(Clip(file=name, camera=_camera_of(session, name)))
    return replace(session, clips=tuple(there)), listed


def _camera_of(session: Session, name: str) -> str:
    camera = camera_of(session, name)
    if camera is None:
        names = [row.name for row in session.cameras]
        raise ClipError(
            f"{name}: session.toml does not name this clip, and its folder is not called after a "
            f"camera ({', '.join(names)}); add a [[clip]] for it, or copy it into a folder of its "
            "camera's name"
        )
    return camera
