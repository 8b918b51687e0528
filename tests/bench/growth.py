"""How time grows: `python -m tests.bench.growth --seed 1`.

Not a test: the figures depend on the machine. Time against the number of clips, against the length
of a clip, and what a task costs on a Dask cluster. README.md beside this file says what is printed.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from tests.tiny import scene_text
from vidspeed.render.session import render_scene_file

COMMAND = [sys.executable, "-c", "from vidspeed.cli import main; main()", "run"]
LONGEST_S = 3600.0
CLIPS = (1, 2, 4, 8, 16, 32, 64)
LENGTHS_S = (2, 4, 8, 16, 32, 64)
CLIP = '\n[[clip]]\nfile = "{name}"\ncamera = "north"\n'


def main(arguments: list[str] | None = None) -> int:
    """Measure, fit straight lines and print them with what is left; always 0."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--clips", type=int, nargs="*", default=CLIPS)
    parser.add_argument("--lengths-s", type=int, nargs="*", default=LENGTHS_S)
    parser.add_argument("--tracks", type=int, default=10_000)
    parser.add_argument("--runs", type=int, default=3)
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as scratch:
        home = Path(scratch)
        if options.clips:
            _print_line("clips", by_clips(home, options.clips, options.runs, options.seed))
        if options.lengths_s:
            _print_line("seconds", by_length(home, options.lengths_s, options.runs, options.seed))
        if options.tracks:
            a_task(options.tracks)
    return 0


def by_clips(
    home: Path, counts: Sequence[int], runs: int, seed: int
) -> list[tuple[int, float, float]]:
    """Return number of clips, wall time and processor time of a run on fresh sessions."""
    source = _rendered(home / "one", 0.9, seed)
    rows = []
    for count in counts:
        folder = home / f"clips-{count}"
        shutil.copytree(source, folder)
        clip = next((folder / "clips").rglob("*.mp4"))
        text = (folder / "session.toml").read_text(encoding="utf-8")
        text = text[: text.index("[[clip]]")]
        for number in range(count):
            name = f"clips/{number}.mp4"
            with (folder / name).open("wb") as file:  # other bytes each, the same pictures
                file.write(clip.read_bytes() + b"\0\0\0\x0cfree" + number.to_bytes(4, "big"))
            text += CLIP.format(name=name)
        (folder / "session.toml").write_text(text, encoding="utf-8", newline="")
        rows.append((count, *_run(folder, runs)))
        shutil.rmtree(folder)
    return rows


def by_length(
    home: Path, lengths_s: Sequence[int], runs: int, seed: int
) -> list[tuple[int, float, float]]:
    """Return length of one clip, wall time and processor time of a run on fresh sessions."""
    rows = []
    for length_s in lengths_s:
        folder = _rendered(home / f"length-{length_s}", float(length_s), seed)
        rows.append((length_s, *_run(folder, runs)))
        shutil.rmtree(folder)
    return rows


def _rendered(folder: Path, clip_s: float, seed: int) -> Path:
    scene = folder.with_suffix(".toml")
    text = scene_text().replace("clip_s = 0.9", f"clip_s = {clip_s}")
    scene.write_text(text.replace("seed = 5", f"seed = {seed}"), encoding="utf-8")
    render_scene_file(scene, folder, workers=1)
    return folder


def _run(folder: Path, runs: int) -> tuple[float, float]:
    """Return the median wall time of runs that decode everything, and their processor time."""
    walls, works = [], []
    for _ in range(runs):
        start_s, before_s = time.monotonic(), _children_s()
        done = subprocess.run(
            [*COMMAND, str(folder), "--fresh"], capture_output=True, check=False, timeout=LONGEST_S
        )
        if done.returncode not in (0, 3):
            raise SystemExit(done.stderr.decode("utf-8", "replace"))
        walls.append(time.monotonic() - start_s)
        works.append(_children_s() - before_s)
    return float(np.median(walls)), float(np.median(works))


def _children_s() -> float:
    return os.times().children_user + os.times().children_system


def _print_line(what: str, rows: Sequence[tuple[int, float, float]]) -> None:
    """Print a table, and for both times the straight line through it and how far off it lies."""
    at = np.array([row[0] for row in rows], dtype=np.float64)
    print(
        f"\n| {what} | wall s | off the line % | processor s | off the line % |\n|" + 5 * " --- |"
    )
    fits = [_line(at, np.array([row[column] for row in rows])) for column in (1, 2)]
    for row in rows:
        off = [100.0 * (row[1 + one] / fit(row[0]) - 1.0) for one, fit in enumerate(fits)]
        print(f"| {row[0]} | {row[1]:.2f} | {off[0]:+.1f} | {row[2]:.2f} | {off[1]:+.1f} |")
    for name, column, fit in (("wall", 1, fits[0]), ("processor", 2, fits[1])):
        slope, base = fit(1.0) - fit(0.0), fit(0.0)
        ratio = _bend(at, np.array([row[column] for row in rows]))
        print(f"{name}: {base:.2f} s + {slope:.3f} s for each of the {what}; last step over the "
              f"line's slope {ratio:.2f} (1 is straight)")  # fmt: skip


def _line(at: np.ndarray, times: np.ndarray) -> Callable[[float], float]:
    """Return the line through times whose scatter grows with them: weights of one over each."""
    if len(at) < 2:
        return lambda _: float(times[0])
    slope, base = np.polyfit(at, times, 1, w=1.0 / times)
    return lambda place: float(base + slope * place)


def _bend(at: np.ndarray, times: np.ndarray) -> float:
    """Return the slope of the last step over that of the line; more than 1: it bends upwards."""
    if len(at) < 3:
        return 1.0
    fit = _line(at, times)
    return float((times[-1] - times[-2]) / (at[-1] - at[-2]) / (fit(1.0) - fit(0.0)))


def a_task(count: int) -> None:
    """Print what one short track costs through the seam: in this process, in a pool, on Dask."""
    from distributed import LocalCluster

    from tests.bench.growth_job import LIGHTS, look_at_track, tracks
    from vidspeed.spread.executor import cluster, executor

    rows = tracks(count)
    alone_s, answer = _timed(lambda: [look_at_track(row) for row in rows])
    print(f"\n{count} tracks of {LIGHTS} lights, each a job; ms a job, wall clock")
    print(f"no seam: {1e3 * alone_s / count:.3f}")
    with executor(1) as pool:
        _print_task("inline", pool, rows, answer, alone_s)
    with executor(2, ready=2, imports=look_at_track.__module__) as pool:
        pool.submit(look_at_track, rows[0]).result()
        _print_task("two processes", pool, rows, answer, alone_s)
    local = LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None,
        worker_dashboard_address=None,
    )  # fmt: skip
    with local, cluster(local.scheduler_address) as pool:
        pool.submit(look_at_track, rows[0]).result()
        _print_task("Dask, two workers", pool, rows, answer, alone_s)


def _print_task(name: str, pool, rows, answer, alone_s: float) -> None:  # type: ignore[no-untyped-def]
    from tests.bench.growth_job import look_at_track

    took_s, found = _timed(
        lambda: [job.result() for job in [pool.submit(look_at_track, row) for row in rows]]
    )
    same = "the same results" if found == answer else "OTHER RESULTS"
    count = len(rows)
    print(f"{name}: {1e3 * took_s / count:.3f}, {1e3 * (took_s - alone_s) / count:+.3f} beside no "
          f"seam; {same}")  # fmt: skip


def _timed(work):  # type: ignore[no-untyped-def]
    start_s = time.monotonic()
    found = work()
    return time.monotonic() - start_s, found


if __name__ == "__main__":
    sys.exit(main())
