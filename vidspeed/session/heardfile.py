"""Write and read what was heard in a clip: a session without its clips then solves as with them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import Any

import numpy as np

from vidspeed.session.check import Refused
from vidspeed.values import Floats, Flyby, Heard, Told, jsonable

SCHEMA = "vidspeed.heard/1"
NUMBERS = tuple(entry.name for entry in fields(Flyby))
MEND = "take the file as a run wrote it"


def heard_bytes(rows: Sequence[tuple[str, Heard]]) -> bytes:
    """Return the file of what was heard in a clip; `rows` name the passes."""
    whole = {"schema": SCHEMA, "passes": [_row(label, heard) for label, heard in rows]}
    text = json.dumps(jsonable(whole), ensure_ascii=False, indent=1)
    return (text + "\n").encode("utf-8")


def _row(label: str, heard: Heard) -> dict[str, Any]:
    told = heard.told
    return {
        "pass": label,
        "flyby": {name: getattr(heard.flyby, name) for name in NUMBERS},
        "covariance": heard.covariance,
        "tones_hz": heard.tones_hz,
        "heard_s": heard.heard_s,
        "scatter": heard.scatter,
        "level_db": heard.level_db,
        "told": None
        if told is None
        else {
            "at": told.at,
            "information": told.information,
            "slope": told.slope,
            "half_s": told.half_s,
            "dof": told.dof,
        },
    }


def read_heard(data: bytes) -> tuple[Heard, ...]:
    """Return what a file of `heard_bytes` says; windows are not kept, so there are none.

    Raises
    ------
    Refused
        Where it is no such file.
    """
    try:
        raw = json.loads(data.decode("utf-8"))
    except (UnicodeDecodeError, ValueError, RecursionError):
        raise Refused(f"is no JSON; {MEND}") from None
    if not isinstance(raw, dict) or raw.get("schema") != SCHEMA:
        raise Refused(f"schema is not {SCHEMA}; {MEND}")
    rows = raw.get("passes")
    if not isinstance(rows, list):
        raise Refused(f"passes is not a list; {MEND}")
    return tuple(_heard(row, f"pass {number}") for number, row in enumerate(rows, start=1))


def _heard(raw: object, where: str) -> Heard:
    row = _table(raw, where)
    flyby, told = _table(row.get("flyby"), f"{where}: flyby"), row.get("told")
    tones = _numbers(row, "tones_hz", (-1,), where)
    begin_s, end_s = _numbers(row, "heard_s", (2,), where)
    nothing = np.zeros((0, len(tones)))
    return Heard(
        flyby=Flyby(**{name: _number(flyby, name, f"{where}: flyby") for name in NUMBERS}),
        covariance=_spread(_numbers(row, "covariance", (8, 8), where), f"{where}: covariance"),
        tones_hz=tones,
        time_s=np.zeros(0),
        seen_hz=nothing,
        used=nothing.astype(bool),
        fit_hz=nothing,
        scatter=_number(row, "scatter", where),
        level_db=_number(row, "level_db", where),
        heard_s=(float(begin_s), float(end_s)),
        told=None if told is None else _told(_table(told, f"{where}: told"), f"{where}: told"),
    )


def _told(row: Mapping[str, object], where: str) -> Told:
    dof = None if row.get("dof") is None else _number(row, "dof", where)
    if dof is not None and dof < 1.0:
        raise Refused(f"{where}: dof is {dof:g}, at least 1 is needed; {MEND}")
    return Told(
        at=_numbers(row, "at", (7,), where),
        information=_spread(_numbers(row, "information", (7, 7), where), f"{where}: information"),
        slope=_numbers(row, "slope", (7,), where),
        half_s=_number(row, "half_s", where),
        dof=dof,
    )


def _table(raw: object, where: str) -> Mapping[str, object]:
    if not isinstance(raw, dict):
        raise Refused(f"{where} is not a table; {MEND}")
    return raw


def _number(row: Mapping[str, object], name: str, where: str) -> float:
    return float(_numbers(row, name, (), where))


def _numbers(row: Mapping[str, object], name: str, shape: tuple[int, ...], where: str) -> Floats:
    """Return finite numbers of a shape; -1 is any length."""
    try:
        found = np.array(row.get(name), dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        found = np.array([np.nan])
    fits = len(found.shape) == len(shape) and all(
        want in (-1, has) for want, has in zip(shape, found.shape, strict=False)
    )
    if not fits or not np.all(np.isfinite(found)) or np.any(np.abs(found) > 1e30):
        raise Refused(f"{where}: {name} does not hold the numbers that belong there; {MEND}")
    return found


def _spread(matrix: Floats, where: str) -> Floats:
    """Return a matrix that may be a covariance or its inverse."""
    size = np.sqrt(np.maximum(np.diag(matrix), 0.0))
    scale = np.outer(np.where(size > 0.0, size, 1.0), np.where(size > 0.0, size, 1.0))
    low = float(np.linalg.eigvalsh((matrix + matrix.T) / 2.0 / scale)[0])
    if low < -1e-6 or not np.allclose(matrix / scale, matrix.T / scale, atol=1e-9):
        raise Refused(f"{where} is no covariance; {MEND}")
    return matrix
