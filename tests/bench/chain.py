"""Mean and difference of two passes against many whole sessions: `python -m tests.bench.chain`.

The sessions are those of tests/against/test_against_chain.py, which flies a few of them: every
input disturbed as stated, once for whoever owns the error, and two passes solved. Printed is, for
each setup, RMS of error over stated u of the mean and of the difference with the 99 % range of a
true u, and the same had the passes been taken for independent.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from typing import Any

import numpy as np
from scipy.stats import chi2

from tests.against.test_against_chain import DIFFERENCE, MEAN, SETUPS, Setup, scores, session_of

TAIL = 0.005


def main(arguments: list[str] | None = None) -> int:
    """Fly the sessions and print the table; 1 where a figure lies outside its range."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sessions", type=int, default=400, help="of each setup")
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args(arguments)
    os.environ["OPENBLAS_NUM_THREADS"] = "1"  # a worker has one core; read when numpy is loaded
    seeds = [10_000_000 * (1 + options.seed) + number for number in range(options.sessions)]
    low, high = np.sqrt(chi2.ppf([TAIL, 1.0 - TAIL], len(seeds)) / len(seeds))
    print(
        "| setup | n | RMS z of the mean | of the difference | correlation "
        "| taken for independent: mean, difference | |\n" + "|" + " --- |" * 7
    )
    good = True
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(options.jobs, mp_context=spawn) as pool:
        for setup in SETUPS:
            rows = list(pool.map(partial(session_of, setup), seeds, chunksize=10))
            text, inside = row_text(setup, rows, float(low), float(high))
            print(text, flush=True)
            good = good and inside
    print(
        f"\nseed {options.seed}; 99 % range of RMS z at n = {len(seeds)}: {low:.3f} to {high:.3f}"
    )
    return 0 if good else 1


def row_text(setup: Setup, rows: list[Any], low: float, high: float) -> tuple[str, bool]:
    """Return a row of the table, and whether both figures lie inside the range."""
    errors, matrices = (np.array(column) for column in zip(*rows, strict=True))
    found = [rms(scores(errors, matrices, weights)) for weights in (MEAN, DIFFERENCE)]
    alone = [rms(scores(errors, matrices * np.eye(2), weights)) for weights in (MEAN, DIFFERENCE)]
    sizes = np.sqrt(matrices[:, 0, 0] * matrices[:, 1, 1])
    like = float(np.mean(matrices[:, 0, 1] / sizes))
    inside = all(low <= value <= high for value in found)
    return (
        f"| {setup.name} | {len(rows)} | {found[0]:.3f} | {found[1]:.3f} | {like:+.2f} "
        f"| {alone[0]:.2f}, {alone[1]:.2f} | {'ok' if inside else 'OUT'} |",
        inside,
    )


def rms(z: Any) -> float:
    """Return the root of the mean square."""
    return float(np.sqrt(np.mean(np.square(z))))


if __name__ == "__main__":
    sys.exit(main())
