"""Names of files and folders that every system accepts."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from pathlib import PurePosixPath

_FORBIDDEN = frozenset('<>:"/\\|?*')
_RESERVED = frozenset(
    {"con", "prn", "aux", "nul", "conin$", "conout$"}
    | {f"{port}{digit}" for port in ("com", "lpt") for digit in "0123456789¹²³"}
)
_LONGEST = 80  # characters, and 200 bytes: what is appended still fits into 255


def legal_name(text: str) -> str:
    """Return `text` as a name of one file or folder that POSIX, macOS and Windows accept.

    Characters that some system forbids become `_`; spaces and dots at either end go; a name
    that Windows keeps for a device gets a `_` behind it; long names are cut.

    Examples
    --------
    >>> legal_name("a/b:c. "), legal_name("NUL"), legal_name(".."), legal_name("con.x")
    ('a_b_c', 'NUL_', '_', 'con_.x')
    """
    plain = unicodedata.normalize("NFC", text)
    kept = "".join("_" if _is_forbidden(char) else char for char in plain)
    kept = _cut(kept.strip(" .")).rstrip(" .")
    stem, dot, rest = kept.partition(".")
    if stem.strip().lower() in _RESERVED:
        kept = f"{stem.strip()}_{dot}{rest}"
    return kept or "_"


def _is_forbidden(char: str) -> bool:
    """Tell a character that some file system or terminal cannot take."""
    return char in _FORBIDDEN or unicodedata.category(char) in {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}


def _cut(name: str) -> str:
    """Return at most 80 characters and 200 bytes of a name."""
    name = name[:_LONGEST]
    while len(name.encode("utf-8")) > 200:
        name = name[:-1]
    return name


def objection(name: str) -> str | None:
    """Say why some system cannot keep a file or folder of that name, None where all can.

    Examples
    --------
    >>> objection("con.mp4"), objection("a:b"), objection("pass 1.mp4")
    ('is a name that Windows keeps for a device', "has ':' in it", None)
    """
    if name in ("", ".", ".."):
        return "is no name of its own"
    for char in name:
        if _is_forbidden(char):
            return f"has {char!a} in it"
    if name != name.strip(" ") or name.endswith("."):
        return "begins or ends with a space or ends with a dot"
    if name.partition(".")[0].strip().lower() in _RESERVED:
        return "is a name that Windows keeps for a device"
    return "is longer than 255 bytes" if len(name.encode("utf-8")) > 255 else None


def clip_folders(clips: Iterable[tuple[str, str]]) -> dict[tuple[str, str], str]:
    """Return the folder `CAMERA-STEM` of each (camera, clip), all different.

    Two names that some system cannot tell apart (capitals, composed letters) get a number.

    Examples
    --------
    >>> clip_folders([("north", "clips/a.mp4"), ("north", "more/A.mp4")])
    {('north', 'clips/a.mp4'): 'north-a', ('north', 'more/A.mp4'): 'north-A-2'}
    """
    folders: dict[tuple[str, str], str] = {}
    taken = {"calibration", "survey", "plan"}
    for camera, clip in clips:
        if (camera, clip) not in folders:
            wanted = legal_name(f"{camera}-{PurePosixPath(clip.replace(chr(92), '/')).stem}")
            folders[camera, clip] = _free(wanted, taken)
    return folders


def _free(wanted: str, taken: set[str]) -> str:
    """Return `wanted`, or the first of wanted-2, wanted-3 ... that is not taken; take it."""
    name, number = wanted, 1
    while folded(name) in taken:
        number += 1
        name = f"{wanted}-{number}"
    taken.add(folded(name))
    return name


def folded(name: str) -> str:
    """Return the name as a system sees it that does not tell capitals apart."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFKD", name).casefold())
