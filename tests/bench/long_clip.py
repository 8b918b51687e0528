"""A long recording with many passes both ways: `python tests/bench/long_clip.py --minutes 20`.

One clip of follow.py's condition `many` is rendered once and joined to itself by copying its
packets. Printed is how many passes were found, invented, in the wrong order or direction, and how
much memory the whole needs beside a recording of a tenth of its length. See README.md.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import resource
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from bench_hard import CONDITIONS, draw
from bench_join import join
from follow import Shot, direction, film

from vidspeed.render.flight import true_speed_mps

NEAR_S = 0.1  # between a pass's middle as it was measured and as it was flown


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came out of one recording."""

    flown: int
    found: int
    false: int
    backward: int
    in_order: bool
    rms_z: float
    most_mb: float
    cpu_s: float


def main(arguments: list[str] | None = None) -> int:
    """Run the bench; the exit status is 0 only if every pass was found and nothing else."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    print(
        "| minutes | flown | found | false | direction wrong | in order | speed RMS z | memory MB "
        "| CPU s |"
    )
    print("|" + " --- |" * 9)
    good = True
    for minutes in (options.minutes / 10.0, options.minutes):
        with multiprocessing.get_context("spawn").Pool(1) as pool:  # memory is each one's own
            found = pool.apply(measured, (minutes, options.seed))
        print(
            f"| {minutes:.1f} | {found.flown} | {found.found} | {found.false} | {found.backward} "
            f"| {'yes' if found.in_order else 'NO'} | {found.rms_z:.2f} | {found.most_mb:.0f} "
            f"| {found.cpu_s:.0f} |",
            flush=True,
        )
        good &= found.found == found.flown and not found.false and not found.backward
        good &= found.in_order
    return 0 if good else 1


def measured(minutes: float, seed: int) -> Outcome:
    """Film a clip, join it to itself, and measure the whole."""
    from vidspeed.measure import run

    key = (list(CONDITIONS).index("many"), 0, 0)
    hard = draw("many", 0, np.random.default_rng(np.random.SeedSequence(seed, spawn_key=key)))
    hard.strength = 25.0
    hard.camera |= {"codec": "h264", "crf": 18, "suffix": ".mp4"}
    with tempfile.TemporaryDirectory(prefix="vidspeed-bench-") as name:
        shot = film(hard, Path(name), False)
        piece_s = len(shot.plan.open_s) / shot.camera.rate_hz
        count = max(round(60.0 * minutes / piece_s), 1)
        join(shot.path, whole := shot.path.with_name("whole.mp4"), count, piece_s)
        whole.replace(shot.path)
        began = time.process_time()
        outcome = run(Path(name))
        cpu_s = time.process_time() - began
    told = [row for row in outcome.passes if row.speed_mps is not None]
    flown = [middle_s + k * float(piece_s) for k in range(count) for middle_s in middles(shot)]
    ways = [direction(lamps) for _ in range(count) for lamps in shot.passes]
    truths = [true_speed_mps(lamps[0], shot.world.scale_error) for lamps in shot.passes] * count
    taken: set[int] = set()
    false, backward, squares = 0, 0, []
    for row in told:
        crossing = row.crossings[0]
        middle = 0.5 * (crossing.time_in_s + crossing.time_out_s)
        nearest = int(np.argmin(np.abs(np.array(flown) - middle)))
        if abs(flown[nearest] - middle) > NEAR_S or nearest in taken:
            false += 1
            continue
        taken.add(nearest)
        backward += row.direction != ways[nearest]
        squares.append(((row.speed_mps - truths[nearest]) / row.speed_u_mps) ** 2)
    times = [row.crossings[0].time_in_s for row in told]
    labels = [int(row.label) for row in told]
    return Outcome(
        flown=len(flown),
        found=len(taken),
        false=false,
        backward=backward,
        in_order=times == sorted(times) and labels == list(range(1, len(told) + 1)),
        rms_z=float(np.sqrt(np.mean(squares))) if squares else np.nan,
        most_mb=resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0,
        cpu_s=cpu_s,
    )


def middles(shot: Shot) -> list[float]:
    """Return when each pass is at the middle of its gates, in the clip's own time."""
    return [
        shot.plan.clip_time_s(lamps[0].epoch_s + float(np.mean(lamps[0].gates_s)))
        for lamps in shot.passes
    ]


if __name__ == "__main__":
    sys.exit(main())
