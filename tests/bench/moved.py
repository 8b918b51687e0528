"""Is it found that a camera moved, by how much, and that a clip was stabilised or carried?

    python tests/bench/moved.py --seed 1

Three parts. Pictures: two views of an invented landscape, the second shifted by 0.3 to 40 px,
turned, sometimes zoomed, by day, after dark, and a still by day against one after dark. Clips: the
same through a codec and the tool's own background. Films: clips left alone, shaken by wind,
stabilised, carried. Each row says n, what came out, and in brackets what chance allows (99 %).
A case in which nothing was matched counts as not within the limit, and is never dropped.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from bench_films import STABILISED, UNTOUCHED, draw_film, write_film
from bench_views import Eye, by_day, by_night, landscape, middle
from scipy.stats import chi2

from vidspeed.clip.scan import scan
from vidspeed.geometry.moved import movement
from vidspeed.geometry.steady import steadiness

SIZE = (960, 540)
WITHIN_PX = {"day": 0.2, "dark": 0.5, "day to dark": 0.5}


def main() -> int:
    """Run the parts that are asked for; 0 if all passes."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--pictures", type=int, default=40, help="of each kind of light")
    parser.add_argument("--clips", type=int, default=8, help="of each kind of light")
    parser.add_argument("--untouched", type=int, default=20)
    parser.add_argument("--shaken", type=int, default=10)
    parser.add_argument("--stabilised", type=int, default=12)
    parser.add_argument("--first", type=int, default=0, help="begin the films at this number")
    chosen = parser.parse_args()
    print("| movements | n | matched | within | px | RMS error px | largest px | RMS z |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    good = True
    for light, within_px in WITHIN_PX.items():
        cases = [picture_case(chosen.seed, k, light) for k in range(chosen.pictures)]
        if cases:
            good &= report_movements(f"pictures, {light}", cases, within_px)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mp4"
        for light in ("day", "dark"):
            cases = [clip_case(chosen.seed, k, light, path) for k in range(chosen.clips)]
            if cases:
                good &= report_movements(f"clips, {light}", cases, WITHIN_PX[light])
        print("\n| films | n | refused | wanted | said |")
        print("| --- | --- | --- | --- | --- |")
        for name, count, kinds, wanted in (
            ("left alone", chosen.untouched, UNTOUCHED, False),
            ("shaken by wind", chosen.shaken, ("shaken",), False),
            ("stabilised, panned, by hand", chosen.stabilised, STABILISED, True),
        ):
            if count:
                numbers = range(chosen.first, chosen.first + count)
                good &= report_films(name, chosen.seed, numbers, kinds, wanted, path)
    return 0 if good else 1


def picture_case(seed, number, light):
    """Return error (4,) and z (4,) of one pair of pictures, or how many lamps it had."""
    rng = np.random.default_rng([seed, number, len(light)])
    focal = rng.uniform(0.55, 1.25) * SIZE[0]
    bent = (float(rng.uniform(-0.08, 0.03)), 0.0, 0.0, 0.0, 0.0)
    still = Eye(size=SIZE, focal=focal, centre=(SIZE[0] / 2 + 1.3, SIZE[1] / 2 - 2.1), bent=bent)
    size, way = np.exp(rng.uniform(np.log(0.3), np.log(40.0))), rng.uniform(0, 2 * np.pi)
    moved = replace(
        still,
        shift=(size * np.cos(way), size * np.sin(way)),
        roll_rad=float(rng.normal(0.0, 0.003)),
        zoom=float(np.exp(rng.normal(0.0, 0.002) * (number % 4 == 0))),
    )
    land = landscape(rng, still, lamps=int(rng.integers(3, 12)))
    noise = rng.uniform(1.0, 3.5)
    if light == "dark":
        first = by_night(land, still, level=rng.uniform(4.0, 14.0))
    else:
        first = by_day(land, still)
    if light == "day":
        second = by_day(land, moved, gain=rng.uniform(0.6, 1.2))
    else:
        lit = (rng.random(len(land.lamps)) < 0.85) if light == "dark" else None
        second = by_night(land, moved, level=rng.uniform(4.0, 14.0), lit=lit)
    pictures = [middle(rng, each, noise, 5) for each in (first, second)]
    return judged(movement(*pictures, still.lens), moved)


def clip_case(seed, number, light, path):
    """Return error and z of two clips, one of them filmed after the camera had moved."""
    film = replace(draw_film(seed, 1000 + number, "plain", light == "dark"), seconds=1.2)
    rng = np.random.default_rng([seed, number, 5])
    size, way = np.exp(rng.uniform(np.log(0.3), np.log(40.0))), rng.uniform(0, 2 * np.pi)
    offset = (float(size * np.cos(way)), float(size * np.sin(way)))
    stills = [
        scan(write_film(each, path)).still
        for each in (film, replace(film, offset=offset, crf=min(film.crf + 3, 28)))
    ]
    flat = np.array([1e6, 1e6, *film.eye.centre, 0, 0, 0, 0, 0])  # shifted as a whole
    return judged(movement(*stills, flat), Eye(shift=offset))


def judged(found, truth):
    """Return shift error (px) and z of the four unknowns, None where nothing was matched."""
    if found is None:
        return None
    known = np.array([*truth.shift, truth.roll_rad, np.log(truth.zoom)])
    error = np.array([*found.shift_px, found.turn_rad, np.log(found.zoom)]) - known
    return float(np.hypot(*error[:2])), error / np.sqrt(np.diag(found.covariance))


def report_movements(name, cases, within_px):
    """Print a row; every case that is matched must be within the limit."""
    matched = [case for case in cases if case is not None]
    if not matched:
        print(f"| {name} | {len(cases)} | 0 | 0 | {within_px} | | | |", flush=True)
        return False
    errors = np.array([case[0] for case in matched])
    z = np.concatenate([case[1] for case in matched])
    low, high = np.sqrt(chi2.ppf([0.005, 0.995], len(z)) / len(z))
    inside = int(np.sum(errors <= within_px))
    print(
        f"| {name} | {len(cases)} | {len(matched)} | {inside} | {within_px} "
        f"| {np.sqrt(np.mean(errors**2)):.3f} | {errors.max():.2f} "
        f"| {np.sqrt(np.mean(z**2)):.2f} [{low:.2f}, {high:.2f}] |",
        flush=True,
    )
    return inside == len(matched)


def report_films(name, seed, numbers, kinds, wanted, path):
    """Film, scan and judge; print a row."""
    said: list[str] = []
    refused = 0
    count = len(numbers)
    for number in numbers:
        kind = kinds[number % len(kinds)]
        night = (number // len(kinds)) % 2 == 1
        film = draw_film(seed, 2000 + 100 * len(kinds) + number, kind, night)
        seen = scan(write_film(film, path))
        judgement = steadiness(seen.sway, film.eye.lens)
        refused += judgement.refused
        print(f"{name} {number}: {film.kind} {judgement.verdict}", file=sys.stderr, flush=True)
        if judgement.refused != wanted or kind == "shaken":
            light = "dark" if night else "day"
            said.append(f"{kind} ({light}): {judgement.verdict} {judgement.size_px:.2f} px")
    print(
        f"| {name} | {count} | {refused} | {count if wanted else 0} | {'; '.join(said)} |",
        flush=True,
    )
    return refused == (count if wanted else 0)


if __name__ == "__main__":
    raise SystemExit(main())
