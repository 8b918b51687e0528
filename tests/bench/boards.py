"""Picks without clicking: coded boards at 60 and at 25 pixels a side, and lamps after dark.

    .venv/bin/python tests/bench/boards.py --seed 1

Every picture holds one board of a random number, turned by up to 40 degrees, with random blur,
light and noise; `encoded` is a still that `vidspeed still` makes of a clip of such frames. A board
that is not found, or read as another number, is counted as lost; RMS z is that of both
coordinates of those found. Lamps are those of the short encoded films of `moved.py`, 10 to 600
luma levels bright; those below 25 levels are not counted as lost. The ranges are those of a
perfect tool (99 %).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np
from scipy.stats import chi2

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))
from bench_films import places_of_lamps, write_film
from moved import small_film

from tests.bench.bench_posts import filmed, post
from vidspeed.clip.still import still
from vidspeed.geometry.beacons import beacons
from vidspeed.geometry.coded import find_coded
from vidspeed.geometry.codes import FAMILIES

FAINT = 25.0  # luma levels
ONE_LIGHT_PX = 6.0  # two lamps nearer to each other than this are one light: neither is asked


def measured(
    seed: int, boards: int, family: str, side_px: float, clip: Path | None = None
) -> dict[str, float]:
    """Return what is found of so many boards: share, wrong numbers, RMS error, RMS z."""
    errors, sizes, false = [], [], 0
    for number in range(boards):
        rng = np.random.default_rng([seed, number, round(side_px)])
        shot = post(rng, family, side_px) if clip is None else filmed(rng, family, side_px, clip)
        picture, shown, truth = shot
        found = {row.number: row for row in find_coded(picture, family)}
        false += len(set(found) - {shown})
        if shown in found:
            errors.append(found[shown].xy_px - truth)
            sizes.append(found[shown].u_px)
    return summed(boards, false, errors, sizes)


def lamps(seed: int, clips: int, clip: Path) -> dict[str, float]:
    """Return what is found of the lamps in so many stills of encoded clips after dark."""
    errors, sizes, wanted = [], [], 0
    for number in range(clips):
        film = small_film(seed, number, True, np.random.default_rng([seed, number, 6]))
        found = beacons(still(write_film(film, clip), at_s=None))
        places, strengths = places_of_lamps(film)
        for place, strength in zip(places, strengths, strict=True):
            inside = np.all((place > 10) & (place < np.array(film.eye.size) - 10))
            near = int(np.sum(np.linalg.norm(places - place, axis=1) < ONE_LIGHT_PX))
            if not inside or strength < FAINT or near > 1:
                continue
            wanted += 1
            away = np.linalg.norm(found.xy_px - place, axis=1)
            if len(away) and away.min() < 3.0:
                nearest = int(away.argmin())
                errors.append(found.xy_px[nearest] - place)
                sizes.append(found.u_px[nearest])
    return summed(wanted, 0, errors, sizes)


def summed(wanted: int, false: int, errors: list, sizes: list) -> dict[str, float]:
    """Return the figures of a row."""
    error, u = np.array(errors), np.array(sizes)[:, None]
    return {
        "boards": wanted,
        "found_percent": 100.0 * len(error) / wanted,
        "false": false,
        "rms_px": float(np.sqrt(np.mean(error**2))),
        "median_u_px": float(np.median(u)),
        "rms_z": float(np.sqrt(np.mean((error / u) ** 2))),
        "worst_z": float(np.abs(error / u).max()),
        "dof": 2 * len(error),
    }


def show(name: str, row: dict[str, float]) -> None:
    """Print a row."""
    low, high = np.sqrt(chi2.ppf([0.005, 0.995], row["dof"]) / row["dof"])
    print(
        f"| {name} | {row['boards']} | {row['found_percent']:.1f} | {row['false']} | "
        f"{row['rms_px']:.4f} | {row['median_u_px']:.4f} | "
        f"{row['rms_z']:.2f} [{low:.2f}, {high:.2f}] | {row['worst_z']:.1f} |",
        flush=True,
    )


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--boards", type=int, default=200, help="of each row")
    parser.add_argument("--encoded", type=int, default=100, help="of each row, out of clips")
    parser.add_argument("--clips", type=int, default=40, help="with lamps, after dark")
    parser.add_argument("--families", default="4x4_50,apriltag_36h11", help="or all")
    given = parser.parse_args()
    families = FAMILIES if given.families == "all" else given.families.split(",")
    print(f"seed {given.seed}; error and u in pixels, a coordinate")
    print("| what | n | found % | false | RMS error | median u | RMS z [99 %] | worst z |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as folder:
        clip = Path(folder) / "clip.mp4"
        for family in families:
            for side_px in (60.0, 25.0):
                name = f"{family}, {side_px:g} px"
                if given.boards:
                    show(name, measured(given.seed, given.boards, family, side_px))
                if given.encoded:
                    row = measured(given.seed, given.encoded, family, side_px, clip)
                    show(f"{name}, encoded", row)
        if given.clips:
            show("lamps, encoded", lamps(given.seed, given.clips, clip))


if __name__ == "__main__":
    main()
