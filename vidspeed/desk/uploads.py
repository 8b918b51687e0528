"""Files that are dropped on a page: streamed into the session folder, limited, never over another.

What a browser sends is one request a file, its body the file's bytes and nothing else.
"""

from __future__ import annotations

import secrets
import shutil
from collections.abc import AsyncIterator
from pathlib import Path, PurePosixPath

from vidspeed.errors import ResultsError, SessionError
from vidspeed.record.names import legal_name

MOST_BYTES = 32 << 30  # of one file: hours of a camera's finest video
SPARE_BYTES = 1 << 30  # of the disk that are left alone
MOST_NAMES = 1000


class TooLarge(ResultsError):
    """A file is larger than is taken, or than the disk has room for."""


async def take_in(
    chunks: AsyncIterator[bytes],
    home: Path,
    name: str,
    *,
    stated: int | None,
    most: int = MOST_BYTES,
) -> Path:
    """Write what is sent into a new file of the folder `home`, and return it.

    Parameters
    ----------
    chunks
        The bytes as they come.
    name
        What the sender calls the file; only its last part, made legal, is used.
    stated
        How long the sender says it is, None where nothing is said.

    Raises
    ------
    ResultsError
        Where it is too large or cannot be written; nothing of it is left then.
    """
    home.mkdir(parents=True, exist_ok=True)
    room = min(most, shutil.disk_usage(home).free - SPARE_BYTES)
    if stated is not None and stated > room:
        raise _too_large(name, room)
    part = home / f".{secrets.token_hex(8)}.part"
    try:
        with part.open("xb") as file:
            count = 0
            async for chunk in chunks:
                count += len(chunk)
                if count > room:
                    raise _too_large(name, room)
                file.write(chunk)
        if stated is not None and count != stated:
            raise ResultsError(f"{clean_name(name)}: broke off on the way; drop it again")
        return _named(part, home, clean_name(name))
    except OSError as error:
        raise ResultsError(f"{clean_name(name)}: cannot be written: {error.strerror}") from None
    finally:
        part.unlink(missing_ok=True)


def clean_name(name: str) -> str:
    """Return the last part of a name as every system accepts it, never a hidden one.

    Examples
    --------
    >>> clean_name("../../a<b>.mp4"), clean_name(".bashrc"), clean_name("a" * 300 + ".mp4")[-9:]
    ('a_b_.mp4', 'bashrc', 'aaaaa.mp4')
    """
    last = PurePosixPath(name.replace("\\", "/")).name
    stem, dot, suffix = last.rpartition(".")
    if not stem.strip(". ") or not dot or len(suffix) > 8:
        stem, suffix = last, ""
    stem = legal_name(stem.lstrip("."))
    return f"{stem}.{legal_name(suffix)}" if suffix else stem


def _named(part: Path, home: Path, name: str) -> Path:
    """Give a file its name, or one with a number where that is taken."""
    stem, dot, suffix = name.rpartition(".")
    if not dot:
        stem, suffix = name, ""
    for number in range(1, MOST_NAMES):
        path = home / f"{stem}{'' if number == 1 else f'-{number}'}{dot}{suffix}"
        try:
            path.open("xb").close()  # nobody else can take the name from here on
        except FileExistsError:
            continue
        part.replace(path)
        return path
    raise SessionError(f"{name}: there are {MOST_NAMES} files of that name; rename yours")


def _too_large(name: str, room: int) -> TooLarge:
    return TooLarge(
        f"{clean_name(name)}: is larger than the {max(room, 0) / 1e9:.1f} GB that are taken; make "
        "room on the disk, or cut the clip"
    )
