"""Whole runs for speed.py: a clip's session beside bare decoding, processes, and many tracks.

Every run is a process of its own; its wall clock, its processor time with that of its children, and
the most memory of any of them are those that the system tells when it has ended (not on Windows).
"""

from __future__ import annotations

import compileall
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

MOST_RUN, MOST_MB, LEAST_GAIN, MOST_SESSION_S = 1.25, 200.0, 1.8, 60.0
RUN = [sys.executable, "-c", "from vidspeed.cli import main; main()", "run"]
BARE = """
import sys, av
for clip in sys.argv[3:]:
    with av.open(clip) as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        stream.codec_context.thread_count = int(sys.argv[1])
        for frame in container.decode(stream):
            memoryview(frame.planes[0])
"""
SCAN = """
import json, sys
from pathlib import Path
import numpy as np
from vidspeed.clip import container, read
container.THREADS = int(sys.argv[1])
if BY_TURNS:
    read.frames_ahead = lambda stream: 0
from vidspeed.clip.scan import scan
from vidspeed.values import Strip
where = json.loads(sys.argv[2])
strip = where and Strip(polygon_px=np.array(where[0]), speed_px_s=tuple(where[1]))
for clip in sys.argv[3:]:
    scan(Path(clip), strip=strip)
"""
JUDGED = "scan, decoding by turns"  # that one process uses one core
MARKERS = ((0, 0, 0.2), (80, 0, 0.2), (0, 9, 2), (80, 9, 2), (25, -12, 0), (55, 14, 6), (42, 5, 1))


class Ended(NamedTuple):
    """A process that has ended: what it cost, and the memory of the largest one."""

    wall_s: float
    cpu_s: float
    peak_mb: float


def whole_runs(clips: Sequence[Path], camera_of: Any, runs: int) -> bool:
    """Print a whole `vidspeed run` beside bare decoding; say whether all clips keep to it."""
    compiled()
    print(
        "| clip | passes | bare s: wall, processor | run s: wall, processor "
        "| run over bare: median | least, most | processor time over bare | solved again s "
        "| bare peak MB | run adds MB | |\n" + "|" + " --- |" * 11
    )
    good = [_whole_row(clip, camera_of, runs) for clip in clips]
    return all(good)


def compiled() -> None:
    """Keep the package's modules compiled, as pip does where it installs a package.

    An environment that has Python write no byte code would have every process of a run compile
    them again: 0.7 s of processor time a run, which nobody has who installed the tool.
    """
    import vidspeed

    compileall.compile_dir(Path(vidspeed.__file__).parent, quiet=1)


def _whole_row(clip: Path, camera_of: Any, runs: int) -> bool:
    from speed import _alone

    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        write_session(folder, clip, camera_of)
        pairs = [(_alone("bare", clip), ended([*RUN, "--fresh", str(folder)])) for _ in range(runs)]
        again = middle([ended([*RUN, str(folder)]).wall_s for _ in range(runs)])
        rows = (folder / "results" / "passes.csv").read_text(encoding="utf-8").splitlines()
    share = sorted(run.wall_s / bare.wall_s for bare, run in pairs)
    work = middle([run.cpu_s / bare.cpu_s for bare, run in pairs])
    bare, run = (
        Ended(*(middle([getattr(one, name) for one in side]) for name in Ended._fields))
        for side in zip(*pairs, strict=True)
    )
    memory = run.peak_mb - bare.peak_mb
    good = middle(share) <= MOST_RUN and memory <= MOST_MB
    print(
        f"| {clip.name} | {len(rows) - 1} | {bare.wall_s:.2f}, {bare.cpu_s:.2f} "
        f"| {run.wall_s:.2f}, {run.cpu_s:.2f} | {middle(share):.2f} "
        f"| {share[0]:.2f}, {share[-1]:.2f} | {work:.2f} | {again:.2f} | {bare.peak_mb:.0f} "
        f"| {memory:+.0f} | {'ok' if good else 'OVER'} |",
        flush=True,
    )
    return good


def processes(clip: Path, runs: int, count: int = 8) -> bool:
    """Print two processes with a decoder thread each against one; say whether they gain enough.

    A scan decodes ahead in a thread beside its own, so that one process uses part of two cores;
    whether two hinder each other shows where it decodes by turns.
    """
    print("| work on eight clips | one process, one thread s | two such s | gain: median "
          "| least, most | one process, two threads s |\n" + "|" + " --- |" * 6)  # fmt: skip
    from speed import _strip

    good, where = True, json.dumps(_strip(clip))
    with tempfile.TemporaryDirectory() as scratch:
        clips = [shutil.copy(clip, Path(scratch) / f"{k}{clip.suffix}") for k in range(count)]
        programs = {
            "bare decoding": BARE,
            "scan, decoding ahead": f"BY_TURNS = False\n{SCAN}",
            JUDGED: f"BY_TURNS = True\n{SCAN}",
        }
        for name, program in programs.items():
            alone, both, threads = [], [], []
            for _ in range(runs):
                alone.append(_together(program, 1, where, [clips]))
                both.append(_together(program, 1, where, [clips[::2], clips[1::2]]))
                threads.append(_together(program, 2, where, [clips]))
            gain = sorted(one / two for one, two in zip(alone, both, strict=True))
            good = good and (name != JUDGED or middle(gain) >= LEAST_GAIN)
            print(
                f"| {name} | {middle(alone):.2f} | {middle(both):.2f} | {middle(gain):.2f} "
                f"| {gain[0]:.2f}, {gain[-1]:.2f} | {middle(threads):.2f} |",
                flush=True,
            )
    return good


def many_tracks(count: int, seed: int, *, written: bool) -> bool:
    """Print how long a session of many tracks takes; say whether that is short enough."""
    import numpy as np

    from vidspeed.measure import run
    from vidspeed.record.files import write_results
    from vidspeed.render.session import render_session

    rng = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        ways = ["forward", "reverse"]
        speeds = rng.uniform(60.0, 130.0, count)
        scene = scene_of(speeds=speeds, ways=[ways[k % 2] for k in range(count)], seed=seed)
        render_session(scene, folder, bare_u_px=0.2)
        begin_s, begin_cpu_s = time.perf_counter(), time.process_time()
        outcome = run(folder)
        solved_s, solved_cpu_s = time.perf_counter(), time.process_time()
        print(
            "| tracks | passes | solved again s: wall, processor | results written s: wall, "
            "processor | |\n" + "|" + " --- |" * 5 + "\n"
            f"| {count} | {len(outcome.passes)} | {solved_s - begin_s:.1f}, "
            f"{solved_cpu_s - begin_cpu_s:.1f} ",
            end="",
            flush=True,
        )
        good = solved_s - begin_s <= MOST_SESSION_S
        if written:
            write_results(outcome)
        print(
            f"| {time.perf_counter() - solved_s:.1f}, {time.process_time() - solved_cpu_s:.1f} "
            f"| {'ok' if good else 'OVER'} |",
            flush=True,
        )
    return good


def write_session(folder: Path, clip: Path, camera_of: Any) -> None:
    """Write the session of a clip that was rendered for speed.py, the clip linked or copied in."""
    from vidspeed.clip.read import ClipReader
    from vidspeed.render.draw import draw_world
    from vidspeed.render.stated import session_files

    with ClipReader(clip) as reader:
        camera = camera_of(reader.header.size_px)
    scene = replace(scene_of(), cameras=(camera,))
    world = draw_world(scene)
    name = f"clip{clip.suffix}"
    try:
        os.link(clip, folder / name)
    except OSError:
        shutil.copy(clip, folder / name)
    world = replace(world, takes=(replace(world.takes[0], camera=camera),))
    for file, text in session_files(scene, world, [name]).items():
        kept = [line for line in text.splitlines() if not line.startswith("pass = ")]
        (folder / file).write_text("\n".join(kept) + "\n", encoding="utf-8", newline="\n")


def scene_of(
    speeds: Sequence[float] = (120.0,), ways: Sequence[str] = ("forward",), seed: int = 1
) -> Any:
    """Return the course of speed.py with passes at `speeds` (m/s), and its camera."""
    import numpy as np
    from speed import LENGTH_M, _camera, flight_line

    from vidspeed.render.scene import Scene, ScenePass
    from vidspeed.values import Course, Craft, Marker

    return Scene(
        title="Speed of the tool",
        seed=seed,
        course=Course(length_m=LENGTH_M, length_u_m=0.02),
        markers=tuple(
            Marker(name=f"m{k}", xyz_m=np.array(place, float), u_m=0.01)
            for k, place in enumerate(MARKERS)
        ),
        flight_line=flight_line(),
        craft=Craft(speed_mps=(40.0, 170.0)),
        cameras=(_camera((1920, 1080)),),
        passes=tuple(
            ScenePass(label=str(k + 1), direction=way, speed_mps=float(speed))  # type: ignore[arg-type]
            for k, (speed, way) in enumerate(zip(speeds, ways, strict=True))
        ),
    )


def ended(command: Sequence[str]) -> Ended:
    """Run a command to its end; whatever it says, it must have ended as the contract says."""
    begin_s = time.perf_counter()
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    with tempfile.TemporaryFile() as told:
        child = subprocess.Popen(command, stdout=told, stderr=told, env=environment)
        _, status, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        if child.returncode not in (0, 3):
            told.seek(0)
            raise SystemExit(told.read().decode("utf-8", "replace")[-2000:])
    return Ended(time.perf_counter() - begin_s, used.ru_utime + used.ru_stime, used.ru_maxrss / 1e3)


def _together(program: str, threads: int, where: str, shares: Sequence[Sequence[Any]]) -> float:
    """Return the wall clock of processes that run side by side, a share of the clips each."""
    begin_s = time.perf_counter()
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    children = [
        subprocess.Popen(
            [sys.executable, "-c", program, str(threads), where, *map(str, share)],
            env=environment,
        )
        for share in shares
    ]
    codes = [child.wait() for child in children]
    if any(codes):
        raise SystemExit("a process of the bench failed")
    return time.perf_counter() - begin_s


def middle(values: Sequence[float]) -> float:
    """Return the median of an odd number of values, the upper one of an even number."""
    return sorted(values)[len(values) // 2]
