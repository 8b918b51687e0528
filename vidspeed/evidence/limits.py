"""What a pack may ask of the machine that opens it, and which names may stand in it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from vidspeed.record.names import folded, objection
from vidspeed.session.check import shown
from vidspeed.values import Value

MANIFEST = "manifest.json"
MOST_NAME_BYTES = 1000  # of a whole path
MOST_DEEP = 16  # folders in each other
MOST_TEXT_BYTES = 64 << 20  # of a file that is read as a whole


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Limits(Value):
    """The most that a pack may hold, and that measuring it again may take."""

    files: int = 10_000
    bytes: int = 64 << 30
    memory_bytes: int = 4 << 30
    pixels: int = 36_000_000  # of one picture


def refusal(name: str) -> str | None:
    """Say why a path may not stand in a pack, None where it may.

    Examples
    --------
    >>> refusal("/etc/hosts"), refusal("a/../b"), refusal("clips/pass-1.mp4")
    ('is an absolute path', 'leads out of its folder by ".."', None)
    """
    parts = name.split("/")
    for wrong, why in (
        ("\\" in name, "has a backslash"),
        (name.startswith("/"), "is an absolute path"),
        (re.match(r"[A-Za-z]:", name), "begins with the letter of a drive"),
        (name.endswith("/"), "is a folder; a pack holds files alone"),
        (".." in parts, 'leads out of its folder by ".."'),
    ):
        if wrong:
            return why
    if len(name.encode("utf-8", "replace")) > MOST_NAME_BYTES or len(parts) > MOST_DEEP:
        return f"is longer than {MOST_NAME_BYTES} bytes or more than {MOST_DEEP} folders deep"
    return next((why for why in map(objection, parts) if why is not None), None)


def clash(names: Iterable[str]) -> str | None:
    """Say which two paths some system takes for one file, or for a file and a folder, if any do.

    Examples
    --------
    >>> clash(["a.csv", "A.CSV"])
    '"A.CSV" and "a.csv" are one file where capitals or composed letters do not count'
    >>> clash(["a", "a/b"])
    '"a" is a file and a folder at once'
    """
    held: dict[str, str] = {}
    folders: dict[str, str] = {}
    for name in names:
        key = folded(name)
        if key in held:
            return (
                f"{shown(name)} and {shown(held[key])} are one file where capitals or composed "
                "letters do not count"
                if name != held[key]
                else f"{shown(name)} is there twice"
            )
        held[key] = name
        parts = key.split("/")
        folders |= {"/".join(parts[:end]): name for end in range(1, len(parts))}
    both = sorted(held.keys() & folders.keys())
    return f"{shown(held[both[0]])} is a file and a folder at once" if both else None
