"""The manifest: every file of a pack with its size and SHA-256, and the clips that stayed away."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from vidspeed import __version__
from vidspeed.errors import PackError
from vidspeed.evidence.limits import MANIFEST, clash, refusal
from vidspeed.record.summary import json_bytes
from vidspeed.session.check import shown
from vidspeed.values import Value

SCHEMA = "vidspeed.pack/1"
Mode = Literal["whole", "hash"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Row(Value):
    """One file: path relative to the session folder; `bytes` None where its size is not known."""

    file: str
    bytes: int | None
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Manifest(Value):
    """What a pack holds, and the clips that it states by their hashes alone."""

    tool_version: str
    clips: Mode
    files: tuple[Row, ...]
    absent: tuple[Row, ...]


def made(mode: Mode, files: Sequence[Row], absent: Sequence[Row]) -> Manifest:
    """Return the manifest of these files, in order of their paths."""
    return Manifest(
        tool_version=__version__,
        clips=mode,
        files=tuple(sorted(files, key=lambda row: row.file)),
        absent=tuple(sorted(absent, key=lambda row: row.file)),
    )


def manifest_bytes(manifest: Manifest) -> bytes:
    """Return the manifest as JSON."""
    return json_bytes(
        {
            "schema": SCHEMA,
            "tool_version": manifest.tool_version,
            "clips": manifest.clips,
            "files": [_plain(row) for row in manifest.files],
            "absent": [_plain(row) for row in manifest.absent],
        }
    )


def _plain(row: Row) -> dict[str, Any]:
    return {"file": row.file, "bytes": row.bytes, "sha256": row.sha256}


def read_manifest(data: bytes) -> Manifest:
    """Return the manifest that a stranger wrote.

    Raises PackError where it is not of the one form that `manifest_bytes` gives.
    """
    raw = strict_json(data, MANIFEST)
    if not isinstance(raw, dict) or raw.get("schema") != SCHEMA:
        found = raw.get("schema") if isinstance(raw, dict) else raw
        raise PackError(
            f"{MANIFEST}: schema is {shown(found)}, this version reads {shown(SCHEMA)}; "
            "take the version of vidspeed that wrote the pack"
        )
    mode, tool = raw.get("clips"), raw.get("tool_version")
    if mode not in ("whole", "hash") or not isinstance(tool, str):
        raise PackError(f'{MANIFEST}: clips must be "whole" or "hash", tool_version a text')
    manifest = Manifest(
        tool_version=tool,
        clips=mode,
        files=_rows(raw.get("files"), "files"),
        absent=_rows(raw.get("absent"), "absent"),
    )
    rows = (*manifest.files, *manifest.absent)
    twice = clash([MANIFEST, *(row.file for row in rows)])
    if twice is not None:
        raise PackError(f"{MANIFEST}: {twice}; {ASK}")
    if any(row.bytes is None for row in manifest.files) or manifest_bytes(manifest) != data:
        raise PackError(f"{MANIFEST}: is not as `vidspeed pack` writes it; {ASK}")
    return manifest


ASK = "ask for the pack as `vidspeed pack` wrote it"


def _rows(raw: object, key: str) -> tuple[Row, ...]:
    """Return the rows of one list."""
    if not isinstance(raw, list):
        raise PackError(f"{MANIFEST}: {key} is {shown(raw)}, a list of files is needed; {ASK}")
    return tuple(_row(item, f"{MANIFEST}: {key} {number}") for number, item in enumerate(raw, 1))


def _row(item: object, where: str) -> Row:
    """Return one row; its path, size and hash are such as may stand in a pack."""
    if not isinstance(item, dict) or set(item) != {"file", "bytes", "sha256"}:
        raise PackError(f"{where}: file, bytes and sha256 are needed, nothing else; {ASK}")
    file, size, sha256 = item["file"], item["bytes"], item["sha256"]
    if not isinstance(file, str):
        raise PackError(f"{where}: file is {shown(file)}, a path is needed; {ASK}")
    why = refusal(file)
    if why is not None:
        raise PackError(f"{where}: {shown(file)} {why}; {ASK}")
    if size is not None and (type(size) is not int or not 0 <= size < 1 << 62):
        raise PackError(f"{where}: bytes is {shown(size)}, a size in bytes is needed; {ASK}")
    if not isinstance(sha256, str) or not re.fullmatch("[0-9a-f]{64}", sha256):
        raise PackError(f"{where}: sha256 is {shown(sha256)}, 64 digits 0 to f are needed; {ASK}")
    return Row(file=file, bytes=size, sha256=sha256)


def strict_json(data: bytes, name: str) -> Any:
    """Return what a JSON file holds; PackError where it is none."""

    def refuse(text: str) -> None:
        raise ValueError(f"{text} is no number of JSON")

    try:
        return json.loads(data.decode("utf-8"), parse_constant=refuse)
    except RecursionError:
        raise PackError(f"{name}: lists or tables are nested too deep; {ASK}") from None
    except ValueError as error:
        raise PackError(f"{name}: cannot be read as JSON: {error}; {ASK}") from None
