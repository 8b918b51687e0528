"""Is a wrong figure of the survey named when it is as large as printed, and is a course measured
by tape alone as sure as it is said to be? `python tests/bench/survey_trust.py --seed 1`.

Four parts, each printed with the 99 % range that a perfect tool would show at that number:

- networks of tapes and levels: an error of the printed detectable size in one figure drawn at
  random among those that are checked, and alarms where no figure is wrong;
- cameras: the same for a marker or a pick drawn at random, in sessions of `coverage.py`;
- solved: passes in the small world of the tests, markers and length from tapes alone, from picks
  and lights to the speed by the solver;
- coverage: sessions of `coverage.py` whose markers and length come from tapes and levels alone,
  run from the folder to the speed.
"""

from __future__ import annotations

import argparse
import re
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
from bench_draw import REGIMES, draw_case
from bench_judge import lay_case, run_tool, score_outcome
from bench_scene import Case
from bench_score import HEADER, TAIL, Score, normal_score, table
from bench_write import write_table
from scipy import stats

from vidspeed.assembly.reading import read_session, settled
from vidspeed.errors import VidspeedError
from vidspeed.geometry.tapes import adjust_tapes
from vidspeed.motion.account import account
from vidspeed.motion.calibration import calibrate_camera
from vidspeed.motion.flight import solve
from vidspeed.motion.trust import trust
from vidspeed.values import Clip, Level, Measured, Session, Tape, Taped, Trusted

LEAST_NAMED, MOST_ALARMS = 0.95, 0.05


def main(arguments: list[str] | None = None) -> int:
    """Run the bench; 0 where every figure is inside, 1 otherwise."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--networks", type=int, default=200)
    parser.add_argument("--cameras", type=int, default=200)
    parser.add_argument("--solved", type=int, default=200, help="passes by the solver alone")
    parser.add_argument("--passes", type=int, default=60, help="passes over taped courses a regime")
    options = parser.parse_args(arguments)
    started = time.perf_counter()
    passes = True
    if options.networks:
        passes &= told("networks", network_trials(options.seed, options.networks))
    if options.cameras:
        passes &= told("cameras", camera_trials(options.seed, options.cameras))
    if options.solved:
        rows, good = table(solved_passes(options.seed, options.solved), lambda score: [score.kind])
        passes &= good
        print(f"\nSolved on courses measured by tape alone\n\n{HEADER}", *rows, sep="\n")
    if options.passes:
        scores = []
        for index in range(options.passes):
            scores += [taped_pass(options.seed, regime, index) for regime in REGIMES]
            print(f"{index + 1}/{options.passes}", *scores[-2:], file=sys.stderr, flush=True)
        rows, good = table(scores, lambda score: [f"taped, {score.regime}", "taped, all"])
        passes &= good
        print(f"\nCourses measured by tape alone\n\n{HEADER}", *rows, sep="\n")
        print(*(f"- {s.case}: {s.lost}" for s in scores if s.lost), sep="\n")
    print(f"\nseed {options.seed}, {time.perf_counter() - started:.0f} s")
    return 0 if passes else 1


def told(what: str, trials: Iterator[tuple[bool, bool | None]]) -> bool:
    """Print how often the error was named and how often there was an alarm; say whether it passes.

    A trial is whether a sound survey gave an alarm, and whether the error was named (None: lost).
    """
    rows = []
    for trial in trials:
        rows.append(trial)
        print(f"{what} {len(rows)} {trial}", file=sys.stderr, flush=True)
    lost = sum(named is None for _, named in rows)
    named, alarms = sum(bool(named) for _, named in rows), sum(alarm for alarm, _ in rows)
    count = len(rows)
    least = stats.binom.ppf(TAIL, count, LEAST_NAMED)
    most = stats.binom.ppf(1.0 - TAIL, count, MOST_ALARMS)
    good = named >= least and alarms <= most
    print(
        f"{what}: n {count}, named {100 * named / count:.1f} % (at least {100 * least / count:.1f} "
        f"%), false alarms {100 * alarms / count:.1f} % (at most {100 * most / count:.1f} %), "
        f"lost {lost}: {'ok' if good else 'OUT'}",
        flush=True,
    )
    return bool(good)


def rng_of(seed: int, part: int, index: int) -> np.random.Generator:
    """Return the generator of one trial."""
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(part, index)))


# ---- networks of tapes ---------------------------------------------------------------------


def network_trials(seed: int, count: int) -> Iterator[tuple[bool, bool | None]]:
    """Yield the trials of random networks."""
    for index in range(count):
        rng = rng_of(seed, 100, index)
        checked: list[int] = []
        while not checked:  # a network in which nothing is checked has nothing to be named
            measured = draw_network(rng)
            sound = adjust_tapes(measured)
            checked = [at for at, row in enumerate(sound.tests) if row.detectable is not None]
        at = int(rng.choice(checked))
        wrong = adjust_tapes(with_error(measured, at, sound.tests[at].detectable, rng))
        yield any(row.named for row in sound.tests), wrong.tests[at].named


def draw_network(rng: np.random.Generator) -> Measured:
    """Return the figures of a random course: from the posts, and of a third of the other pairs."""
    count = int(rng.integers(5, 11))
    length = float(rng.uniform(50.0, 150.0))
    places = np.column_stack(
        [
            rng.uniform(-0.05, 1.05, count) * length,
            rng.choice([-1.0, 1.0], count) * rng.uniform(3.0, 20.0, count),
            rng.uniform(0.0, 3.0, count),
        ]
    )
    places = np.vstack([[0.0, 0.0, 0.0], [length, 0.0, 0.2], places])
    return measure(rng, places, [f"p{at}" for at in range(count)])


def measure(rng: np.random.Generator, places_m: np.ndarray, names: list[str]) -> Measured:
    """Return what is read of true places (n + 2, 3), the posts first, by one or two tapes."""
    everyone = ["start", "finish", *names]
    tapes = int(rng.integers(1, 3))
    scale_u = 1e-6 * rng.uniform(50.0, 300.0, tapes)
    scale = scale_u * rng.standard_normal(tapes)
    u_m = float(rng.uniform(0.003, 0.010))
    rows = []
    for first in range(len(everyone)):
        for second in range(first + 1, len(everyone)):
            if first >= 2 and rng.random() > 0.35:
                continue
            tape = int(rng.integers(tapes))
            true_m = float(np.linalg.norm(places_m[first] - places_m[second]))
            read = true_m * (1.0 + scale[tape]) + u_m * rng.standard_normal()
            rows.append(
                Taped(start=everyone[first], end=everyone[second], distance_m=float(read),
                      u_m=u_m, tape=f"t{tape}")
            )  # fmt: skip
    level_u = float(rng.uniform(0.003, 0.015))
    levels = tuple(
        Level(
            name=name, height_m=float(place[2] + level_u * rng.standard_normal()), u_m=level_u,
            side=None if abs(place[1]) < 0.5 else "left" if place[1] > 0 else "right",
        )
        for name, place in zip(everyone, places_m, strict=True)
    )  # fmt: skip
    used = {row.tape for row in rows}
    return Measured(
        start_post="start", finish_post="finish", taped=tuple(rows), levels=levels,
        tapes=tuple(
            Tape(name=f"t{at}", scale_u_ppm=float(1e6 * scale_u[at]))
            for at in range(tapes) if f"t{at}" in used
        ),
    )  # fmt: skip


def measure_until_fixed(
    rng: np.random.Generator, places_m: np.ndarray, names: list[str]
) -> Measured:
    """Return figures that fix every point: who is told that one is open measures again."""
    for _ in range(50):
        measured = measure(rng, places_m, names)
        found = adjust_tapes(measured)
        if not found.loose and not found.mirrored:
            return measured
    raise RuntimeError("no network of these points is fixed")


def with_error(
    measured: Measured, at: int, size: float | None, rng: np.random.Generator
) -> Measured:
    """Return the figures with an error in the one of row `at`, either way."""
    off = float(size or 0.0) * float(rng.choice([-1.0, 1.0]))
    taped, levels = list(measured.taped), list(measured.levels)
    if at < len(taped):
        taped[at] = replace(taped[at], distance_m=taped[at].distance_m + off)
    elif at < len(taped) + len(levels):
        at -= len(taped)
        levels[at] = replace(levels[at], height_m=levels[at].height_m + off)
    else:
        name = measured.tapes[at - len(taped) - len(levels)].name
        taped = [
            replace(row, distance_m=row.distance_m * (1.0 + 1e-6 * off)) if row.tape == name
            else row for row in taped
        ]  # fmt: skip
    return replace(measured, taped=tuple(taped), levels=tuple(levels))


# ---- markers and picks ---------------------------------------------------------------------


def camera_trials(seed: int, count: int) -> Iterator[tuple[bool, bool | None]]:
    """Yield the trials of calibrated cameras, one or two of them in turn."""
    for index in range(count):
        rng = rng_of(seed, 101, index)
        case = draw_case(seed, "tracks", REGIMES[index // 2 % 2], index)
        with tempfile.TemporaryDirectory(prefix="vidspeed-bench-") as folder:
            lay_case(case, seed, Path(folder))
            session = read_session(Path(folder))
        try:
            sound = trusted(session)
        except VidspeedError:
            yield False, None
            continue
        checked = [row for row in sound if row.detectable is not None]
        row = checked[int(rng.integers(len(checked)))]
        try:
            found = trusted(with_wrong(session, row, rng))
            named = any(same(row, other) and other.named for other in found)
        except VidspeedError:
            named = None
        yield any(row.named for row in sound), named


def trusted(session: Session) -> tuple[Trusted, ...]:
    """Calibrate every camera and hold all markers and picks against each other."""
    stands = [calibrate_camera(session, camera, 1.0 / 60.0)[0] for camera in session.cameras]
    return trust(session, stands)


def same(one: Trusted, other: Trusted) -> bool:
    """Tell whether two rows blame the same marker, or the same pick."""
    return (one.what, one.marker, one.camera) == (other.what, other.marker, other.camera)


def with_wrong(session: Session, row: Trusted, rng: np.random.Generator) -> Session:
    """Return the session with a marker or a pick off by the size that is printed, either way."""
    off = float(row.detectable or 0.0) * float(rng.choice([-1.0, 1.0]))
    if row.what == "marker":
        step = off * np.eye(3)["xyz".index(row.axis)]
        markers = tuple(
            replace(m, xyz_m=m.xyz_m + step) if m.name == row.marker else m for m in session.markers
        )
        return replace(session, markers=markers)
    step = off * np.eye(2)[("right", "down").index(row.axis)]
    cameras = []
    for camera in session.cameras:
        picks = tuple(
            replace(p, xy_px=p.xy_px + step)
            if (camera.name, p.name) == (row.camera, row.marker) else p
            for p in camera.picks
        )  # fmt: skip
        cameras.append(replace(camera, picks=picks))
    return replace(session, cameras=tuple(cameras))


# ---- passes solved on a taped course -----------------------------------------------------------


def solved_passes(seed: int, count: int) -> list[Score]:
    """Return the scores of passes by the solver, one and two cameras in turn."""
    scores = []
    for index in range(count):
        scores.append(solved_pass(rng_of(seed, 110, index), index))
        print(f"solved {index + 1} {scores[-1].z}", file=sys.stderr, flush=True)
    return scores


def solved_pass(rng: np.random.Generator, index: int) -> Score:
    """Return the score of one pass; the true places are in true metres, 80 m from post to post."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    from tests.motion.flown import LENGTH_M, PLACES_M, evening, flown

    cameras = 1 + index % 2
    scene = evening(int(rng.integers(2**31)), cameras, marker_u_m=0.0)
    names = [f"m{at}" for at in range(2, len(PLACES_M))]
    measured = measure_until_fixed(rng, PLACES_M, names)
    called = {"start": "m0", "finish": "m1"}
    measured = replace(
        measured, start_post="m0", finish_post="m1",
        taped=tuple(
            replace(row, start=called.get(row.start, row.start), end=called.get(row.end, row.end))
            for row in measured.taped
        ),
        levels=tuple(
            replace(row, name=called.get(row.name, row.name)) for row in measured.levels
        ),
    )  # fmt: skip
    session = settled(scene.session, adjust_tapes(measured))
    course = replace(session.course, length_u_m=0.0)  # the flight is drawn in true metres
    scene.session = replace(session, course=course)
    blank = Score(
        case=f"solved-{index}", regime="solved", kind=f"solved, {cameras} camera(s)",
        cameras=cameras, tags=(),
    )  # fmt: skip
    try:
        lit, truth = flown(scene)
        flight = solve(session, lit, "1")
    except VidspeedError as error:
        return replace(blank, lost=str(error).splitlines()[0])
    clips = [Clip(file=row.clip, camera=row.stand.camera.name) for row in lit]
    result = account(session, flight, clips, "1")
    assert result.speed_mps is not None and result.speed_u_mps is not None
    assert result.interval95_mps is not None and LENGTH_M == 80.0
    low, high = result.interval95_mps
    return replace(
        blank, truth_mps=truth, speed_mps=result.speed_mps, u_mps=result.speed_u_mps,
        z=normal_score(result.speed_mps - truth, result.speed_u_mps, result.dof),
        covered=bool(low <= truth <= high),
    )  # fmt: skip


# ---- passes over a taped course ------------------------------------------------------------


def taped_pass(seed: int, regime: str, index: int) -> Score:
    """Return the score of a pass whose course was measured by tape alone."""
    rng = rng_of(seed, 102 + REGIMES.index(regime), index)
    case = draw_case(seed, "tracks", regime, index)
    blank = Score(
        case=case.name, regime=regime, kind="taped", cameras=len(case.cameras), tags=case.tags
    )
    try:
        with tempfile.TemporaryDirectory(prefix="vidspeed-bench-") as name:
            folder = Path(name)
            lay_case(case, seed, folder)
            lay_tapes(case, folder, rng)
            return score_outcome(case, run_tool(folder), blank)[0]
    except Exception as error:  # whatever the tool raises is a lost pass
        return replace(blank, lost=f"{type(error).__name__}: {str(error).splitlines()[0]}")


def lay_tapes(case: Case, folder: Path, rng: np.random.Generator) -> None:
    """Replace the stated markers and length by distances and heights of the true places.

    True metres are course metres times one plus the drawn error of the scale.
    """
    stretch = 1.0 + case.paths[0].scale_error
    length = case.paths[0].length_m
    names = [str(row[0]) for row in case.markers]
    uses = {str(row[0]): row[3] for row in case.markers}
    posts = np.array([[0.0, 0.0, 0.0], [length, 0.0, 0.0]])
    places = stretch * np.vstack([posts, np.array(case.true_markers)])
    measured = measure_until_fixed(rng, places, names)
    write_table(
        folder / "tapes.csv",
        [
            {"from": row.start, "to": row.end, "distance_m": row.distance_m, "u_m": row.u_m,
             "tape": row.tape}
            for row in measured.taped
        ],
    )  # fmt: skip
    write_table(
        folder / "levels.csv",
        [
            {"name": row.name, "height_m": row.height_m, "u_m": row.u_m, "side": row.side or "",
             "use": uses.get(row.name, "fit")}
            for row in measured.levels
        ],
    )  # fmt: skip
    path = folder / "session.toml"
    text = path.read_text(encoding="utf-8")
    for key in ("length_m", "length_u_m"):
        text = re.sub(rf"(?m)^{key} = .*\n", "", text, count=1)
    files = 'tapes = "tapes.csv"\nlevels = "levels.csv"\n'
    text, found = re.subn(r"(?m)^markers = .*\n", files, text, count=1)
    assert found == 1
    for tape in measured.tapes:
        text += f'\n[[tape]]\nname = "{tape.name}"\nscale_u_ppm = {tape.scale_u_ppm!r}\n'
    path.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    sys.exit(main())
