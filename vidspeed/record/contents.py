"""What the results rest on and consist of, as one list of hashes that anybody can check.

`contents.sha256` has the form that the common tool `sha256sum` writes and checks, with paths
relative to the session folder. Its own hash stands at the end of the report: who signs beside
it has signed every input and every result, and no program of ours is needed to hold them to it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from typing import Any

from vidspeed.errors import ResultsError
from vidspeed.record.names import clip_folders
from vidspeed.values import Heard, InputFile, Outcome, Sighted

CONTENTS = "contents.sha256"
REPORT = "report.html"  # it carries the list's hash, and so cannot stand in the list
REPLACED = ("calibration/", "survey/", "plan/")  # other commands write these anew
_DIGITS = frozenset("0123456789abcdef")


def contents_bytes(files: Mapping[str, bytes], inputs: Iterable[InputFile]) -> bytes:
    """Return the list for the files of `results/` (by path) and the inputs, in order of path.

    An input that lies in `results/` keeps its place there, and counts as it is.
    """
    hashes = {
        f"results/{path}": hashlib.sha256(content).hexdigest()
        for path, content in files.items()
        if path not in (REPORT, CONTENTS) and not path.startswith(REPLACED)
    }
    given = {item.file: item.sha256 for item in inputs}
    known = {path.casefold() for path in given}
    hashes = {path: value for path, value in hashes.items() if path.casefold() not in known}
    rows = sorted({**hashes, **given}.items())
    return "".join(_line(path, value) for path, value in rows).encode("utf-8", "backslashreplace")


def _line(path: str, sha256: str) -> str:
    """Return one line; a name with a backslash or a line break is written as `sha256sum` does."""
    plain = path.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
    return f"{'' if plain == path else chr(92)}{sha256}  {plain}\n"


def read_contents(data: bytes) -> dict[str, str]:
    """Return the hash of each path that a list names.

    Raises ResultsError where it is not such a list.
    """
    found: dict[str, str] = {}
    for number, line in enumerate(data.decode("utf-8", "replace").splitlines(), start=1):
        if line.startswith("\\"):
            raise ResultsError(
                f"results/{CONTENTS}: line {number}: a file has a backslash or a line break in its "
                "name, and not every system can keep such a file: rename it, change session.toml, "
                "measure the session again with `vidspeed run`"
            )
        sha256, gap, path = line[:64], line[64:66], line[66:]
        if len(sha256) < 64 or not _DIGITS.issuperset(sha256) or gap != "  " or not path:
            raise ResultsError(
                f"results/{CONTENTS}: line {number}: a SHA-256, two spaces and a path are needed; "
                "measure the session again with `vidspeed run`"
            )
        found[path] = sha256
    return found


def clip_places(outcome: Outcome) -> dict[tuple[str, str], str]:
    """Return the folder in `results/` of each (camera, clip), those with a pass first."""
    seen = ((row.camera, row.clip) for result in outcome.passes for row in result.sightings)
    return clip_folders([*seen, *((view.camera, view.clip) for view in outcome.clips)])


def drives_by_clip(outcome: Outcome) -> dict[tuple[str, str], list[tuple[str, Sighted]]]:
    """Return the lights of the drives that prove the course, by (camera, clip)."""
    drives = outcome.proof.drives if outcome.proof is not None else ()
    return {(row.camera, row.clip): [("drive", row)] for each in drives for row in each.sightings}


def heard_by_clip(outcome: Outcome) -> dict[tuple[str, str], list[tuple[str, Heard]]]:
    """Return what was heard of which pass, by (camera, clip)."""
    found: dict[tuple[str, str], list[tuple[str, Heard]]] = {}
    for result in outcome.passes:
        for row in result.heard:
            found.setdefault((row.camera, row.clip), []).append((result.label, row.heard))
    return found


def clip_rows(outcome: Outcome) -> list[dict[str, Any]]:
    """Return for each clip where its track was put, and the median time between its frames.

    And where what was heard in it was put, where its sound may take part in the solution.
    """
    places, heard = clip_places(outcome), heard_by_clip(outcome)
    seen = {(row.camera, row.clip) for result in outcome.passes for row in result.sightings}
    seen.update(drives_by_clip(outcome))
    return [
        {
            "clip": view.clip,
            "camera": view.camera,
            "track": f"results/{places[key]}/track.csv" if key in seen else None,
            "interval_s": view.facts.interval_s if view.facts is not None else None,
            **({"heard": f"results/{places[key]}/heard.json"} if key in heard else {}),
        }
        for view in outcome.clips
        for key in ((view.camera, view.clip),)
    ]
