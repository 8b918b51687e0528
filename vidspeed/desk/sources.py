"""The session's own files as a page read them: changed with comments and order kept, written whole.

A page holds a `Source`: the text and the hash of the file's bytes. What it changes is text again;
`keep` writes it only where the file still is the one that was read.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from vidspeed.errors import ResultsError, SessionError
from vidspeed.saving import save
from vidspeed.session.cells import decoded
from vidspeed.session.check import Refused
from vidspeed.session.paths import inside

SESSION = "session.toml"
_writing = threading.Lock()  # between reading a file's hash and replacing it


class Changed(SessionError):
    """The file is not the one that the page read; nothing was written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A text file of the session: `seen` is the hash of its bytes, "" where there was none."""

    folder: Path
    name: str
    text: str
    seen: str


def read_source(folder: Path, name: str = SESSION) -> Source:
    """Read a text file of the session; one that is not there yet is empty.

    Raises SessionError where the name leads out of the session or the file is no text.
    """
    data = _data(_place(folder, name), name)
    text = decoded(data, name).replace("\r\n", "\n").replace("\r", "\n")
    return Source(folder=folder, name=name, text=text, seen=hash_of(data))


def keep(source: Source, text: str) -> Source:
    """Write a changed text, whole or not at all, and return it as it now is.

    Raises
    ------
    Changed
        Where the file was changed since it was read.
    ResultsError
        Where it cannot be written.
    """
    path = _place(source.folder, source.name)
    new = text.encode("utf-8")
    with _writing:
        old = _data(path, source.name)
        if hash_of(old) != source.seen:
            raise Changed(
                f"{source.name}: was changed by somebody else meanwhile, and was left alone; load "
                "the page again to go on from what it holds now"
            )
        if b"\r\n" in old:
            new = new.replace(b"\n", b"\r\n")
        replace_file(path, new, source.name)
    return Source(folder=source.folder, name=source.name, text=text, seen=hash_of(new))


def change(folder: Path, table: str, number: int, values: Mapping[str, object]) -> Source:
    """Set keys of one table of session.toml as it stands now; None takes a key away.

    For changes that rest on nothing else in the file. Raises VidspeedError where it cannot be done.
    """
    from vidspeed.desk.toml import put

    source = read_source(folder)
    return keep(source, put(source.text, table, number, values))


def replace_file(path: Path, data: bytes, name: str) -> None:
    """Save a file of the session, and make the folder that it is in.

    Raises ResultsError where it cannot be written; `name` is what the message calls it.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResultsError(f"{name}: cannot be written: {error.strerror}") from None
    save(path, data, name=name)


def hash_of(data: bytes) -> str:
    """Return the SHA-256 of a file's bytes."""
    return hashlib.sha256(data).hexdigest()


def _place(folder: Path, name: str) -> Path:
    """Return where a file of the session is; refuse one outside."""
    try:
        return folder / inside(folder, name)
    except Refused as refusal:
        raise SessionError(str(refusal)) from None


def _data(path: Path, name: str) -> bytes:
    try:
        return path.read_bytes() if path.exists() else b""
    except OSError as error:
        raise SessionError(f"{name}: cannot be read: {error.strerror}") from None
