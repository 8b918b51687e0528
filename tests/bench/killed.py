"""A run that is killed at any moment loses nothing: `python -m tests.bench.killed --seed 1`.

Not a test: it takes minutes. A session of eight clips is measured undisturbed, then killed (SIGKILL
to the command and all its workers, as a power cut would) at drawn moments and run again.
README.md beside this file says what is printed.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

import vidspeed
from tests.bench.bench_score import share_text
from tests.tiny import edit, files_of, scene_text
from vidspeed.assembly.kept import KEPT
from vidspeed.record.lock import LOCK
from vidspeed.record.swap import WORK
from vidspeed.render.session import render_scene_file

COMMAND = [sys.executable, "-c", "from vidspeed.cli import main; main()", "run", "--jobs", "2"]
LONGEST_S = 900.0
LATEST = 1.02  # of the time that an undisturbed run takes
TRIES = 8  # to meet a run, on a machine whose speed changes


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """What the cases start from and are held to: a session, earlier results of it and new ones."""

    session: Path
    status: int
    took_s: float
    earlier: dict[str, bytes]
    new: dict[str, bytes]


@dataclass(slots=True)
class Tally:
    """What came of the cases."""

    faults: list[str] = field(default_factory=list)
    killed: int = 0
    left: dict[str, int] = field(default_factory=dict)
    decoded: list[int] = field(default_factory=list)


def main(arguments: list[str] | None = None) -> int:
    """Kill and resume; print what was left each time; 1 where anything was lost."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--clips", type=int, default=8)
    parser.add_argument("--first", type=int, default=0, help="Number of the first case.")
    options = parser.parse_args(arguments)
    rng = np.random.default_rng(options.seed)
    tally = Tally()
    with tempfile.TemporaryDirectory() as scratch:
        code = _code()
        ground = prepare(Path(scratch), options.clips)
        print(f"undisturbed: {ground.took_s:.1f} s, status {ground.status}")
        rng.uniform(size=2 * options.first)  # what the cases before it drew
        for number in range(options.first, options.first + options.kills):
            case(ground, Path(scratch) / "case", number, rng, tally)
            if _code() != code:
                raise SystemExit("the code was changed meanwhile: nothing can be compared")
    found = len(tally.faults)
    print(
        f"seed {options.seed}: {options.kills} cases, {tally.killed} kills that met a running "
        f"command; left in results/: {tally.left}"
    )
    print(
        f"not whole before or not equal after: {found} of {options.kills}, in percent "
        f"{share_text(found, options.kills)} (a perfect tool shows 0); clips decoded again by the "
        f"last run: median {np.median(tally.decoded):.0f} of {options.clips}"
    )
    for fault in tally.faults:
        print(f"LOST {fault}")
    return 1 if tally.faults else 0


def _code() -> str:
    """Return a hash of the code that is tried."""
    digest = hashlib.sha256()
    for path in sorted(Path(vidspeed.__file__).parent.rglob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def prepare(scratch: Path, clips: int) -> Ground:
    """Render the session, and measure it twice undisturbed: as it is, and with another survey."""
    scene = scratch / "scene.toml"
    passes = "".join(
        f'\n[[pass]]\ndirection = "{"reverse" if number % 2 else "forward"}"\n'
        f"speed_kmh = {280.0 + 7.0 * number}\n"
        for number in range(1, clips)
    )
    scene.write_text(scene_text() + passes, encoding="utf-8")
    session = scratch / "session"
    render_scene_file(scene, session, workers=1)
    new, status, took_s = _undisturbed(session, scratch / "new")
    if status not in (0, 3):
        raise SystemExit(f"the undisturbed run ended with status {status}: nothing can be compared")
    edit(session / "session.toml", "length_m = 40.0", "length_m = 40.2")
    earlier, _, _ = _undisturbed(session, scratch / "earlier")
    edit(session / "session.toml", "length_m = 40.2", "length_m = 40.0")
    return Ground(session=session, status=status, took_s=took_s, earlier=earlier, new=new)


def _undisturbed(session: Path, place: Path) -> tuple[dict[str, bytes], int, float]:
    shutil.copytree(session, place)
    start_s = time.monotonic()
    done = subprocess.run(
        [*COMMAND, str(place)], capture_output=True, check=False, timeout=LONGEST_S
    )
    took_s = time.monotonic() - start_s
    found = files_of(place / "results")
    shutil.rmtree(place)
    return found, done.returncode, took_s


def case(ground: Ground, place: Path, number: int, rng: np.random.Generator, tally: Tally) -> None:
    """Kill once, in every third case twice; then let it run. Every other case has results before.

    Where the first run ends before it is killed, it is begun anew and killed earlier.
    """
    shares = rng.uniform(0.0, LATEST, size=2)
    longest_s = ground.took_s
    for _ in range(TRIES):
        _begin(ground, place, number)
        ran_s = killed(place, float(shares[0] * longest_s))
        if ran_s is None:
            break
        longest_s = min(longest_s, ran_s) / LATEST
    tally.killed += ran_s is None
    _look(ground, place, number, tally)
    if number % 3 == 2:
        tally.killed += killed(place, float(shares[1] * longest_s)) is None
        _look(ground, place, number, tally)
    log = place.parent / "log.jsonl"
    done = subprocess.run(
        [*COMMAND, str(place), "--log-json", str(log)], capture_output=True, check=False,
        timeout=LONGEST_S, encoding="utf-8", errors="replace",
    )  # fmt: skip
    tally.decoded.append(_decoded(log))
    if done.returncode != ground.status:
        tally.faults.append(f"case {number}: status {done.returncode}: {done.stderr[-300:]}")
    elif files_of(place / "results") != ground.new:
        tally.faults.append(f"case {number}: results differ in {_different(ground, place)}")
    litter = [WORK, LOCK, *(path.name for path in (place / KEPT).glob("*.part"))]
    over = [name for name in litter if (place / name).exists() or (place / KEPT / name).exists()]
    if over:
        tally.faults.append(f"case {number}: left behind: {over}")
    shutil.rmtree(place)


def _begin(ground: Ground, place: Path, number: int) -> None:
    shutil.rmtree(place, ignore_errors=True)
    shutil.copytree(ground.session, place)
    if number % 2:
        _put(place / "results", ground.earlier)


def _look(ground: Ground, place: Path, number: int, tally: Tally) -> None:
    """Count what a kill left; what is neither the earlier nor the new results is a fault."""
    kind = left(ground, place)
    tally.left[kind] = tally.left.get(kind, 0) + 1
    if kind == "BROKEN" or (kind == "nothing" and number % 2):
        tally.faults.append(f"case {number}: {kind} after a kill")


def killed(place: Path, moment_s: float) -> float | None:
    """Start a run and kill it with all its processes after a while; else return how long it ran."""
    start_s = time.monotonic()
    running = subprocess.Popen(
        [*COMMAND, str(place)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        start_new_session=True,
    )  # fmt: skip
    try:
        running.wait(moment_s)
    except subprocess.TimeoutExpired:
        os.killpg(running.pid, signal.SIGKILL)
        running.wait()
        return None
    return time.monotonic() - start_s


def left(ground: Ground, place: Path) -> str:
    """Say what stands in results/, or waits beside it to be put back."""
    found = files_of(place / "results")
    known = {"nothing": {}, "earlier results": ground.earlier, "new results": ground.new}
    kind = next((name for name, files in known.items() if files == found), "BROKEN")
    waiting = files_of(place / WORK / "results-earlier")
    if kind == "nothing" and waiting == ground.earlier:  # killed between the two renames
        return "earlier results, to be put back"
    return kind


def _put(folder: Path, files: dict[str, bytes]) -> None:
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)


def _decoded(log: Path) -> int:
    """Return how many clips a run decoded, by its log."""
    rows = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    return sum(row["figures"].get("decoded") is True for row in rows)


def _different(ground: Ground, place: Path) -> list[str]:
    found = files_of(place / "results")
    return sorted(
        name for name in found.keys() | ground.new.keys() if found.get(name) != ground.new.get(name)
    )


if __name__ == "__main__":
    sys.exit(main())
