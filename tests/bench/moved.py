"""Is it found that a camera moved, by how much, and that a clip was stabilised or carried?

    python tests/bench/moved.py --seed 1

Four parts. Pictures: two views of an invented landscape, the second shifted by 0.3 to 40 px,
turned, sometimes zoomed, by day, after dark, and a still by day against one after dark. Clips:
shifted by as much, through H.264 and the tool's own background; after dark the sensor adds a
pattern and hot pixels that stay where they are. Bump or zoom: which of two pictures is said to be
zoomed or focused anew. Films: clips left alone, shaken by wind, stabilised, carried. Each row says
n, what came out, and in brackets what chance allows (99 %). A case in which nothing was matched
counts as not within the limit, and is never dropped.
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
from vidspeed.geometry.moved import movement, rezoomed
from vidspeed.geometry.steady import steadiness

SIZE = (960, 540)
CLIP_SIZE, CLIP_S = (640, 360), 0.7
WITHIN_PX = {"day": 0.2, "dark": 0.5, "day to dark": 0.5}


def main() -> int:
    """Run the parts that are asked for; 0 if all passes."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--pictures", type=int, default=20, help="of each kind of light")
    parser.add_argument("--clips", type=int, default=20, help="of each kind of light")
    parser.add_argument("--zooms", type=int, default=20, help="of each kind of light")
    parser.add_argument("--untouched", type=int, default=20)
    parser.add_argument("--shaken", type=int, default=10)
    parser.add_argument("--stabilised", type=int, default=12)
    parser.add_argument("--first", type=int, default=0, help="begin the films at this number")
    chosen = parser.parse_args()
    print("| movements | n | matched | within | px | % | RMS error px | largest px | RMS z |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    good = True
    for light, within_px in WITHIN_PX.items():
        cases = [picture_case(chosen.seed, k, light) for k in range(chosen.pictures)]
        if cases:
            good &= report_movements(f"pictures, {light}", cases, within_px)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mp4"
        for light, within_px in WITHIN_PX.items():
            cases = [clip_case(chosen.seed, k, light, path) for k in range(chosen.clips)]
            if cases:
                good &= report_movements(f"clips, {light}", cases, within_px)
        if chosen.zooms:
            good &= report_zooms(chosen.seed, chosen.zooms)
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
    """Return shift error and z (4,) of one pair of pictures, None where nothing was matched."""
    return judged(*picture_pair(seed, number, light))


def picture_pair(seed, number, light, zooms=None):
    """Return what is found of one pair of pictures, and the truth.

    A quarter of them is zoomed a little; all by 0.5 to 4 % where `zooms`, none where it is False.
    """
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
    if zooms is not None:
        zoom = np.exp(rng.choice([-1, 1]) * rng.uniform(0.005, 0.04)) if zooms else 1.0
        moved = replace(moved, zoom=float(zoom))
    land = landscape(rng, still, lamps=int(rng.integers(3 if zooms is None else 6, 12)))
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
    return movement(*pictures, still.lens), moved


def clip_case(seed, number, light, path):
    """Return error and z of two clips, one of them filmed after the camera had moved."""
    rng = np.random.default_rng([seed, number, 5])
    film = small_film(seed, number, light == "dark", rng)
    size, way = np.exp(rng.uniform(np.log(0.3), np.log(40.0))), rng.uniform(0, 2 * np.pi)
    # whole 32nds, as OpenCV's remap rounds to them
    offset = (np.rint(32 * size * np.cos(way)) / 32, np.rint(32 * size * np.sin(way)) / 32)
    again = replace(film, offset=offset, take=1, crf=min(film.crf + 3, 28))
    if light == "day to dark":
        film, again = replace(film, lit=True), replace(again, night=True)
    stills = [scan(write_film(each, path)).still for each in (film, again)]
    flat = np.array([1e6, 1e6, *film.eye.centre, 0, 0, 0, 0, 0])  # shifted as a whole
    return judged(movement(*stills, flat), Eye(shift=offset))


def small_film(seed, number, night, rng):
    """Return a short film in a small picture; after dark its sensor shines a little by itself."""
    film = draw_film(seed, 1001 + 2 * number, "plain", night)
    assert film.eye.size == CLIP_SIZE
    pattern, hot = float(rng.uniform(0.0, 0.8)), int(rng.integers(0, 6))
    return replace(film, seconds=CLIP_S, pattern=pattern * night, hot=hot * night)


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
        print(f"| {name} | {len(cases)} | 0 | 0 | {within_px} | 0 | | | |", flush=True)
        return False
    errors = np.array([case[0] for case in matched])
    z = np.concatenate([case[1] for case in matched])
    low, high = np.sqrt(chi2.ppf([0.005, 0.995], len(z)) / len(z))
    inside = int(np.sum(errors <= within_px))
    print(
        f"| {name} | {len(cases)} | {len(matched)} | {inside} | {within_px} "
        f"| {100.0 * inside / len(cases):.0f} "
        f"| {np.sqrt(np.mean(errors**2)):.3f} | {errors.max():.2f} "
        f"| {np.sqrt(np.mean(z**2)):.2f} [{low:.2f}, {high:.2f}] |",
        flush=True,
    )
    return inside == len(matched)


def report_zooms(seed, count):
    """Print how many of two kinds of pairs are called zoomed: bumped ones, and zoomed ones."""
    print("\n| bump or zoom | n | zoomed | wanted | not matched |")
    print("| --- | --- | --- | --- | --- |")
    good = True
    for light in ("day", "dark"):
        for zooms in (False, True):
            found = [picture_pair(seed, 500 + k, light, zooms)[0] for k in range(count)]
            matched = [each for each in found if each is not None]
            called = sum(rezoomed(each, SIZE[0]) for each in matched)
            name = f"{light}, {'zoomed by 0.5 to 4 %' if zooms else 'bumped'}"
            wanted = count if zooms else 0
            print(
                f"| {name} | {count} | {called} | {wanted} | {count - len(matched)} |", flush=True
            )
            good &= called == wanted
    return good


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
