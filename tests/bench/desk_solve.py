"""How long a pass takes that is solved again on its page: `python tests/bench/desk_solve.py`.

Not a test: the figures depend on the machine. README.md beside this file says what is timed.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

MOST_S = 1.0  # that a pass may take once its clips were looked at


def main(arguments: list[str] | None = None) -> int:
    """Dismiss lights of every pass, one after the other, and time each solution."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1, help="of which lights are dismissed")
    parser.add_argument("--lights", type=int, default=5, help="of each pass")
    parser.add_argument("--session", type=Path, help="a measured one; else the demonstration")
    parser.add_argument("--bare", action="store_true", help="take the pass labels off first")
    options = parser.parse_args(arguments)
    os.environ["OPENBLAS_NUM_THREADS"] = "1"  # as the command does; read when numpy is loaded
    with tempfile.TemporaryDirectory() as place:
        folder = _session(options.session, Path(place) / "session", options.bare)
        rows, same, count = _timed(folder, np.random.default_rng(options.seed), options.lights)
    print("| what | n | median, processor s | largest, processor s | largest, clock s |")
    print("| --- | --- | --- | --- | --- |")
    for what, times in rows.items():
        spent = np.array(times)
        print(f"| {what} | {len(spent)} | {np.median(spent[:, 0]):.3f} | {spent[:, 0].max():.3f} "
              f"| {spent[:, 1].max():.3f} |")  # fmt: skip
    print(f"passes whose figures are those of a run to the last bit: {same} of {count}")
    fast = np.array(rows["a light dismissed"])[:, 0].max() <= MOST_S
    return 0 if fast and same == count else 1


def _session(given: Path | None, folder: Path, bare: bool) -> Path:
    """Return a copy of a session with its results, measured where it was changed or made."""
    from vidspeed.assembly.gather import Keeping
    from vidspeed.demo import demo
    from vidspeed.measure import run
    from vidspeed.record.files import write_results

    if given is None:
        demo(folder)
    else:
        shutil.copytree(given, folder)
    if bare:
        path = folder / "session.toml"
        lines = path.read_text(encoding="utf-8").splitlines()
        kept = [line for line in lines if not line.startswith(("pass =", "flight ="))]
        path.write_text("\n".join(kept) + "\n", encoding="utf-8")
    write_results(run(folder, keeping=Keeping(folder=folder), workers=2), folder=folder)
    return folder


def _timed(
    folder: Path, random: np.random.Generator, lights: int
) -> tuple[dict[str, list[tuple[float, float]]], int, int]:
    """Return times by what was done, and of how many passes the figures were those of the run."""
    from vidspeed.desk import choices
    from vidspeed.desk.onepass import wanted_of
    from vidspeed.desk.passes import Shown, Wanted, forget, solved
    from vidspeed.desk.results import summary_of
    from vidspeed.desk.sources import read_source
    from vidspeed.session.read import read_session
    from vidspeed.values import Choice

    rows: dict[str, list[tuple[float, float]]] = {"opened": [], "a light dismissed": []}

    def solve(what: str, wanted: Wanted) -> Shown:
        began = time.process_time(), time.perf_counter()
        shown = solved(folder, wanted)
        rows[what].append((time.process_time() - began[0], time.perf_counter() - began[1]))
        return shown

    found = summary_of(folder)
    assert found is not None
    same = count = 0
    for number, row in enumerate(found["passes"]):
        if row["speed_mps"] is None:
            continue
        forget()
        wanted = wanted_of(found, number)
        shown = solve("opened", wanted)
        count += 1
        same += shown.result is not None and shown.result.speed_mps == row["speed_mps"]
        before = (folder / "session.toml").read_bytes()
        for _ in range(lights):
            assert shown.result is not None
            sighted = shown.result.sightings[random.integers(len(shown.result.sightings))]
            at = random.choice(np.flatnonzero(sighted.used))
            light = Choice(time_s=float(sighted.track.time_s[at]), xy_px=sighted.track.xy_px[at])
            session = read_session(folder)
            clip = next(each for each in session.clips if each.name == sighted.clip)
            dismissed = choices.with_dismissed(clip, [light])
            choices.change(read_source(folder), session, [(clip.name, "dismiss", dismissed)])
            shown = solve("a light dismissed", wanted)
        (folder / "session.toml").write_bytes(before)
    return rows, same, count


if __name__ == "__main__":
    sys.exit(main())
