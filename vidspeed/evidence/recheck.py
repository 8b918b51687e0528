"""Measure a stranger's pack again, and say which of its figures agree and to how much."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from vidspeed.assembly.reading import read_session
from vidspeed.errors import PackError, ResultsError, VidspeedError
from vidspeed.evidence.figures import Part
from vidspeed.evidence.judge import Packed, by_name, judged
from vidspeed.evidence.limits import MOST_TEXT_BYTES, Limits
from vidspeed.evidence.manifest import ASK, Manifest, strict_json
from vidspeed.evidence.sources import Source, find_clips, put_clips, with_sources
from vidspeed.evidence.unpack import Unpacked, unpack
from vidspeed.measure import run_session
from vidspeed.record.contents import CONTENTS, REPLACED, REPORT, read_contents
from vidspeed.record.versions import versions
from vidspeed.session.check import shown
from vidspeed.spread.memory import memory_within
from vidspeed.spread.progress import Tell
from vidspeed.values import Outcome, Session, Value

RESULTS = "results/"
SCHEMA = "vidspeed.summary/1"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rechecked(Value):
    """What became of a pack: its hashes were right, and this is how its figures agree.

    `beside` are files that the signed list of contents does not name.
    """

    unpacked: Unpacked
    contents_sha256: str
    measured_with: Mapping[str, str]
    now: Mapping[str, str]
    sources: tuple[Source, ...]
    parts: tuple[Part, ...]
    speeds: tuple[tuple[str, Mapping[str, Any], Mapping[str, Any] | None], ...]
    beside: tuple[str, ...]
    errors: tuple[str, ...]
    open_: tuple[str, ...]

    @property
    def agrees(self) -> bool:
        """Tell whether every figure that was measured again agrees."""
        return not any(part.off for part in self.parts)

    @property
    def worst(self) -> float:
        """Return the largest difference over its scale."""
        return max((part.worst for part in self.parts), default=0.0)


def recheck(
    pack: Path,
    *,
    pool: Executor,
    clips: Path | None = None,
    limits: Limits | None = None,
    progress: Tell | None = None,
) -> Rechecked:
    """Verify every hash of a pack, measure it again, and compare every figure.

    Parameters
    ----------
    clips
        A folder in which clips that are not in the pack are looked for, by their hashes.
    limits
        What the pack may ask of this machine.

    Raises
    ------
    PackError
        Where it is no pack, a hash is wrong, it holds what no pack may hold, or nothing of it can
        be measured again. Nothing is left behind in any case.
    """
    bounds = limits or Limits()
    with tempfile.TemporaryDirectory(
        prefix="vidspeed-recheck-", ignore_cleanup_errors=True
    ) as name:
        home = Path(name).resolve()
        unpacked = unpack(pack, home, limits=bounds, progress=progress)
        try:
            with memory_within(bounds.memory_bytes, anywhere=True):
                return _rechecked(home, unpacked, clips, bounds, pool, progress)
        except MemoryError:
            raise PackError(
                f"{pack.name}: measuring it takes more than {bounds.memory_bytes / 1e9:.1f} GB of "
                "memory; if you trust where it comes from, allow more with --most-memory-gb"
            ) from None
        except VidspeedError as error:
            raise PackError(*(f"{pack.name}: {message}" for message in error.messages)) from None
        except Exception as error:  # whatever a stranger wrote, words are the answer
            raise PackError(
                f"{pack.name}: could not be measured again: {type(error).__name__}: {error}; if "
                "you know where it comes from, please send it to the authors of vidspeed"
            ) from error


def _rechecked(
    home: Path,
    unpacked: Unpacked,
    clips: Path | None,
    limits: Limits,
    pool: Executor,
    progress: Tell | None,
) -> Rechecked:
    files = _results(home, unpacked.manifest)
    summary = _summary(files)
    listed = _contents(files, unpacked.manifest)
    session = _session(home, summary, limits)
    found = find_clips(clips, unpacked.manifest.absent) if clips is not None else {}
    put_clips(home, found)
    there = frozenset({row.file for row in unpacked.manifest.files} | found.keys())
    session, sources, intervals_s = with_sources(session, summary, there)
    whole = all(row.kind in ("clip", "given") for row in sources)
    outcome = run_session(
        session,
        pool=pool,
        progress=progress,
        monte_carlo=_all_drawn(summary),
        intervals_s=intervals_s,
        films=whole,
    )
    made_with = _texts(summary.get("measured_with"))
    packed = Packed(
        summary=summary,
        files=files,
        same_version=made_with.get("vidspeed") == versions()["vidspeed"],
        whole=whole,
    )
    return Rechecked(
        unpacked=unpacked,
        contents_sha256=listed,
        measured_with=made_with,
        now=versions(),
        sources=sources,
        parts=judged(packed, outcome),
        speeds=tuple(_speeds(packed, outcome)),
        beside=tuple(_beside(files, unpacked.manifest)),
        errors=tuple(_errors(summary)),
        open_=tuple(_open(packed, sources)),
    )


def _results(home: Path, manifest: Manifest) -> dict[str, bytes]:
    """Return every file of `results/` by its path in it."""
    found = {}
    for row in manifest.files:
        if row.file.startswith(RESULTS):
            if (row.bytes or 0) > MOST_TEXT_BYTES:
                raise PackError(f"{shown(row.file)} is larger than {MOST_TEXT_BYTES >> 20} MB")
            found[row.file.removeprefix(RESULTS)] = home.joinpath(*row.file.split("/")).read_bytes()
    for name in ("summary.json", CONTENTS, REPORT, "passes.csv"):
        if name not in found:
            raise PackError(f"{RESULTS}{name} is not in it; {ASK}")
    return found


def _summary(files: Mapping[str, bytes]) -> dict[str, Any]:
    """Return the summary that the pack states."""
    found = strict_json(files["summary.json"], "results/summary.json")
    if not isinstance(found, dict) or found.get("schema") != SCHEMA:
        raise PackError(f"results/summary.json: schema {shown(SCHEMA)} is needed; {ASK}")
    return found


def _contents(files: Mapping[str, bytes], manifest: Manifest) -> str:
    """Hold the list that witnesses signed against the manifest; return the list's own hash.

    Raises PackError where the two contradict each other, or the report carries another hash.
    """
    known = {row.file: row.sha256 for row in (*manifest.files, *manifest.absent)}
    try:
        listed = read_contents(files[CONTENTS])
    except ResultsError as error:
        raise PackError(*error.messages) from None
    for file, sha256 in listed.items():
        if known.get(file) != sha256:
            what = "is not in the pack" if file not in known else "is not what was measured then"
            raise PackError(f"{shown(file)} {what}: results/{CONTENTS} names another hash; {ASK}")
    own = known[RESULTS + CONTENTS]
    if own.encode("ascii") not in files[REPORT]:
        raise PackError(f"results/{REPORT} does not end with the hash of {CONTENTS}, {own}; {ASK}")
    return own


def _session(home: Path, summary: Mapping[str, Any], limits: Limits) -> Session:
    """Read the session that was unpacked, under the name that it had."""
    session = read_session(home)
    for camera in session.cameras:
        if camera.image_size_px[0] * camera.image_size_px[1] > limits.pixels:
            raise PackError(
                f"session.toml: camera {shown(camera.name)} states pictures of "
                f"{list(camera.image_size_px)}, more than {limits.pixels / 1e6:.0f} million pixels"
            )
    facts = summary.get("session")
    title = facts.get("title") if isinstance(facts, dict) else None
    if session.title == home.name and isinstance(title, str):  # it took its folder's name
        session = replace(session, title=title)
    return session


def _all_drawn(summary: Mapping[str, Any]) -> bool:
    """Tell whether the run drew every pass: `--monte-carlo` was said, or would change nothing."""
    rows = by_name(summary.get("passes"), "pass").values()
    methods = {row.get("method") for row in rows if row.get("speed_mps") is not None}
    return methods == {"monte carlo"}


def _texts(raw: object) -> dict[str, str]:
    return {str(key): str(value) for key, value in raw.items()} if isinstance(raw, dict) else {}


def _speeds(
    packed: Packed, outcome: Outcome
) -> Iterator[tuple[str, Mapping[str, Any], Mapping[str, Any] | None]]:
    """Yield the main figures of each pass and of the mark: as packed, and as found again."""
    again = {row.label: row for row in outcome.passes}
    for label, row in packed.passes.items():
        fresh = again.get(label)
        found = None
        if fresh is not None and fresh.speed_mps is not None:
            found = {"speed_mps": fresh.speed_mps, "speed_U95_mps": fresh.speed_U95_mps}
        yield f"pass {label}", row, found
    mark = packed.summary.get("mark")
    if isinstance(mark, dict):
        new = outcome.mark
        yield (
            "mark",
            mark,
            None if new is None else {
                "speed_mps": new.speed_mps, "speed_U95_mps": new.speed_U95_mps
            },
        )  # fmt: skip


def _beside(files: Mapping[str, bytes], manifest: Manifest) -> Iterator[str]:
    """Yield the files that the signed list does not name."""
    listed = read_contents(files[CONTENTS]).keys() | {RESULTS + CONTENTS, RESULTS + REPORT}
    places = tuple(RESULTS + place for place in REPLACED)
    for row in manifest.files:
        if row.file not in listed and not row.file.startswith(places):
            yield row.file


def _errors(summary: Mapping[str, Any]) -> Iterator[str]:
    """Yield what could not be measured then."""
    rows = summary.get("problems")
    for row in rows if isinstance(rows, list) else []:
        if isinstance(row, dict) and row.get("level") == "error":
            yield f"{row.get('where')}: {row.get('message')}"


def _open(packed: Packed, sources: tuple[Source, ...]) -> Iterator[str]:
    """Yield what could not be measured again."""
    without = {row.clip for row in sources if row.kind == "nothing"}
    for label, row in packed.passes.items():
        clips = row.get("clips")
        lost = without.intersection(clips if isinstance(clips, list) else [])
        if lost and row.get("speed_mps") is not None:
            yield f"pass {label}: neither the clip nor the track of {', '.join(sorted(lost))}"
