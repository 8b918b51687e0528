"""What finding and following costs beside decoding: `python tests/bench/speed.py`.

Not a test: the figures depend on the machine. Renders a clip with a pass every ten seconds, then
decodes it bare (PyAV, the luma plane looked at and nothing else) and scans it, by turns, each run
in a process of its own. README.md beside this file says what is printed.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from bench_join import join
from bench_whole import compiled, many_tracks, processes, whole_runs

MOST_SHARE, MOST_MB = 0.2, 200.0
EVERY_S, FULL_EVERY_S = 10.0, 0.25  # from pass to pass, and in a clip full of lights
SPEED_MPS, LENGTH_M = 120.0, 80.0
NOISE = {"clean": (6000.0, 3.0), "noisy": (1500.0, 4.0)}  # full well, read noise: electrons
SUFFIX = {"h264": ".mp4", "hevc": ".mp4", "mjpeg": ".mov", "ffv1": ".avi"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """One run: wall clock and processor time of the work alone, peak memory of the process."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    frames: int
    tracks: int


def main(arguments: list[str] | None = None) -> int:
    """Time every clip and print the table; 1 where scanning costs too much time or memory."""
    options = _options(arguments)
    if options.one:
        print(json.dumps(RUNS[options.one](Path(options.clips[0]), json.loads(options.strip))))
        return 0
    if options.part == "tracks":
        return 0 if many_tracks(options.tracks, options.seed, written=options.written) else 1
    with tempfile.TemporaryDirectory() as scratch:
        clips = [Path(clip) for clip in options.clips] or _rendered(options, Path(scratch))
        if options.part == "run":
            return 0 if whole_runs(clips, _camera, options.runs) else 1
        if options.part == "processes":
            return 0 if processes(clips[0], options.runs) else 1
        print(
            "| clip | Mbit/s | frames | tracks | bare ms a frame: wall, processor "
            "| scan adds, of bare: median "
            "| least, most | processor time adds | bare peak MB | scan adds MB | |\n"
            + "|" + " --- |" * 11
        )  # fmt: skip
        what = "everywhere" if options.everywhere else "scan"
        compiled()
        rows = [_row(clip, what, options.runs) for clip in clips]
    return 0 if all(rows) else 1


def _options(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("clips", nargs="*", help="clips to time instead of rendered ones")
    parser.add_argument(
        "--part", default="scan", choices=["scan", "run", "processes", "tracks"],
        help="scan beside decoding; whole run; two processes; a session of tracks alone",
    )  # fmt: skip
    parser.add_argument("--tracks", type=int, default=1000, help="of that session")
    parser.add_argument("--written", action="store_true", help="its results and pictures as well")
    parser.add_argument("--codec", nargs="+", default=["h264"], choices=sorted(SUFFIX))
    parser.add_argument("--size", nargs="+", default=["1920x1080"])
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--times", type=int, default=1, help="joined to itself, so many together")
    parser.add_argument("--rate", type=float, default=60.0)
    parser.add_argument("--crf", type=int, default=21)
    parser.add_argument("--preset", default="veryfast")
    parser.add_argument("--look", default="dusk", choices=["dark", "dusk", "day"])
    parser.add_argument("--noise", default="noisy", choices=sorted(NOISE))
    parser.add_argument("--full", action="store_true", help="a clip full of lights")
    parser.add_argument("--everywhere", action="store_true", help="scan without a course")
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, help="where rendered clips are kept for next time")
    parser.add_argument("--strip", default="null", help="polygon and speeds, as JSON, of one run")
    parser.add_argument("--one", choices=sorted(RUNS), help="one run of one clip, as JSON")
    return parser.parse_args(arguments)


def _row(clip: Path, what: str, runs: int) -> bool:
    """Time a clip by turns and print its row; say whether it keeps within its share."""
    pairs = [(_alone("bare", clip), _alone(what, clip)) for _ in range(runs)]
    bare, scans = zip(*pairs, strict=True)
    added = sorted(scan.wall_s / plain.wall_s - 1.0 for plain, scan in pairs)
    work = _middle([scan.cpu_s / plain.cpu_s - 1.0 for plain, scan in pairs])
    memory = _middle([scan.peak_mb - plain.peak_mb for plain, scan in pairs])
    frame_ms = 1e3 * _middle([plain.wall_s for plain in bare]) / bare[0].frames
    frame_cpu_ms = 1e3 * _middle([plain.cpu_s for plain in bare]) / bare[0].frames
    megabits = clip.stat().st_size * 8e-6 / _duration_s(clip)
    good = _middle(added) <= MOST_SHARE and memory <= MOST_MB
    print(
        f"| {clip.name} | {megabits:.1f} | {bare[0].frames} | {scans[0].tracks} "
        f"| {frame_ms:.2f}, {frame_cpu_ms:.2f} "
        f"| {_middle(added):+.2f} | {added[0]:+.2f}, {added[-1]:+.2f} | {work:+.2f} "
        f"| {_middle([plain.peak_mb for plain in bare]):.0f} | {memory:+.0f} "
        f"| {'ok' if good else 'OVER'} |",
        flush=True,
    )
    return good


def _middle(values: list[float]) -> float:
    return sorted(values)[len(values) // 2]


def _duration_s(clip: Path) -> float:
    from vidspeed.clip.read import ClipReader

    with ClipReader(clip) as reader:
        return reader.header.duration_s or 1.0


def _alone(what: str, clip: Path) -> Cost:
    """Run one of `RUNS` in a process of its own."""
    where = json.dumps(_strip(clip) if what == "scan" else None)
    command = [sys.executable, __file__, "--one", what, str(clip), "--strip", where]
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(command, capture_output=True, check=True, env=environment, text=True)
    return Cost(**json.loads(done.stdout))


def _measured(work: Callable[[], tuple[int, int]]) -> dict[str, Any]:
    """Do a work and return what it cost; `work` gives the numbers of frames and of tracks."""
    begin_s, begin_cpu_s = time.perf_counter(), time.process_time()
    frames, tracks = work()
    return {
        "wall_s": time.perf_counter() - begin_s,
        "cpu_s": time.process_time() - begin_cpu_s,
        "peak_mb": _peak_mb(),
        "frames": frames,
        "tracks": tracks,
    }


def _peak_mb() -> float:
    """Return the most memory that this process has held (Linux; elsewhere not a number)."""
    try:
        status = Path("/proc/self/status").read_text(encoding="ascii")
    except OSError:
        return float("nan")
    line = next(row for row in status.splitlines() if row.startswith("VmHWM"))
    return float(line.split()[1]) / 1e3  # since the program began: getrusage knows its parent's


def _bare(clip: Path, _: Any) -> dict[str, Any]:
    """Decode a clip and look at each luma plane."""
    import av

    def work() -> tuple[int, int]:
        frames = 0
        with av.open(str(clip)) as container:
            stream = container.streams.video[0]
            stream.thread_type = "AUTO"
            for frame in container.decode(stream):
                memoryview(frame.planes[0])
                frames += 1
        return frames, 0

    return _measured(work)


def _scan(clip: Path, where: Any) -> dict[str, Any]:
    """Scan a clip along the course, as a run does, or everywhere where no strip is given."""
    import numpy as np

    from vidspeed.clip.scan import scan
    from vidspeed.values import Strip

    strip = where and Strip(polygon_px=np.array(where[0]), speed_px_s=tuple(where[1]))

    def work() -> tuple[int, int]:
        seen = scan(clip, strip=strip)
        return seen.facts.frames, len(seen.tracks)

    return _measured(work)


def flight_line() -> Any:
    """Return where the rendered craft flies, as well known as a marked line is."""
    import numpy as np

    from vidspeed.values import FlightLine

    return FlightLine(
        offset_m=0.0, offset_u_m=0.5, height_m=6.0, height_u_m=1.0, drift_u_m=0.5, climb_u_m=0.5,
        weave_u_m=0.02, accel_u_mps2=np.array([10.0, 3.0, 3.0]),
    )  # fmt: skip


def _strip(clip: Path) -> Any:
    """Return where the rendered craft can be, as well known as a marked line is: plain lists."""

    from vidspeed.clip.read import ClipReader
    from vidspeed.geometry.course import strip
    from vidspeed.render.scene import pose_of
    from vidspeed.values import Course, Craft

    with ClipReader(clip) as reader:
        camera = _camera(reader.header.size_px)
    course = Course(length_m=LENGTH_M, length_u_m=0.02)
    found = strip(course, flight_line(), Craft(), pose_of(camera), camera.lens)
    return None if found is None else [found.polygon_px.tolist(), list(found.speed_px_s)]


RUNS: dict[str, Callable[[Path, Any], dict[str, Any]]] = {
    "bare": _bare,
    "scan": _scan,
    "everywhere": _scan,
}


def _rendered(options: argparse.Namespace, scratch: Path) -> list[Path]:
    """Render a clip of every codec and size, or take those that are kept."""
    folder = options.folder or scratch
    folder.mkdir(parents=True, exist_ok=True)
    clips = []
    for codec in options.codec:
        for size in options.size:
            kind = f"{options.look}-full" if options.full else options.look
            clip = folder / (
                f"{codec}-{size}-{options.rate:g}-{kind}-{options.noise}-crf{options.crf}-{options.preset}"
                f"-{options.seconds:g}s-{options.seed}{SUFFIX[codec]}"
            )
            if not clip.exists():
                print(f"rendering {clip.name}", file=sys.stderr, flush=True)
                unfinished = clip.with_name(f"unfinished-{clip.name}")
                _render(unfinished, options, codec, size)
                unfinished.replace(clip)
            clips.append(clip if options.times == 1 else _joined(clip, options))
    return clips


def _joined(clip: Path, options: argparse.Namespace) -> Path:
    """Return a clip joined to itself `options.times` times: a pass every ten seconds, still."""
    whole = clip.with_stem(f"{clip.stem}-times-{options.times}")
    if not whole.exists():
        rate_hz = Fraction(options.rate).limit_denominator(1001)
        unfinished = whole.with_name(f"unfinished-{whole.name}")
        join(clip, unfinished, options.times, round(options.seconds * options.rate) / rate_hz)
        unfinished.replace(whole)
    return whole


def _camera(size_px: tuple[int, int], **changes: Any) -> Any:
    """Return a camera beside the middle of the course."""
    import numpy as np

    from vidspeed.render.scene import SceneCamera

    width, height = size_px
    focal = 0.77 * width
    plain: dict[str, Any] = {
        "name": "north",
        "position_m": np.array([40.0, -60.0, 1.7]),
        "aim_m": np.array([40.0, 0.0, 8.0]),
        "image_size_px": size_px,
        "lens": np.array([focal, focal, width / 2, height / 2, -0.01, 0.0, 0.0, 0.0, 0.0]),
        "lens_u": np.full(9, 0.01),
        "rate_hz": Fraction(60),
        "exposure_s": 0.003,
        "readout_s": 0.012,
        "readout_u_s": 0.002,
    }
    return SceneCamera(**{**plain, **changes})


def _render(path: Path, options: argparse.Namespace, codec: str, size: str) -> None:
    """Film passes of a lamp past a camera beside the course."""
    import numpy as np

    from vidspeed.render.clip import plan_clip, render_clip
    from vidspeed.render.flight import make_flight, no_weave
    from vidspeed.render.scene import Look, StaticLamp

    width, height = (int(side) for side in size.split("x"))
    rng = np.random.default_rng(options.seed)
    well_e, read_e = NOISE[options.noise]
    camera = _camera(
        (width, height),
        rate_hz=Fraction(options.rate).limit_denominator(1001),
        codec=codec,
        crf=options.crf,
        preset=options.preset,
        look=Look(
            background=options.look, lamp_signal=4.0, full_well_e=well_e, read_noise_e=read_e
        ),
    )
    every_s = FULL_EVERY_S if options.full else EVERY_S
    flights = [
        make_flight(
            length_m=LENGTH_M,
            direction="forward" if number % 2 else "reverse",
            speed_mps=SPEED_MPS * rng.uniform(0.4, 1.0) if options.full else SPEED_MPS,
            mean_m=(rng.uniform(-2.0, 2.0), rng.uniform(4.0, 16.0) if options.full else 6.0),
            change_m=(rng.uniform(-1.0, 1.0), rng.uniform(-0.5, 0.5)),
            accel_mps2=np.array([4.0, 0.5, -0.5]),
            jerk_mps3=np.zeros(3),
            weave=no_weave(LENGTH_M),
            epoch_s=middle_s,
        )
        for number, middle_s in enumerate(np.arange(0.5 * every_s, options.seconds, every_s))
    ]
    places = rng.uniform([-10.0, 5.0, 1.0], [90.0, 150.0, 12.0], (60 if options.full else 6, 3))
    plan = plan_clip(camera, 0.0, options.seconds, 0.0, rng)
    lamps = [StaticLamp(xyz_m=place, signal=rng.uniform(0.5, 6.0)) for place in places]
    seed = options.seed
    render_clip(path, camera, flights, plan, lamps=lamps, seed=seed, view_seed=seed, threads=2)


if __name__ == "__main__":
    sys.exit(main())
