"""Coded boards on posts at 60 and at 25 pixels a side: how many are found, and error over u.

    .venv/bin/python tests/bench/boards.py --seed 1 --boards 200

Every picture holds one board of a random number, turned by up to 40 degrees, with random blur,
light and noise. A board that is not found, or read as another number, is counted as lost; RMS z is
that of both coordinates of those found. The ranges are those of a perfect tool (99 %).
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from scipy.stats import chi2

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from tests.bench.bench_posts import post
from vidspeed.geometry.coded import find_coded


def measured(seed: int, boards: int, family: str, side_px: float) -> dict[str, float]:
    """Return what is found of so many boards: share, wrong numbers, RMS error, RMS z."""
    errors, sizes, false = [], [], 0
    for number in range(boards):
        rng = np.random.default_rng([seed, number, round(side_px)])
        picture, shown, truth = post(rng, family, side_px)
        found = {row.number: row for row in find_coded(picture, family)}
        false += len(set(found) - {shown})
        if shown in found:
            errors.append(found[shown].xy_px - truth)
            sizes.append(found[shown].u_px)
    error, u = np.array(errors), np.array(sizes)[:, None]
    return {
        "boards": boards,
        "found_percent": 100.0 * len(error) / boards,
        "false": false,
        "rms_px": float(np.sqrt(np.mean(error**2))),
        "median_u_px": float(np.median(u)),
        "rms_z": float(np.sqrt(np.mean((error / u) ** 2))),
        "worst_z": float(np.abs(error / u).max()),
        "dof": 2 * len(error),
    }


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--boards", type=int, default=200)
    given = parser.parse_args()
    print(f"seed {given.seed}, {given.boards} boards a row; error and u in pixels, a coordinate")
    print("| family | side px | found % | false | RMS error | median u | RMS z [99 %] | worst z |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for family in ("4x4_50", "apriltag_36h11"):
        for side_px in (60.0, 25.0):
            row = measured(given.seed, given.boards, family, side_px)
            low, high = np.sqrt(chi2.ppf([0.005, 0.995], row["dof"]) / row["dof"])
            print(
                f"| {family} | {side_px:g} | {row['found_percent']:.1f} | {row['false']} | "
                f"{row['rms_px']:.4f} | {row['median_u_px']:.4f} | "
                f"{row['rms_z']:.2f} [{low:.2f}, {high:.2f}] | {row['worst_z']:.1f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
