"""Evenings of long clips with no common clock: `python tests/bench/matching.py`.

Twelve passes, three missing in either camera, clip times apart by anything up to an hour. Two
tables: passes given to the matching as times, directions and speeds, in many kinds of evening;
and (`--flown`) whole sessions of bare tracks, from picks to joint passes. What must never be is a
wrong pair that the tool takes for sure. README.md beside this file explains the columns.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from bench_scene import Case
from bench_score import share_text
from bench_truth import Floats, draw_path
from bench_write import TRACK_COLUMNS, lights, toml_text, write_survey, write_table
from two_cameras import HEIGHT_M, LAYOUTS, LENGTH_M, make_case

HOUR_S = 3600.0
FLOWN, MISSED = 12, 3
NEAR_S = 0.5  # a pass found this near to a true one is that one


@dataclass(frozen=True, slots=True, kw_only=True)
class Evening:
    """A kind of evening: how passes follow each other, and how well each camera times them."""

    name: str
    lap_s: float = 45.0
    scatter_s: float = 6.0
    u_s: float = 0.01
    speed_u: float = 0.02
    ppm: float = 50.0
    both_ways: bool = True
    strays: int = 0  # passes of each camera that the other does not have and that are none
    halves: bool = False  # the cameras saw different halves of the evening
    restarted: bool = False  # the second camera was stopped and started again
    flashed: bool = False  # an event in both clips


EVENINGS = (
    Evening(name="laps of 45 s that scatter by 6 s"),
    Evening(name="clocks 100 ppm", ppm=100.0),
    Evening(name="the second camera restarted", restarted=True),
    Evening(name="a stray light taken for a pass, in each", strays=1),
    Evening(name="three strays in each", strays=3),
    Evening(name="laps nearly alike, 0.5 s", scatter_s=0.5),
    Evening(name="one way only, 1 s", both_ways=False, scatter_s=1.0),
    Evening(name="line hardly known, 1 s", u_s=0.05, speed_u=0.08, scatter_s=1.0),
    Evening(name="by a metronome, 0.03 s", scatter_s=0.03),
    Evening(name="by a metronome, with a flash in both", scatter_s=0.03, flashed=True),
    Evening(name="nothing in common", halves=True, scatter_s=2.0),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """What became of the pairs of one evening."""

    there: int
    right: int
    wrong: int
    doubted: bool  # the tool said that pairings are open


def main(arguments: list[str] | None = None) -> int:
    """Print both tables; 1 where a wrong pair was taken for sure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--evenings", type=int, default=50, help="of each kind, by times")
    parser.add_argument("--flown", type=int, default=50, help="whole sessions of bare tracks")
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args(arguments)
    os.environ["OPENBLAS_NUM_THREADS"] = "1"  # a worker has one core; read when numpy is loaded
    head = "| n | pairs there | right % | wrong but sure | left open | evenings said open | |"
    good = True
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(options.jobs, mp_context=spawn) as pool:
        print(f"By times\n\n| evening {head}\n|" + " --- |" * 8)
        for kind in EVENINGS:
            seeds = [(options.seed, number) for number in range(options.evenings)]
            counts = list(pool.map(partial(timed_evening, kind), seeds, chunksize=10))
            good = tell(kind.name, counts) and good
        if options.flown:
            print(f"\nWhole sessions of bare tracks\n\n| cameras {head}\n|" + " --- |" * 8)
        for layout in ("second on the opposite side", "second on the same side, 60 and 70 m"):
            seeds = [(options.seed, number) for number in range(options.flown)]
            counts = list(pool.map(partial(flown_evening, layout), seeds))
            good = (tell(layout, counts) if counts else True) and good
    print(f"\nseed {options.seed}; in brackets the 99 % interval of the true share, percent")
    return 0 if good else 1


def tell(name: str, counts: Sequence[Count]) -> bool:
    """Print the row of a kind of evening; say whether no pair was wrong and sure."""
    there, right, wrong = (
        sum(getattr(row, key) for row in counts) for key in ("there", "right", "wrong")
    )
    said = sum(row.doubted for row in counts)
    share = share_text(right, there) if there else "-"
    wrongs = f"{wrong} in {sum(row.wrong > 0 for row in counts)} evenings"
    wrongs += f"; evenings {share_text(sum(row.wrong > 0 for row in counts), len(counts))} %"
    print(
        f"| {name} | {len(counts)} | {there} | {share} | {wrongs} | {max(there - right, 0)} "
        f"| {said} | {'WRONG' if wrong else 'ok'} |",
        flush=True,
    )
    return wrong == 0


# --- by times --------------------------------------------------------------------------------


def timed_evening(kind: Evening, seed: tuple[int, int]) -> Count:
    """Draw an evening, hand the passes of its clips to the matching and count."""
    from vidspeed.motion.links import match
    from vidspeed.values import Sync

    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(0, 0)))
    flown = 2 * FLOWN if kind.halves else FLOWN
    times = 1000.0 + np.cumsum(np.abs(kind.lap_s + kind.scatter_s * rng.standard_normal(flown)))
    ways = np.where(np.arange(flown) % 2 == 0, 1.0, -1.0) if kind.both_ways else np.ones(flown)
    speeds = 110.0 * (1.0 + 0.06 * rng.standard_normal(flown))
    names: list[list[int]] = []  # of each clip, which true pass each of its passes is
    reels, clocks = [], []
    for index in range(2):
        shift_s = index * rng.uniform(-HOUR_S, HOUR_S)
        clock = (1.0 + 1e-6 * kind.ppm * rng.standard_normal(), shift_s)
        clocks.append(clock)
        kept = seen_of(kind, index, flown, rng)
        rows = [(k, times[k], ways[k], speeds[k]) for k in kept]
        for number in range(kind.strays):
            at, way = rng.uniform(times[0], times[-1]), rng.choice([-1.0, 1.0])
            rows.append((-1 - number - 10 * index, at, way, 110.0 + 6.6 * rng.standard_normal()))
        rows.sort(key=lambda row: row[1])
        half = len(rows) // 2 if kind.restarted and index else 0
        for part in (rows[:half], rows[half:]) if half else (rows,):
            begins = rng.uniform(-HOUR_S, HOUR_S) if part is not rows else 0.0
            where = (clock[0], clock[1] + begins)
            reels.append(reel(kind, f"{index}-{len(reels)}", "ns"[index], part, where, rng))
            names.append([row[0] for row in part])
    syncs = []
    if kind.flashed:
        at = [clock * times[3] + shift for clock, shift in clocks]
        told = np.array(at) + 0.001 * rng.standard_normal(2)
        clips = tuple(row.clip for row in reels)
        syncs = [Sync(clips=clips, time_s=told, time_u_s=np.full(2, 0.001), kind="flash")]
    found = match(reels, syncs, LENGTH_M)
    right = wrong = 0
    for link in found.links:
        for i, j in link.pairing.pairs:
            same = names[link.first][i] == names[link.second][j]
            right += same
            wrong += not same
    seen = [
        {k for row, own in zip(reels, names, strict=True) if row.camera == side for k in own}
        for side in "ns"
    ]
    there = len(seen[0] & seen[1])
    return Count(there=there, right=right, wrong=wrong, doubted=bool(found.doubts))


def seen_of(kind: Evening, index: int, flown: int, rng: np.random.Generator) -> Any:
    """Return which of the passes a camera has, in order."""
    if kind.halves:
        own = np.arange(FLOWN) + index * FLOWN
        return np.sort(rng.permutation(own)[: FLOWN - MISSED])
    return np.sort(rng.permutation(flown)[: flown - MISSED])


def reel(
    kind: Evening,
    clip: str,
    camera: str,
    rows: Sequence[tuple[int, float, float, float]],
    clock: tuple[float, float],
    rng: np.random.Generator,
) -> Any:
    """Return a clip as the matching gets it, every figure disturbed by its u."""
    from vidspeed.motion.match import Once, Reel

    scale, shift_s = clock
    passes = []
    for _, time_s, way, speed in rows:
        u_s, u_mps = kind.u_s * rng.uniform(0.5, 2.0), kind.speed_u * speed
        passes.append(
            Once(
                direction=way,
                middle_s=scale * time_s + shift_s + u_s * rng.standard_normal(),
                middle_u_s=u_s,
                speed_mps=speed + u_mps * rng.standard_normal(),
                speed_u_mps=u_mps,
            )
        )
    ends = [row.middle_s for row in passes]
    return Reel(
        clip=clip,
        camera=camera,
        clock_u_ppm=kind.ppm,
        passes=tuple(passes),
        span_s=(min(ends) - 20.0, max(ends) + 20.0),
    )


# --- whole sessions --------------------------------------------------------------------------


def flown_evening(layout: str, seed: tuple[int, int]) -> Count:
    """Fly an evening past two cameras, solve it from picks to joint passes and count."""
    from vidspeed.assembly.cameras import calibrate_all
    from vidspeed.assembly.gather import look, with_intervals
    from vidspeed.assembly.passes import solve_passes
    from vidspeed.session.read import read_session

    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(1,)))
    case = draw_evening(layout, rng)
    kept = [np.sort(rng.permutation(FLOWN)[: FLOWN - MISSED]) for _ in case.cameras]
    with tempfile.TemporaryDirectory(prefix="vidspeed-bench-") as name:
        write_evening(case, kept, Path(name), rng)
        session = read_session(Path(name))
        cameras = calibrate_all(session)
        clips = [look(session, cameras, clip, None) for clip in session.clips]
    solved, problems = solve_passes(session, with_intervals(cameras, clips), clips)
    right = wrong = 0
    for row in solved:
        if len(row.result.clips) > 1:
            which = list(true_passes(case, row.result.crossings))
            right += len(set(which)) == 1
            wrong += len(set(which)) > 1
    return Count(
        there=len(set(kept[0]) & set(kept[1])),
        right=right,
        wrong=wrong,
        doubted=any("can be paired" in problem.message for problem in problems),
    )


def true_passes(case: Case, crossings: Sequence[Any]) -> Iterator[int]:
    """Yield which true pass each clip's crossing is; its number is lost where there is none."""
    for row in crossings:
        index = next(i for i, camera in enumerate(case.cameras) if camera.name == row.camera)
        off = np.abs(case.starts_s[:, index] - (row.time_in_s + row.time_out_s) / 2.0)
        yield int(np.argmin(off)) if off.min() < NEAR_S else -1 - index


def draw_evening(layout: str, rng: np.random.Generator) -> Case:
    """Draw twelve passes past the cameras of a layout, with all that is stated disturbed."""
    plan = next(row for row in LAYOUTS if row.name == layout)
    case = make_case(replace(plan, line_u_m=1.0))
    times = 100.0 + np.cumsum(40.0 + 6.0 * rng.standard_normal(FLOWN))
    paths = tuple(
        draw_path(
            rng,
            length_m=LENGTH_M,
            scale_error=0.005 / LENGTH_M * rng.standard_normal(),
            velocity_mps=(-1.0) ** number * 120.0 * (1.0 + 0.06 * rng.standard_normal()),
            accel_u_mps2=np.array([10.0, 3.0, 3.0]),
            offset_m=rng.standard_normal(),
            height_m=HEIGHT_M + 0.5 * rng.standard_normal(),
            drift_u_m=1.0,
            climb_u_m=0.5,
            weave_u_m=0.02,
        )
        for number in range(FLOWN)
    )
    begun_s = np.array([0.0, rng.uniform(-HOUR_S, HOUR_S)])
    cameras = tuple(
        replace(row, clock_scale=1.0 + 50e-6 * rng.standard_normal()) for row in case.cameras
    )
    rates = np.array([row.clock_scale for row in cameras])
    starts = times[:, None] / rates + begun_s - min(begun_s)  # clips do not begin before zero
    u_m = 0.02
    stated = dict(case.stated)
    stated["flight_line"] = dict(stated["flight_line"]) | {"height_u_m": 0.5, "climb_u_m": 0.5}
    return replace(
        case,
        cameras=cameras,
        paths=paths,
        starts_s=starts,
        lamp_m=np.zeros((FLOWN, len(cameras), 2)),
        stated=stated,
        markers=[(n, x + u_m * rng.standard_normal(3), u, use) for n, x, u, use in case.markers],
        picks={
            camera: [(n, xy + 0.5 * rng.standard_normal(2), u) for n, xy, u in picks]
            for camera, picks in case.picks.items()
        },
    )


def write_evening(
    case: Case, kept: Sequence[Floats], folder: Path, rng: np.random.Generator
) -> None:
    """Write a session with one track file a camera, which holds all the passes it has."""
    clips = []
    for index, camera in enumerate(case.cameras):
        rows: list[dict[str, Any]] = []
        for number in kept[index]:
            start, lamp = case.starts_s[number, index], case.lamp_m[number, index]
            found, _ = lights(camera, case.paths[number], start, lamp, rng)
            mark = f"at row {len(rows)}"  # tells tracks apart and nothing of the true number
            rows += [{"pass": mark} | {key: row[key] for key in TRACK_COLUMNS} for row in found]
        write_table(folder / f"hand/{camera.name}.csv", rows)
        clips.append({"camera": camera.name, "track": f"hand/{camera.name}.csv"})
    write_survey(case, folder)
    tables = dict(case.stated) | {"clip": clips}
    (folder / "session.toml").write_text(toml_text(tables), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    sys.exit(main())
