"""Results read again: the passes of `summary.json` with the signed numbers beside it.

What comes back answers for the mark and for comparisons to the last bit; pictures, budgets and
profiles stay where they are.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from vidspeed import __version__
from vidspeed.record.proofview import proven_of
from vidspeed.values import Crossing, Heights, Input, InputFile, Outcome, PassResult, Session
from vidspeed.values import Problem as Trouble

MOST_BYTES = 500_000_000  # of a results file that is read


Same = Callable[[Path, str], bool]


def same_bytes(path: Path, sha256: str) -> bool:
    """Tell whether a file has a hash; one that is not there is taken to be as it was."""
    return _hash(path) in (sha256, None)


def outcome_kept(session: Session, same: Same = same_bytes) -> Outcome | None:
    """Return what `results/` holds of a session; None where it is not of these very inputs.

    Every file that the results rest on must be as it was, and the version that wrote them this
    one. A clip that is no longer there is taken to be as it was.

    Parameters
    ----------
    same
        Tells whether a clip or another large file still has the hash that the results name.
    """
    home = Path(session.folder)
    try:
        kept = _json(home / "results" / "summary.json")
        signed = _json(home / "results" / "sensitivities.json")
        if not _of_these(session, home, kept, same):
            return None
        inputs = {row["pass"]: row["inputs"] for row in signed["passes"]}
        labels = tuple(str(label) for label in kept["covariance"]["labels"])
        return Outcome(
            session=session,
            inputs=tuple(_input_file(row) for row in kept["inputs"]),
            cameras=(),
            clips=(),
            passes=tuple(_pass(row, inputs.get(row["pass"])) for row in kept["passes"]),
            covariance_labels=labels,
            covariance=_square(kept["covariance"]["matrix"], len(labels)),
            mark=None,
            problems=tuple(_problem(row) for row in kept["problems"]),
            proof=proven_of(kept["proof"]),
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None  # not there, or not what this version writes


def outcome_untouched(session: Session) -> Outcome | None:
    """Return what `outcome_kept` does, where a clip not written to since counts as it was.

    Hundreds of clips could not be hashed for every look.
    """
    summary = Path(session.folder) / "results" / "summary.json"
    if not summary.is_file():
        return None
    return outcome_kept(session, partial(_untouched, summary.stat().st_mtime_ns))


def _untouched(since_ns: int, path: Path, sha256: str) -> bool:
    return not path.is_file() or path.stat().st_mtime_ns <= since_ns or same_bytes(path, sha256)


def _json(path: Path) -> Any:
    if path.stat().st_size > MOST_BYTES:
        raise ValueError(path.name)
    return json.loads(path.read_text(encoding="utf-8"))


def _of_these(session: Session, home: Path, kept: Mapping[str, Any], same: Same) -> bool:
    """Tell whether results were written by this version, from the files that are there now."""
    listed = {row["file"]: row["sha256"] for row in kept["inputs"]}
    if kept["tool_version"] != __version__:
        return False
    if any(listed.get(item.file) != item.sha256 for item in session.inputs):
        return False
    read = {item.file for item in session.inputs}
    places = {clip.name: Path(clip.path or home / clip.name) for clip in session.clips}
    return all(name in listed or not path.is_file() for name, path in places.items()) and all(
        same(places.get(name, home / name), digest)
        for name, digest in listed.items()
        if name not in read
    )


def _hash(path: Path) -> str | None:
    """Return the hash of a file, None where it is not there."""
    if not path.is_file():
        return None
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _input_file(row: Mapping[str, Any]) -> InputFile:
    return InputFile(file=str(row["file"]), sha256=str(row["sha256"]))


def _problem(row: Mapping[str, Any]) -> Trouble:
    return Trouble(level=row["level"], where=str(row["where"]), message=str(row["message"]))


def _square(rows: Any, size: int) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return the covariance (n, n), as it was written."""
    matrix = np.asarray(rows, dtype=np.float64).reshape(size, size)
    if not np.all(np.isfinite(matrix)):
        raise ValueError("covariance")
    return matrix


def _pass(row: Mapping[str, Any], inputs: Any) -> PassResult:
    """Return one pass from its row in the summary and its signed numbers."""
    interval, stretch = row["interval95_mps"], row["stretch_m"]
    recorded = row["recorded"]
    return PassResult(
        label=str(row["pass"]),
        flight=row["flight"],
        setup=row["setup"],
        clips=tuple(str(name) for name in row["clips"]),
        status=row["status"],
        direction=row["direction"],
        speed_mps=_number(row["speed_mps"]),
        speed_u_mps=_number(row["speed_u_mps"]),
        speed_U95_mps=_number(row["speed_U95_mps"]),
        coverage_factor=_number(row["coverage_factor"]),
        dof=_number(row["dof"]),
        method=row["method"],
        interval95_mps=None if interval is None else (float(interval[0]), float(interval[1])),
        stretch_m=None if stretch is None else (float(stretch[0]), float(stretch[1])),
        crossings=_crossings(row),
        inputs=() if inputs is None else tuple(_input(item) for item in inputs),
        sensitivities_mps=None
        if inputs is None
        else np.array([float(item["sensitivity_mps"]) for item in inputs]),
        recorded=None if recorded is None else datetime.fromisoformat(recorded),
        heights=_heights(row["heights"]),
    )


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _crossings(row: Mapping[str, Any]) -> tuple[Crossing, ...]:
    """Return when each clip saw the craft at the gates; of one clip the row itself says it."""
    if "crossings" in row:
        return tuple(
            Crossing(
                clip=str(item["clip"]),
                camera=str(item["camera"]),
                time_in_s=float(item["time_in_s"]),
                time_out_s=float(item["time_out_s"]),
            )
            for item in row["crossings"]
        )
    if row["time_in_s"] is None:
        return ()
    times = {"time_in_s": float(row["time_in_s"]), "time_out_s": float(row["time_out_s"])}
    return (Crossing(clip=str(row["clips"][0]), camera="", **times),)


def _input(row: Mapping[str, Any]) -> Input:
    return Input(
        owner=str(row["owner"]),
        name=str(row["name"]),
        source=str(row["source"]),
        kind=row["kind"],
        assumed=bool(row["assumed"]),
        input_u=float(row["input_u"]),
        unit=str(row["unit"]),
        split_unknown=bool(row["split_unknown"]),
    )


def _heights(row: Mapping[str, Any] | None) -> Heights | None:
    if row is None:
        return None
    before, above, above_u = (
        np.array([float(item[name]) for item in row["approach"]])
        for name in ("before_m", "above_m", "above_u_m")
    )
    return Heights(
        height_in_m=float(row["height_in_m"]),
        height_in_u_m=float(row["height_in_u_m"]),
        height_out_m=float(row["height_out_m"]),
        height_out_u_m=float(row["height_out_u_m"]),
        climb_m=float(row["climb_m"]),
        climb_u_m=float(row["climb_u_m"]),
        before_m=before,
        above_m=above,
        above_u_m=above_u,
    )
