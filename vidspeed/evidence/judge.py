"""What a pack says beside what was measured again: part by part, figure by figure."""

from __future__ import annotations

import difflib
import hashlib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from vidspeed.evidence.figures import Off, Part, compare, rows_of
from vidspeed.evidence.manifest import strict_json
from vidspeed.record.contents import CONTENTS, REPORT
from vidspeed.record.files import result_files
from vidspeed.values import Outcome, Value

WITH_CLIPS = ("checks", "cross_checks")  # of a pass: what only a clip can bear out
PICTURE = re.compile(rb"data:image/[a-z+]{1,9};base64,[A-Za-z0-9+/=]*")
FIGURES = (".csv", ".json", ".html", ".sha256")  # files that are more than pictures
MOST_SHOWN = 6  # lines of a report that differ
MOST_LINES = 20_000  # of a report that are held against each other


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Packed(Value):
    """The results that a pack holds: its summary, and every file of `results/` by its path."""

    summary: Mapping[str, Any]
    files: Mapping[str, bytes]
    same_version: bool
    whole: bool  # measured again from all its clips
    speed_mps: float = 1.0  # the largest that was measured again

    @property
    def passes(self) -> dict[str, Mapping[str, Any]]:
        """Return the passes by their labels."""
        return by_name(self.summary.get("passes"), "pass")


def by_name(rows: object, key: str) -> dict[str, Mapping[str, Any]]:
    """Return rows of JSON by their names, those that have one."""
    found = rows if isinstance(rows, list) else []
    return {str(row[key]): row for row in found if isinstance(row, dict) and key in row}


def judged(packed: Packed, outcome: Outcome) -> tuple[Part, ...]:
    """Return every part of the results, held against what was measured again."""
    speeds = [row.speed_mps for row in outcome.passes if row.speed_mps]
    packed = replace(packed, speed_mps=max(speeds, default=1.0))
    again = result_files(outcome, unit=unit_of(packed.files))
    fresh = strict_json(again["summary.json"], "summary.json")
    return tuple(
        part
        for part in (
            *_summary_parts(packed, fresh),
            *_file_parts(packed, again),
            _report(packed, _under_one_seal(packed, again)),
            *_pictures(packed, again),
        )
        if part.count or part.off
    )


def _under_one_seal(packed: Packed, again: Mapping[str, bytes]) -> bytes:
    """Return the report made anew, ending with the hash of the pack's list of contents.

    Figures that agree to 1e-9 only are other bytes, and so are their hashes.
    """
    old, new = (
        hashlib.sha256(files.get(CONTENTS, b"")).hexdigest().encode("ascii")
        for files in (packed.files, again)
    )
    return again[REPORT].replace(new, old)


def unit_of(files: Mapping[str, bytes]) -> str:
    """Return the unit in which a report was written: the head of `passes.csv` tells."""
    head = files.get("passes.csv", b"").split(b"\n", 1)[0].decode("utf-8", "replace").split(",")
    return next((name for name in ("kmh", "mph", "kn") if f"speed_{name}" in head), "mps")


def _summary_parts(packed: Packed, fresh: Mapping[str, Any]) -> Iterator[Part]:
    """Yield a part for each pass and camera, and for what is said of all."""
    again = by_name(fresh.get("passes"), "pass")
    for label, row in packed.passes.items():
        if packed.whole or row.get("speed_mps") is not None:
            yield _part(
                packed, f"pass {label}", _bare(packed, row), _bare(packed, again.get(label))
            )
    if packed.whole:
        for label in again.keys() - packed.passes.keys():
            yield _part(packed, f"pass {label}", {}, again[label])
    cameras = by_name(fresh.get("cameras"), "name")
    for name, row in by_name(packed.summary.get("cameras"), "name").items():
        yield _part(packed, f"camera {name}", row, cameras.get(name))
    both = ["session", "mark", "covariance", "advice"]
    for key in both + (["inputs", "clips", "proof", "problems"] if packed.whole else []):
        yield _part(packed, key, packed.summary.get(key), fresh.get(key))


def _bare(packed: Packed, row: Mapping[str, Any] | None) -> Mapping[str, Any] | None:
    """Return a pass without what tracks alone do not tell."""
    if packed.whole or row is None:
        return row
    return {key: value for key, value in row.items() if key not in WITH_CLIPS}


def _part(packed: Packed, name: str, one: Any, other: Any) -> Part:
    return compare(name, one, other, speed_mps=packed.speed_mps, extra=packed.same_version)


def _file_parts(packed: Packed, again: Mapping[str, bytes]) -> Iterator[Part]:
    """Yield a part for each file of figures beside the summary."""
    for file, data in packed.files.items():
        if file == "sensitivities.json":
            other = again.get(file, b"null")
            yield _part(packed, file, strict_json(data, file), strict_json(other, file))
        elif file.endswith(".csv") and (packed.whole or file in again):
            yield _part(packed, file, rows_of(data), rows_of(again.get(file, b"")))


def _report(packed: Packed, fresh: bytes) -> Part:
    """Return how the report that people read agrees with one made anew.

    From all the clips every line must be the same, pictures aside. From tracks, or by another
    version, the lines that state a value and its uncertainty must stand in it.
    """
    old, new = _lines(packed.files.get(REPORT, b"")), _lines(fresh)
    if not packed.whole or not packed.same_version:
        figures, there = [line for line in new if " ± " in line and "<tr><th" not in line], set(old)
        lost = [line for line in figures if line not in there]
        off = tuple(Off(where="report", packed=None, again=_plain(line)) for line in lost)
        return Part(name=f"{REPORT}, its figures", count=len(figures), worst=0.0, off=off)
    aside = "" if packed.files.get(REPORT) == fresh else ", pictures aside"
    off = tuple(_differences(old, new))
    return Part(name=f"{REPORT}, every line{aside}", count=len(old), worst=0.0, off=off)


def _differences(old: list[str], new: list[str]) -> Iterator[Off]:
    """Yield the first lines that differ."""
    if old == new:
        return
    if len(old) > MOST_LINES:
        yield Off(where="report", packed=f"{len(old)} lines", again=f"{len(new)} lines")
        return
    matcher = difflib.SequenceMatcher(None, old, new, autojunk=False)
    changes = [code for code in matcher.get_opcodes() if code[0] != "equal"]
    for _, first, last, start, end in changes[:MOST_SHOWN]:
        yield Off(
            where=f"report line {first + 1}",
            packed=_plain(" ".join(old[first:last])),
            again=_plain(" ".join(new[start:end])),
        )


def _lines(report: bytes) -> list[str]:
    """Return the lines of a report without its pictures."""
    first, *others = PICTURE.sub(b"", report).split(b"<svg")
    words = b"".join([first, *(part.partition(b"</svg>")[2] for part in others)])
    return words.decode("utf-8", "replace").splitlines()


def _plain(line: str) -> str:
    """Return what a person reads of a line."""
    return " ".join(re.sub(r"<[^<>]*>", " ", line).split())[:120]


def _pictures(packed: Packed, again: Mapping[str, bytes]) -> Iterator[Part]:
    """Yield how many pictures are the same to the byte; none is a figure, so none is off."""
    if packed.whole:
        drawn = [file for file in again if file in packed.files and not file.endswith(FIGURES)]
        same = sum(packed.files[file] == again[file] for file in drawn)
        name = f"pictures, {same} of {len(drawn)} of them"
        yield Part(name=name, count=same, worst=0.0, off=())
