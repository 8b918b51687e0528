"""Replace a folder whole or not at all, whatever happens on the way.

Everything is built in a work folder beside `results`, on the same disk. A complete build is
renamed to `ready`, the earlier folder is renamed away, and `ready` is renamed into its place.
A run that is killed leaves one of few states, and `heal` knows what to do with each:

- a `building` folder: half of something; removed.
- a `ready` folder, the target in its place: the swap had not begun; removed, earlier results stay.
- a `ready` folder, the target gone: killed between two renames; `ready` takes its place.
- an `earlier` folder, the target in its place: the swap was done; removed.
- an `earlier` folder, the target and `ready` gone: put back.
"""

from __future__ import annotations

import errno
import os
import shutil
import sys
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, suppress
from pathlib import Path

from vidspeed.errors import ResultsError

WORK = ".vidspeed-work"
OPEN, AT_ONCE = 64, 8  # files that are open, and that a disk is asked to write, at a time
PLACES = {
    "results": Path("results"),
    "calibration": Path("results", "calibration"),
    "survey": Path("results", "survey"),
    "plan": Path("results", "plan"),
}
ELSEWHERE = (
    "name a place that can be written with --out where the command has it, else copy the session "
    "to one"
)


def replace_folder(folder: Path, name: str, files: Mapping[str, bytes]) -> Path:
    """Put `files` (relative path with `/` -> bytes) in the place of the folder called `name`.

    `name` is a key of `PLACES`; `folder` is the session folder, and the caller holds its lock.
    Raises ResultsError, the earlier folder being untouched, where it cannot be done.
    """
    target = folder / PLACES[name]
    check_place(folder)
    heal(folder)
    try:
        ready = _build(folder / WORK, name, files)
        target.parent.mkdir(exist_ok=True)
        _swap(ready, target, folder / WORK / f"{name}-earlier")
    except OSError as fault:
        _discard_ready(folder, name)
        raise ResultsError(explain(fault, folder, files)) from fault
    except BaseException:
        _discard_ready(folder, name)
        raise
    finally:
        heal(folder)
    return target


def check_place(folder: Path) -> None:
    """Raise ResultsError where results could not be written into the session folder."""
    if not folder.is_dir():
        if folder.is_file():
            raise ResultsError(f"{folder}: is a file; give the folder that session.toml is in")
        raise ResultsError(f"{folder}: no such folder; name a session folder that exists")
    for place in PLACES.values():
        target = folder / place
        if _is_link(target):
            raise ResultsError(
                f"{target}: is a link, and results are only swapped inside the session folder; "
                "remove the link and run again"
            )
        if target.exists() and not target.is_dir():
            raise ResultsError(
                f"{target}: is a file, and a folder of that name is needed; "
                "rename or delete the file and run again"
            )
    _check_work(folder)


def _check_work(folder: Path) -> None:
    """Make the work folder, which shows that the session folder can be written in."""
    work = folder / WORK
    if _is_link(work) or (work.exists() and not work.is_dir()):
        raise ResultsError(f"{work}: is not a folder; delete it and run again")
    try:
        work.mkdir(exist_ok=True)
    except OSError as fault:
        raise ResultsError(explain(fault, folder, {})) from fault


def heal(folder: Path) -> None:
    """Clear away or complete what a killed run left in the work folder (see the module)."""
    work = folder / WORK
    if not work.is_dir() or _is_link(work):
        return
    try:
        for name, place in PLACES.items():
            _heal_one(work, name, folder / place)
        if not any(work.iterdir()):
            work.rmdir()
    except OSError as fault:
        raise ResultsError(explain(fault, folder, {})) from fault


def _heal_one(work: Path, name: str, target: Path) -> None:
    """Heal one swap: see the list at the top of the module.

    `earlier` is removed only where something stands in its place, or nothing could.
    """
    for state in ("ready", "earlier"):
        left = work / f"{name}-{state}"
        if left.is_dir() and not target.exists() and target.parent.is_dir():
            _rename(left, target)
    for state in ("building", "ready", "earlier"):
        shutil.rmtree(work / f"{name}-{state}", ignore_errors=True)


def _discard_ready(folder: Path, name: str) -> None:
    """Remove a build that could not be put in place, so that nothing takes it for complete."""
    shutil.rmtree(folder / WORK / f"{name}-ready", ignore_errors=True)


def _build(work: Path, name: str, files: Mapping[str, bytes]) -> Path:
    """Write all files into `building`, flushed to the disk; then call the folder `ready`."""
    building = work / f"{name}-building"
    building.mkdir(parents=True)
    paths = list(files)
    for first in range(0, len(paths), OPEN):
        _write(building, files, paths[first : first + OPEN])
    for place in (building, *(path for path in building.rglob("*") if path.is_dir())):
        _sync_folder(place)
    ready = work / f"{name}-ready"
    _rename(building, ready)
    _sync_folder(work)
    return ready


def _write(building: Path, files: Mapping[str, bytes], paths: Sequence[str]) -> None:
    """Write some files, and wait until they are on the disk.

    It is asked for several at once: of each it says so only when it has written it.
    """
    with ExitStack() as streams, ThreadPoolExecutor(AT_ONCE) as flushing:
        flushed = []
        for path in paths:
            file = building.joinpath(*path.split("/"))
            file.parent.mkdir(parents=True, exist_ok=True)
            stream = streams.enter_context(file.open("wb"))
            stream.write(files[path])
            stream.flush()
            flushed.append(flushing.submit(os.fsync, stream.fileno()))
        for done in flushed:
            done.result()


def _sync_folder(folder: Path) -> None:
    """See to it that the names in a folder outlive a power cut; not every system can be asked."""
    if sys.platform == "win32":
        return
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _swap(ready: Path, target: Path, earlier: Path) -> None:
    """Rename the target away and `ready` into its place; back again if the second step fails."""
    had_earlier = target.exists()
    try:
        if had_earlier:
            _rename(target, earlier)
        _rename(ready, target)
        _sync_folder(target.parent)
    except BaseException:
        if had_earlier and earlier.exists() and not target.exists():
            _rename(earlier, target)
        raise


def _rename(source: Path, target: Path) -> None:
    """Rename; on Windows try for a second, as virus scanners hold new files open for a moment."""
    tries = 10 if sys.platform == "win32" else 1
    for left in reversed(range(tries)):
        try:
            source.rename(target)
            return
        except PermissionError:
            if not left:
                raise
            time.sleep(0.1)


def _is_link(path: Path) -> bool:
    """Tell a symbolic link or a Windows junction."""
    return path.is_symlink() or bool(getattr(path, "is_junction", bool)())


def explain(fault: OSError, folder: Path, files: Mapping[str, bytes]) -> str:
    """Say in one line what kept the results from being written, and what mends it."""
    where = fault.filename or folder
    kept = "earlier results are as they were"
    if fault.errno in {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)}:
        need = sum(len(content) for content in files.values()) / 1e6
        needed = f" ({need:.1f} MB are needed)" if files else ""
        return f"{folder}: the disk is full{needed}; {kept}; free space and run again"
    if fault.errno == errno.EROFS:
        return f"{folder}: the disk can only be read; {kept}; {ELSEWHERE}"
    if isinstance(fault, PermissionError):
        return (
            f"{where}: may not be written or replaced ({fault.strerror}); {kept}; close programs "
            f"that show its files, see that you may write in {folder}, and run again; or "
            f"{ELSEWHERE}"
        )
    return (
        f"{where}: cannot be written ({fault.strerror or fault}); {kept}; mend that and run again"
    )
