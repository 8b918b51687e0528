"""Nothing is decoded twice: what was seen in a clip is kept beside the session.

A file of `.vidspeed-kept/` is named after the clip's bytes and after everything that decides what
is found in them: the stated rate and exposure, the code that searches, the libraries that decode.
Where in the picture was searched stands inside: a survey or a flight line that changed a little
looks at the same part of the picture, and is solved again without decoding. What a second look
found along the flight line (`faint_once`) is kept too, and holds for that very line in the picture.
A file that is damaged, or that cannot be written, costs a decode and nothing else.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import lru_cache
from importlib import resources
from importlib.metadata import version
from importlib.resources.abc import Traversable
from pathlib import Path
from secrets import token_hex
from typing import TypeVar

import numpy as np

from vidspeed.clip.read import file_sha256
from vidspeed.decisions import decided
from vidspeed.errors import ClipError
from vidspeed.geometry.course import covers
from vidspeed.record.seenfile import value_bytes, value_from
from vidspeed.values import ClipFacts, Corridor, KeptFaint, KeptScan, Scan, Strip, Track, Value

T = TypeVar("T", bound=Value)

KEPT = ".vidspeed-kept"
MOST_A_CLIP = 4  # searches of one clip that are kept: the newest
SEARCHES = ("av", "numpy", "opencv-python", "scipy", "filterpy")


def scan_once(
    folder: Path | None,
    path: Path,
    *,
    rate_hz: float | None,
    strip: Strip | None,
    exposure_s: tuple[float, float] | None = None,
    search: Callable[[], Scan],
    fresh: bool = False,
    clip: str = "the clip",
) -> Scan:
    """Return what was seen in a clip: as it is kept, or found by `search` and then kept.

    Its bytes are hashed before only where what is kept may be of use: a search hashes them as well.

    Parameters
    ----------
    folder
        Where to keep it; None: nowhere.
    fresh
        Search whatever is kept.
    clip
        What to call it.

    Raises
    ------
    ClipError
        Where its bytes are others at the end than they were before.
    """
    if folder is None:
        return search()
    settings = _settings(rate_hz, exposure_s)
    home, before, held, known = folder / KEPT, _written(path), 0, ""
    if not fresh and _newest(home, "*"):
        known = file_sha256(path)
        for kept in _kept(home, f"{known[:20]}-{settings}", KeptScan):
            held += 1
            if _serves(kept.strip, strip):
                what = f"what is kept of {clip} is used: it was searched in this place"
                decided(__name__, what, clip=clip, decoded=False)
                return kept.scan
    found = search()
    if known not in ("", found.facts.sha256) or _written(path) not in (None, before):
        raise ClipError(
            f"{clip}: changed while it was read; wait until nothing writes to it, then run again"
        )
    begin = f"{found.facts.sha256[:20]}-{settings}"
    why = "as --fresh asks" if fresh else _why_searched(home, begin, held)
    decided(__name__, f"{clip} was decoded: {why}", clip=clip, decoded=True, why=why)
    _keep(home, begin, KeptScan(strip=strip, scan=found))
    return found


def faint_once(
    folder: Path | None,
    path: Path,
    facts: ClipFacts,
    corridor: Corridor,
    *,
    rate_hz: float | None,
    look: Callable[[], tuple[Track, ...]],
    fresh: bool = False,
    clip: str = "the clip",
) -> tuple[Track, ...]:
    """Return what a second `look` along a corridor finds in the clip of a scan, or found before.

    Parameters
    ----------
    facts
        Of the scan: `path` may hold other bytes by now, and then nothing is kept.
    """
    if folder is None:
        return look()
    begin = f"{facts.sha256[:20]}.faint-{_settings(rate_hz)}"
    home = folder / KEPT
    for kept in () if fresh else _kept(home, begin, KeptFaint):
        if _same_way(kept.corridor, corridor):
            what = f"what is kept of a second look at {clip} is used: it was along this line"
            decided(__name__, what, clip=clip, decoded=False)
            return kept.tracks
    found = look()
    if file_sha256(path) == facts.sha256:
        _keep(home, begin, KeptFaint(corridor=corridor, tracks=found))
    return found


def _written(path: Path) -> tuple[int, int] | None:
    """Return the size of a file and when it was last written to; None where it is gone."""
    with suppress(OSError):
        state = path.stat()
        return state.st_size, state.st_mtime_ns
    return None


def _same_way(one: Corridor, other: Corridor) -> bool:
    """Tell whether two corridors are one, to the last bit."""
    same = all(
        np.array_equal(getattr(one, name), getattr(other, name))
        for name in ("x_m", "middle_px", "reach_px")
    )
    return same and one.speed_mps == other.speed_mps


def _why_searched(home: Path, begin: str, held: int) -> str:
    """Say why none of what is kept of a clip was of use."""
    if held:
        return f"{held} searches are kept of it, all elsewhere in the picture or for other speeds"
    if _newest(home, begin):
        return "what is kept of it is damaged"
    if _newest(home, begin.split("-", maxsplit=1)[0]):
        return "what is kept of it was found at another rate_hz or exposure_ms, or by other code"
    return "nothing is kept of these bytes"


def forget_halves(folder: Path) -> None:
    """Remove what a run that was killed had begun to write.

    Where another run is writing just now, it keeps one search less, and decodes that clip again.
    """
    with suppress(OSError):
        for half in (folder / KEPT).glob("*.part"):
            half.unlink(missing_ok=True)


def _serves(kept: Strip | None, strip: Strip | None) -> bool:
    """Tell whether a search of `kept` does for one of `strip`."""
    if kept is None or strip is None:
        return kept is strip
    return covers(kept, strip)


def _kept(home: Path, begin: str, kind: type[T]) -> Iterator[T]:
    """Yield what is kept of a kind, under a name and whole, in the order of the names.

    No clock has a say in which of several that would do is taken: it may have been set back.
    """
    for path in sorted(_newest(home, begin)):
        with suppress(OSError):
            found = value_from(path.read_bytes())
            if isinstance(found, kind):
                yield found


def _newest(home: Path, begin: str) -> list[Path]:
    with suppress(OSError):
        return sorted(home.glob(f"{begin}-*.npz"), key=lambda row: -row.stat().st_mtime_ns)
    return []


def _keep(home: Path, begin: str, kept: Value) -> None:
    """Write a file whole or not at all; older searches of the clip make room."""
    content = value_bytes(kept)
    path = home / f"{begin}-{hashlib.sha256(content).hexdigest()[:8]}.npz"
    half = path.with_suffix(f".{os.getpid()}-{token_hex(4)}.part")
    with suppress(OSError):
        home.mkdir(exist_ok=True)
        try:
            half.write_bytes(content)
            half.replace(path)
        finally:
            half.unlink(missing_ok=True)
        clip = begin.split("-", maxsplit=1)[0]
        others = [row for row in _newest(home, clip) if row != path]  # whatever its time says
        for old in others[MOST_A_CLIP - 1 :]:
            old.unlink(missing_ok=True)


def _settings(rate_hz: float | None, exposure_s: tuple[float, float] | None = None) -> str:
    """Return a hash of what decides, beside the place of the search, what is found."""
    told = f"{rate_hz!r} {exposure_s!r} {_search_version()}"
    return hashlib.sha256(told.encode("utf-8")).hexdigest()[:16]


def _modules(room: Traversable) -> Iterator[Traversable]:
    """Yield the modules of a room and of the rooms in it, always in the same order."""
    for entry in sorted(room.iterdir(), key=lambda row: row.name):
        if entry.is_dir():
            yield from _modules(entry)
        elif entry.name.endswith(".py"):
            yield entry


@lru_cache(maxsize=1)
def _search_version() -> str:
    """Return a hash of the code that searches and of the libraries that it stands on."""
    digest = hashlib.sha256()
    for room in ("clip", "values"):
        for entry in _modules(resources.files(f"vidspeed.{room}")):
            digest.update(entry.read_bytes())
    digest.update(" ".join(version(name) for name in SEARCHES).encode("utf-8"))
    return digest.hexdigest()
