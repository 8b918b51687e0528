"""Nothing is decoded twice: what was seen in a clip is kept beside the session.

A file of `.vidspeed-kept/` is named after the clip's bytes and after everything that decides what
is found in them: the stated rate, the code that searches, the libraries that decode. Where in the
picture was searched stands inside: a survey or a flight line that changed a little looks at the
same part of the picture, and is solved again without decoding. A file that is damaged, or that
cannot be written, costs a decode and nothing else.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import lru_cache
from importlib import resources
from importlib.metadata import version
from pathlib import Path

from vidspeed.geometry.course import covers
from vidspeed.record.seenfile import value_bytes, value_from
from vidspeed.values import KeptScan, Scan, Strip

KEPT = ".vidspeed-kept"
MOST_A_CLIP = 4  # searches of one clip that are kept: the newest
SEARCHES = ("av", "numpy", "opencv-python", "scipy", "filterpy")


def scan_once(
    folder: Path | None,
    sha256: Callable[[], str],
    *,
    rate_hz: float | None,
    strip: Strip | None,
    search: Callable[[], Scan],
    fresh: bool = False,
) -> Scan:
    """Return what was seen in a clip: as it is kept, or found by `search` and then kept.

    Parameters
    ----------
    folder
        Where to keep it; None: nowhere.
    sha256
        Gives the hash of the clip's bytes, asked for only where something is kept.
    fresh
        Search whatever is kept.
    """
    if folder is None:
        return search()
    begin = f"{sha256()[:20]}-{_settings(rate_hz)}"
    home = folder / KEPT
    if not fresh:
        for kept in _kept(home, begin):
            if _serves(kept.strip, strip):
                return kept.scan
    found = search()
    _keep(home, begin, KeptScan(strip=strip, scan=found))
    return found


def _serves(kept: Strip | None, strip: Strip | None) -> bool:
    """Tell whether a search of `kept` does for one of `strip`."""
    if kept is None or strip is None:
        return kept is strip
    return covers(kept, strip)


def _kept(home: Path, begin: str) -> Iterator[KeptScan]:
    """Yield what is kept under a name, the newest first."""
    for path in _newest(home, begin):
        with suppress(OSError):
            found = value_from(path.read_bytes())
            if isinstance(found, KeptScan):
                yield found


def _newest(home: Path, begin: str) -> list[Path]:
    with suppress(OSError):
        return sorted(home.glob(f"{begin}-*.npz"), key=lambda row: -row.stat().st_mtime_ns)
    return []


def _keep(home: Path, begin: str, kept: KeptScan) -> None:
    """Write a file whole or not at all; older searches of the clip make room."""
    content = value_bytes(kept)
    path = home / f"{begin}-{hashlib.sha256(content).hexdigest()[:8]}.npz"
    half = path.with_suffix(f".{os.getpid()}.part")
    with suppress(OSError):
        home.mkdir(exist_ok=True)
        try:
            half.write_bytes(content)
            half.replace(path)
        finally:
            half.unlink(missing_ok=True)
        clip = begin.split("-", maxsplit=1)[0]
        for old in _newest(home, clip)[MOST_A_CLIP:]:
            old.unlink(missing_ok=True)


def _settings(rate_hz: float | None) -> str:
    """Return a hash of what decides, beside the place of the search, what is found."""
    told = f"{rate_hz!r} {_search_version()}"
    return hashlib.sha256(told.encode("utf-8")).hexdigest()[:16]


@lru_cache(maxsize=1)
def _search_version() -> str:
    """Return a hash of the code that searches and of the libraries that it stands on."""
    digest = hashlib.sha256()
    for room in ("clip", "values"):
        for entry in sorted(
            resources.files(f"vidspeed.{room}").iterdir(), key=lambda row: row.name
        ):
            if entry.name.endswith(".py"):
                digest.update(entry.read_bytes())
    digest.update(" ".join(version(name) for name in SEARCHES).encode("utf-8"))
    return digest.hexdigest()
