"""The light when it is hard to follow: `python tests/bench/follow.py --n 20 --seed 1`.

Renders clips of each condition over a range of strengths, runs the tool on each as a session with
one unlabelled clip, and counts what was found, invented or taken for the craft. See README.md.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
import traceback
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from itertools import combinations_with_replacement
from pathlib import Path

import numpy as np
from bench_hard import CONDITIONS, LENGTH_M, Hard, camera_of, draw, flights_of
from bench_light import light_bounds
from bench_score import Figure, normal_score, share_text
from scipy import stats

from vidspeed.render.background import background
from vidspeed.render.clip import ClipPlan, light_places, plan_clip, render_clip
from vidspeed.render.draw import World, draw_world
from vidspeed.render.flight import Flight, true_speed_mps
from vidspeed.render.scene import SceneCamera
from vidspeed.render.stated import session_files
from vidspeed.values import Floats, Outcome, PassResult

NO_EMPTY = (
    "plain", "streak", "flash", "dashed", "flare", "wet", "several", "faint", "many", "broad",
    "strobe120", "strobe240",
)  # fmt: skip
LEAST_ADDED = 20  # frames in which a light as strong as the noise must be found by adding up
LEAST_FLASHES, LEAST_LIT = 4, 12  # flashes, and frames of them, in which a strobe must be found
ALL_SEEN = 0.4  # share of the frames on the course in which a lamp must be lit to be asked for
ASKED_SIGMAS, ASKED_LEVELS, ASKED_SHARE = 5.0, 5.0, 0.6
NEAR_PX = 4.0
RIGHT = 0.7  # of a pass's used lights that are the craft's


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """How one clip came out. `lights` are squared normalised errors (2 dof) of used lights."""

    condition: str
    index: int
    empty: bool
    codec: str
    strength: float | None  # rendered peak over the added sigma, of the median light
    left: float | None  # decoded amplitude in luma levels, of the median light
    kept: float | None  # over the rendered one
    seen: float  # share of the frames on the course in which the lamp is lit and not hidden
    asked: bool
    passes: int = 0  # there are
    found: int = 0
    measured: int = 0
    backward: int = 0  # found, with the wrong direction
    false: int = 0  # passes reported that are no pass of the craft
    wrong: bool = False  # something else was reported, and not the craft
    unsure: bool = False  # several candidates were named
    lights: tuple[float, ...] = ()
    centroid: float | None = None  # RMS error over the Cramer-Rao bound, lossless clips
    z: tuple[float, ...] = ()  # of speeds measured
    tracks: int = 0
    note: str = ""
    took_s: float = 0.0


def main(arguments: list[str] | None = None) -> int:
    """Run the bench and print its tables."""
    options = parse(arguments)
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    trials = []
    started = time.perf_counter()
    for condition in options.condition or CONDITIONS:
        for index in range(options.first, options.first + options.n):
            trials.append(attempt(condition, index, options.seed, empty=False))
            tell(trials[-1], options.verbose)
        for index in range(options.empty if condition not in NO_EMPTY else 0):
            trials.append(attempt(condition, index, options.seed, empty=True))
            tell(trials[-1], options.verbose)
    report(trials)
    print(f"\n{len(trials)} clips, seed {options.seed}, {time.perf_counter() - started:.0f} s")
    if options.out:
        text = json.dumps([asdict(trial) for trial in trials], indent=1)
        options.out.write_text(text + "\n", encoding="utf-8", newline="\n")
    return 0


def parse(arguments: list[str] | None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--n", type=int, default=20, help="clips of each condition, with a craft")
    parser.add_argument("--empty", type=int, default=8, help="clips of each without a craft")
    parser.add_argument("--first", type=int, default=0, help="number of the first clip")
    parser.add_argument("--condition", action="append", choices=list(CONDITIONS))
    parser.add_argument("--verbose", action="store_true", help="a line for each clip")
    parser.add_argument("--out", type=Path, help="write every trial as JSON")
    return parser.parse_args(arguments)


def attempt(condition: str, index: int, seed: int, *, empty: bool) -> Trial:
    """Film one clip and run the tool on it; whatever it raises is a trial without a pass."""
    began = time.perf_counter()
    key = (list(CONDITIONS).index(condition), index, int(empty))
    hard = draw(
        condition, index, np.random.default_rng(np.random.SeedSequence(seed, spawn_key=key))
    )
    with tempfile.TemporaryDirectory(prefix="vidspeed-bench-") as folder:
        trial = run_on(hard, condition, index, Path(folder), empty)
    return replace(trial, took_s=time.perf_counter() - began)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """A filmed clip with its truth; `flights` hold each pass's lamps, the middle one first."""

    camera: SceneCamera
    plan: ClipPlan
    world: World
    passes: list[list[Flight]]
    view: Floats
    path: Path


def run_on(hard: Hard, condition: str, index: int, folder: Path, empty: bool) -> Trial:
    """Film the clip into a session, measure it and judge what came out."""
    from vidspeed.measure import run

    shot = film(hard, folder, empty)
    trial = blank(hard, shot, condition, index, empty)
    try:
        outcome = run(folder)
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        first = (str(error).splitlines() or [""])[0]
        return replace(trial, note=f"{type(error).__name__}: {first} ({where.name})"[:240])
    return judge(trial, shot, outcome)


def film(hard: Hard, folder: Path, empty: bool) -> Shot:
    """Write the session with its clip."""
    scene = replace(hard.scene, flight_line=replace(hard.scene.flight_line, height_m=hard.height_m))
    camera = camera_of(hard)
    scene = replace(scene, cameras=(camera,))
    world = draw_world(scene)
    take = world.takes[0]
    seconds = hard.seconds or 1.35 * LENGTH_M / hard.speed_mps + 0.4
    start = -0.8 if hard.seconds else -0.5 * seconds
    plan = plan_clip(camera, start, seconds, take.plan.clock_ppm, hard.rng)
    lamps = flights_of(hard, take.flight)
    per = len(hard.lamps_m)
    passes = [lamps[k : k + per] for k in range(0, len(lamps), per)]
    of_view = np.random.default_rng(scene.seed)
    view = background(camera, scene.markers, hard.still, of_view)
    if hard.strength is not None:
        bare = replace(camera, look=replace(camera.look, blink_hz=0.0))
        peak = float(np.median(light_bounds(bare, lamps[0], plan, view).peak_sigmas))
        camera = camera_of(hard, lamp_signal=camera.look.lamp_signal * hard.strength / peak)
        others = [replace(one, signal=max(one.signal, 1e-6)) for one in hard.others]
        hard.others = others
    path = folder / take.file()
    path = path.with_suffix(camera.suffix)
    path.parent.mkdir(parents=True)
    render_clip(
        path, camera, [] if empty else lamps, plan, markers=scene.markers, lamps=hard.still,
        others=hard.others, seed=scene.seed + 1, view_seed=scene.seed,
    )  # fmt: skip
    shown = replace(world, takes=(replace(take, camera=camera, plan=plan),))
    name = path.relative_to(folder).as_posix()
    craft = replace(scene.craft, lamp_u_m=hard.lamp_u_m)
    told = replace(scene, cameras=(camera,), craft=craft)
    for file, text in session_files(told, shown, [name]).items():
        kept = [line for line in text.splitlines() if not line.startswith("pass = ")]
        (folder / file).write_text("\n".join(kept) + "\n", encoding="utf-8", newline="\n")
    return Shot(
        camera=camera, plan=plan, world=world, passes=[] if empty else passes, view=view, path=path
    )


# --- how strong the light is, twice -----------------------------------------------------------


def blank(hard: Hard, shot: Shot, condition: str, index: int, empty: bool) -> Trial:
    """Return a trial of which only the strength is known yet."""
    trial = Trial(
        condition=condition, index=index, empty=empty, codec=shot.camera.codec, strength=None,
        left=None, kept=None, seen=0.0, asked=False, passes=len(shot.passes),
    )  # fmt: skip
    if empty:
        return trial
    from bench_left import amplitudes

    peaks, left, sigma, lit = amplitudes(
        shot.camera, shot.passes[0][0], shot.plan, shot.view, shot.path
    )
    if not lit.any():
        return trial
    strength = float(np.median(np.abs(peaks[lit])) / sigma)
    kept = float(np.median(left[lit] / peaks[lit]))
    amplitude = float(np.median(np.abs(left[lit])))
    lossless = shot.camera.codec == "ffv1" or (
        shot.camera.codec == "h264" and shot.camera.crf <= 18
    )
    strong = strength >= ASKED_SIGMAS and (
        lossless or (amplitude >= ASKED_LEVELS and kept >= ASKED_SHARE)
    )
    seen = float(lit.mean())
    asked = strong and seen >= ALL_SEEN
    if condition == "faint1":
        asked = int(lit.sum()) >= LEAST_ADDED
    if condition.startswith("strobe"):
        flashes = int(np.sum(np.diff(lit.astype(np.int64), prepend=0) > 0))
        asked = strong and flashes >= LEAST_FLASHES and int(lit.sum()) >= LEAST_LIT
    return replace(
        trial, strength=strength, left=amplitude, kept=kept, seen=seen, asked=asked
    )  # fmt: skip


# --- what came out ----------------------------------------------------------------------------


def judge(trial: Trial, shot: Shot, outcome: Outcome) -> Trial:
    """Compare the passes that were reported with those that were flown."""
    told = [row for row in outcome.passes if row.speed_mps is not None]
    found: dict[int, PassResult] = {}
    false = 0
    for result in told:
        number = flown(shot, result)
        if number is None or number in found:
            false += 1
        else:
            found[number] = result
    backward = sum(
        result.direction != direction(shot.passes[number]) for number, result in found.items()
    )
    lights, centroid = (), None
    if found and trial.condition != "several":  # of lamps that run together there is no one place
        lights, centroid = errors(shot, found)
    problems = [row.message for row in outcome.problems]
    return replace(
        trial,
        found=len(found),
        measured=sum(result.status == "measured" for result in found.values()),
        backward=backward,
        false=false,
        wrong=bool(told) and not found and not trial.empty,
        unsure=any(
            check.name == "candidates" and check.status == "fail"
            for row in told
            for check in row.checks
        ),
        lights=lights,
        centroid=centroid,
        z=tuple(
            normal_score(
                result.speed_mps - true_speed_mps(shot.passes[number][0], shot.world.scale_error),
                result.speed_u_mps,
                result.dof,
            )
            for number, result in found.items()
            if result.status == "measured"
        ),
        tracks=sum(len(view.tracks) for view in outcome.clips),
        note="; ".join(problems)[:300],
    )


def direction(lamps: Sequence[Flight]) -> str:
    """Return which way a pass was truly flown."""
    return "forward" if lamps[0].cubic[1, 0] > 0.0 else "reverse"


def flown(shot: Shot, result: PassResult) -> int | None:
    """Return the number of the flown pass whose lights a result used, None where none."""
    for number, lamps in enumerate(shot.passes):
        near = total = 0
        for sighted in result.sightings:
            used = sighted.used
            apart, there = distance(
                shot, lamps, sighted.track.frame[used], sighted.track.xy_px[used]
            )
            near += int(np.sum(there & (apart < NEAR_PX + half_streak(shot, lamps))))
            total += int(used.sum())
        if total and near >= RIGHT * total:
            return number
    return None


def half_streak(shot: Shot, lamps: Sequence[Flight]) -> float:
    """Return half the way of the light during an exposure, pixels."""
    places = light_places(shot.camera, lamps[0], shot.plan)
    if len(places.time_s) < 2:
        return 0.0
    step = np.linalg.norm(np.diff(places.xy_px, axis=0), axis=1) / np.diff(places.time_s)
    return 0.5 * float(np.median(step)) * shot.camera.exposure_s


def distance(
    shot: Shot, lamps: Sequence[Flight], frame: Floats, xy: Floats
) -> tuple[Floats, Floats]:
    """Return how far places (n, 2) lie from a pass's lamps, and where it is known.

    A place between two lamps lies at the craft: so do lights in which they run together.
    """
    shown = [_at(shot, lamp, frame) for lamp in lamps]
    apart = np.full(len(frame), np.inf)
    for one, other in combinations_with_replacement(shown, 2):
        way = other - one
        share = np.sum((xy - one) * way, axis=1) / np.maximum(np.sum(way**2, axis=1), 1e-9)
        nearest = one + np.clip(share, 0.0, 1.0)[:, None] * way
        apart = np.fmin(apart, np.linalg.norm(nearest - xy, axis=1))
    return apart, np.isfinite(apart)


def _at(shot: Shot, lamp: Flight, frame: Floats) -> Floats:
    """Return where a lamp is (n, 2) in each of some frames, NaN where that is not known."""
    places = light_places(shot.camera, lamp, shot.plan)
    if not len(places.frame):
        return np.full((len(frame), 2), np.nan)
    at = np.searchsorted(places.frame, frame).clip(max=len(places.frame) - 1)
    return np.where((places.frame[at] == frame)[:, None], places.xy_px[at], np.nan)


def errors(shot: Shot, found: dict[int, PassResult]) -> tuple[tuple[float, ...], float | None]:
    """Return the squared normalised errors of used lights, and their RMS over the bound."""
    squares: list[float] = []
    over: list[float] = []
    look = replace(shot.camera.look, shake_px=0.0)
    calm = replace(shot.camera, look=look)
    bounded = (
        shot.camera.codec == "ffv1" and look.body_m == 0.0 and shot.camera.look.shake_px == 0.0
    )
    for number, result in found.items():
        lamp = shot.passes[number][0]
        places = light_places(calm, lamp, shot.plan)
        bounds = light_bounds(calm, lamp, shot.plan, shot.view) if bounded else None
        for sighted in result.sightings:
            track, used = sighted.track, sighted.used
            _, mine, theirs = np.intersect1d(track.frame, places.frame, return_indices=True)
            kept = used[mine]
            mine, theirs = mine[kept], theirs[kept]
            error = track.xy_px[mine] - places.xy_px[theirs]
            if shot.camera.look.shake_px > 0.0:  # where the calm picture lies nobody says
                error = error - error.mean(axis=0)
            squares += _squares(error, track.cov_px2[mine])
            if bounds is not None:
                over += _squares(error, bounds.covariance_px2[theirs])
    return tuple(squares), float(np.sqrt(np.mean(over) / 2.0)) if over else None


def _squares(error: Floats, spread: Floats) -> list[float]:
    return [float(e @ np.linalg.solve(c, e)) for e, c in zip(error, spread, strict=True)]


# --- tables -----------------------------------------------------------------------------------


def tell(trial: Trial, verbose: bool) -> None:
    """Print what came out of one clip."""
    if not verbose:
        return
    strength = "-" if trial.strength is None else f"{trial.strength:.1f}"
    left = "-" if trial.left is None else f"{trial.left:.1f} lv {100 * (trial.kept or 0):.0f} %"
    rms = np.sqrt(np.mean(trial.lights) / 2.0) if trial.lights else np.nan
    print(
        f"{trial.condition}-{trial.index}{' empty' if trial.empty else ''} {trial.codec} "
        f"{strength} sigma, {left}, seen {trial.seen:.2f}{' asked' if trial.asked else ''}: "
        f"found {trial.found}/{trial.passes} measured {trial.measured} false {trial.false} "
        f"back {trial.backward} tracks {trial.tracks} lights {len(trial.lights)} rms {rms:.2f} "
        f"crb {trial.centroid or np.nan:.2f} z {[round(z, 1) for z in trial.z]} "
        f"{trial.took_s:.1f} s{' UNSURE' if trial.unsure else ''} {trial.note}",
        file=sys.stderr, flush=True,
    )  # fmt: skip


def report(trials: Sequence[Trial]) -> None:
    """Print a row for each condition and one for all."""
    print(
        "| condition | n | asked | missed of asked | others found | false | wrong | direction wrong"
        " | unsure | position RMS z | centroid/bound | speed RMS z | empty clips | false in them |"
    )
    print("|" + " --- |" * 14)
    for condition in dict.fromkeys(trial.condition for trial in trials):
        print(row(condition, [trial for trial in trials if trial.condition == condition]))
    print(row("all", trials))


def row(name: str, trials: Sequence[Trial]) -> str:
    """Return one row."""
    flown_in = [trial for trial in trials if not trial.empty]
    empty = [trial for trial in trials if trial.empty]
    asked = [trial for trial in flown_in if trial.asked]
    rest = [trial for trial in flown_in if not trial.asked]
    passes = sum(trial.passes for trial in asked)
    missed = sum(trial.passes - trial.found for trial in asked)
    ratios = [
        trial.centroid for trial in flown_in if trial.centroid is not None and unsaturated(trial)
    ]
    z = [value for trial in flown_in for value in trial.z]
    cells = [
        name,
        str(len(flown_in)),
        str(passes),
        f"{missed}: {share_text(missed, passes)} %" if passes else "-",
        f"{sum(trial.found for trial in rest)} of {sum(trial.passes for trial in rest)}",
        str(sum(trial.false for trial in flown_in)),
        str(sum(trial.wrong for trial in flown_in)),
        str(sum(trial.backward for trial in flown_in)),
        str(sum(trial.unsure for trial in flown_in)),
        position(flown_in).text(".2f") if any(t.lights for t in flown_in) else "-",
        f"{np.median(ratios):.2f} ({len(ratios)})" if ratios else "-",
        f"{np.sqrt(np.mean(np.square(z))):.2f} ({len(z)})" if z else "-",
        str(len(empty)),
        str(sum(trial.false for trial in empty)),
    ]
    return "| " + " | ".join(cells) + " |"


def unsaturated(trial: Trial) -> bool:
    """Say whether the lights are neither saturated nor too faint for the bound to hold."""
    peak = trial.strength  # in the picture, where none is higher than the sensor's full scale
    return trial.condition != "broad" and peak is not None and 5.0 <= peak <= 100.0


def position(trials: Sequence[Trial]) -> Figure:
    """Return the RMS of z of light positions, each clip's mean square counted once.

    The range is that of a perfect tool whose clips scatter as these do, relative to their mean:
    from the spread of the clips' mean squares, as neighbouring errors hang together, and by
    Student's t with as many clips as their weights are worth.
    """
    means = np.array([np.mean(trial.lights) / 2.0 for trial in trials if trial.lights])
    counts = np.array([len(trial.lights) for trial in trials if trial.lights])
    mean = float(np.average(means, weights=counts))
    inside = float(stats.chi2.std(2)) / 2.0 / float(np.sqrt(counts.sum()))
    clips = float(counts.sum() ** 2 / np.sum(counts**2))
    off = counts * (means / mean - 1.0) / counts.sum()
    spread = float(np.sqrt(np.sum(off**2) * clips / max(clips - 1.0, 1.0)))
    wide = float(stats.t.isf(0.005, max(clips - 1.0, 1.0))) * max(spread, inside)
    low, high = np.sqrt(max(1.0 - wide, 0.0)), np.sqrt(1.0 + wide)
    return Figure(value=float(np.sqrt(mean)), low=float(low), high=float(high))


if __name__ == "__main__":
    sys.exit(main())
