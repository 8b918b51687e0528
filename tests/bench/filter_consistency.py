"""Is the Kalman filter of the tracker as sure as it says? NIS and NEES, in memory and on clips.

`python tests/bench/filter_consistency.py --runs 200 --clips 8 --seed 1`. See README.md.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from bench_hard import CONDITIONS, draw
from bench_truth import Floats
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.clip.drawn import Log, drawn, logged
from vidspeed.clip.scan import scan
from vidspeed.render.clip import light_places

STATES, SEEN = 4, 2
NEAR_PX = 6.0
CLEAN = ("plain", "streak", "faint", "gap", "hot", "step")


def main(arguments: list[str] | None = None) -> int:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--runs", type=int, default=200, help="drawn from the filter's own model")
    parser.add_argument("--clips", type=int, default=8, help="rendered, of each condition")
    parser.add_argument("--condition", action="append", choices=CLEAN)
    options = parser.parse_args(arguments)
    print("| what | runs | steps | mean NIS (2) | mean NEES (4) | NIS > 99 % |")
    print("|" + " --- |" * 6)
    rng = np.random.default_rng(options.seed)
    lone = [drawn(rng) for _ in range(options.runs)]
    told("drawn", [(log, np.array([nees])) for log, nees in lone])
    for condition in options.condition or CLEAN:
        told(condition, [filmed(condition, k, options.seed) for k in range(options.clips)])
    return 0


def told(name: str, runs: Sequence[tuple[Log, Floats]]) -> None:
    """Print a row: means over runs, with the range of a consistent filter 99 times in 100."""
    runs = [run for run in runs if run[0].nis]
    if not runs:
        print(f"| {name} | 0 | - | - | - | - |")
        return
    nis = [np.mean(log.nis) for log, _ in runs]
    nees = [np.mean(errors[np.isfinite(errors)]) for _, errors in runs]
    steps = sum(len(log.nis) for log, _ in runs)
    beyond = np.concatenate([log.nis for log, _ in runs]) > stats.chi2.ppf(0.99, SEEN)
    print(
        f"| {name} | {len(runs)} | {steps} | {np.mean(nis):.2f} {bounds(steps, SEEN)} | "
        f"{np.mean(nees):.2f} {bounds(len(runs), STATES)} | {100.0 * beyond.mean():.1f} % |",
        flush=True,
    )


def bounds(count: int, dof: int) -> str:
    """Return the 99 % range of the mean of `count` values of chi-square."""
    low, high = stats.chi2.ppf([0.005, 0.995], count * dof) / count
    return f"[{low:.2f}, {high:.2f}]"


# --- on rendered clips ------------------------------------------------------------------------


def filmed(condition: str, index: int, seed: int) -> tuple[Log, Floats]:
    """Follow the craft through a rendered clip; the NEES at each spot, against the true way."""
    from follow import film

    key = (list(CONDITIONS).index(condition), index)
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=key))
    hard = draw(condition, index, rng)
    logs: list[Log] = []
    with tempfile.TemporaryDirectory(prefix="vidspeed-bench-") as folder, logged(logs):
        shot = film(hard, Path(folder), False)
        scan(shot.path)
    places = light_places(shot.camera, shot.passes[0][0], shot.plan)
    velocity = np.gradient(places.xy_px, places.time_s, axis=0)
    best, errors = Log(), np.zeros(0)
    for log in logs:
        found = np.full(len(log.frame), np.nan)
        near = np.zeros(len(log.frame), bool)
        for k, frame in enumerate(log.frame):
            at = np.flatnonzero(places.frame == frame)
            if not len(at):
                continue
            truth = np.column_stack([places.xy_px[at[0]], velocity[at[0]]]).ravel()
            error = truth - log.state[k]
            near[k] = np.hypot(error[0], error[2]) < NEAR_PX
            found[k] = error @ np.linalg.solve(log.spread[k], error)
        if len(near) and near.mean() > 0.8 and len(log.nis) > len(best.nis):
            best, errors = log, found
    return best, errors


if __name__ == "__main__":
    sys.exit(main())
