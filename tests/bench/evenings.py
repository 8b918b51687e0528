"""How often answers claim what is not so, and find what is: `python -m tests.bench.evenings`.

Evenings of passes with a known true speed are drawn here: errors that survey and cameras share,
errors of each pass, a scatter from pass to pass, a wind. Nothing of `vidspeed.answer` or of the
solver draws them; they only judge them.

- `beaten`: four passes each way, the craft exactly as fast as the earlier figure with its margin.
  "beaten at 95 %", the choice of the best pair included, may come in 5 of 100 such evenings.
- `faster`: two days without a true difference, or with one of 1 %. Without one, "faster at 95 %"
  may come in 5 of 100; with one, as often as the comparison itself says that it would.

- `solved`: the same from lights to answer, few: whole evenings whose every stated figure is
  disturbed, two set-ups of each way, every pass solved.

A perfect tool shows a count within the range in brackets 99 times in 100.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from scipy.stats import binom, chi2

from tests.motion.flown import drawn_clock, drawn_scale, flown
from tests.motion.flown import evening as flown_evening
from vidspeed.answer.comparison import Side, compare
from vidspeed.answer.mark import decide
from vidspeed.motion.account import account
from vidspeed.motion.budget import covariance
from vidspeed.motion.flight import solve
from vidspeed.values import (
    Air,
    Clip,
    Course,
    Craft,
    FlightLine,
    Input,
    MarkRules,
    PassResult,
    Session,
)

SHARED = 6  # errors that the passes of an evening share
SPEED_MPS = (60.0, 160.0)
OWNERS, SOURCES = ("session", "camera north"), ("marker survey", "focal length")


def evening(rng, speed_mps, *, ways, sizes, wind_mps, survey=None, line=None):
    """Return the passes of one evening as a session would measure them.

    `sizes` are relative: of what is shared, of each pass's own errors, of the scatter. `survey` is
    a shared error that another evening has too (its deviate); `line` draws the flight line's split.
    """
    shared, own, scatter = (speed_mps * size for size in sizes)
    weights = rng.standard_normal(SHARED)
    weights *= shared / math.sqrt(float(weights @ weights))
    deviates = rng.standard_normal(SHARED)
    if survey is not None:
        deviates[0] = survey
    dof = rng.choice([math.inf, 12.0, 40.0])
    line_common = rng.standard_normal()
    found = []
    for number, way in enumerate(ways):
        sign = 1.0 if way == "forward" else -1.0
        true = speed_mps + sign * wind_mps + scatter * rng.standard_normal()
        # A camera's errors differ a little from pass to pass in what they do to the speed.
        moved = weights * (1.0 + 0.1 * rng.standard_normal(SHARED))
        error = float(moved @ deviates)
        stated_own = own if math.isinf(dof) else own * math.sqrt(rng.chisquare(dof) / dof)
        error += own * rng.standard_normal()
        entries = [
            (OWNERS[at > 0], f"shared {at}", SOURCES[at > 0], float(value))
            for at, value in enumerate(moved)
        ]
        entries.append((f"pass {number + 1}", "lights", "light positions", stated_own))
        if line is not None:
            size = 0.3 * own
            error += size * (line_common if line else rng.standard_normal())
            entries.append((f"pass {number + 1}", "offset", "flight-line offset", size))
        found.append(as_result(str(number + 1), way, true + error, entries, dof))
    return found


def as_result(label, way, speed, entries, dof) -> PassResult:
    signed = np.array([entry[3] for entry in entries])
    u = float(np.sqrt(signed @ signed))
    own = abs(next(entry[3] for entry in entries if entry[1] == "lights"))
    effective = None if math.isinf(dof) else u**4 / (own**4 / dof)
    return PassResult(
        label=label,
        flight="1",
        setup=None,
        clips=(f"{label}.mp4",),
        status="measured",
        direction=way,
        speed_mps=float(speed),
        speed_u_mps=u,
        speed_U95_mps=2.0 * u,
        coverage_factor=2.0,
        dof=effective,
        inputs=tuple(
            Input(
                owner=entry[0],
                name=entry[1],
                source=entry[2],
                kind="A" if entry[1] == "lights" else "B",
                assumed=False,
                input_u=1.0,
                unit="1",
                split_unknown=entry[1] == "offset",
            )
            for entry in entries
        ),
        sensitivities_mps=signed,
    )


def session(name: str, air: Air | None = None) -> Session:
    return Session(
        folder=name, title=name, date=None, place=None, timezone=None,
        course=Course(length_m=80.0, length_u_m=0.02), markers=(),
        flight_line=FlightLine(
            offset_m=0.0, offset_u_m=1.0, height_m=4.0, height_u_m=1.0, drift_u_m=1.0,
            climb_u_m=1.0, weave_u_m=0.02, accel_u_mps2=np.ones(3),
        ),
        air=air, craft=Craft(), cameras=(), clips=(), syncs=(), mark=None,
        wanted_U95_percent=1.0, inputs=(),
    )  # fmt: skip


def drawn_sizes(rng) -> tuple[float, float, float]:
    """Return what is shared, each pass's own, and the scatter, relative to the speed."""
    shared = 10.0 ** rng.uniform(-3.5, -2.0)
    own = 10.0 ** rng.uniform(-3.5, -2.3)
    scatter = 0.0 if rng.random() < 0.25 else 10.0 ** rng.uniform(-3.3, -1.8)
    return shared, own, scatter


def beaten(rng, each_way: int) -> SimpleNamespace:
    """Draw one evening without improvement; was the earlier figure beaten all the same?"""
    speed = rng.uniform(*SPEED_MPS)
    margin = float(rng.choice([0.0, 1.0]))
    sizes = drawn_sizes(rng)
    ways = ["forward", "reverse"] * each_way
    line = [None, True, False][rng.integers(3)]
    wind = rng.normal(0.0, 3.0)
    passes = evening(rng, speed, ways=ways, sizes=sizes, wind_mps=wind, line=line)
    earlier = speed / (1.0 + margin / 100.0)
    u = earlier * 10.0 ** rng.uniform(-4.0, -2.7)
    rules = MarkRules(
        earlier_mps=earlier + u * rng.standard_normal(), earlier_u_mps=u, margin_percent=margin
    )
    labels, matrix = covariance(passes)
    mark = decide(passes, labels, matrix, rules).mark
    return SimpleNamespace(
        claimed=bool(mark.beats_at_95),
        naive=mark.pair_probability >= 0.95,
        kind="scatter rules" if sizes[2] > sizes[1] else "measurement rules",
    )


def compared(rng, each_way: int, truth_percent: float, one_evening: bool) -> SimpleNamespace:
    """Draw two days, or two set-ups of one day, with a true difference; was it claimed?"""
    speed = rng.uniform(*SPEED_MPS)
    other = speed * (1.0 + truth_percent / 100.0)
    sizes, survey = drawn_sizes(rng), rng.standard_normal()
    ways = ["forward", "reverse"] * each_way
    winds = rng.normal(0.0, 3.0, 2)
    if one_evening:
        both = evening(rng, speed, ways=ways * 2, sizes=sizes, wind_mps=winds[0])
        more = [
            replace(row, speed_mps=row.speed_mps + other - speed) if at >= len(ways) else row
            for at, row in enumerate(both)
        ]
        home = session("day")
        sides = (more[: len(ways)], more[len(ways) :])
        first, second = (
            Side(name=name, session=home, passes=tuple(passes))
            for name, passes in zip("ab", sides, strict=True)
        )
    else:
        first, second = (
            Side(
                name=name,
                session=session(name),
                passes=tuple(evening(rng, v, ways=ways, sizes=sizes, wind_mps=w, survey=survey)),
            )
            for name, v, w in zip("ab", (speed, other), winds, strict=True)
        )
    found = compare(first, second)
    low, high = found.interval95_mps
    return SimpleNamespace(
        claimed=found.verdict == "faster",
        predicted=found.found_if,
        inside=low <= other - speed <= high,
    )


def solved(seed: int, each_way: int) -> SimpleNamespace:
    """Fly an evening of two set-ups before two cameras, solve it, and ask for both answers."""
    scene = flown_evening(
        seed, 2, offset_shared_u_m=0.0, height_shared_u_m=0.0, accel_u_mps2=np.full(3, 2.0)
    )
    rng = scene.rng
    scale = drawn_scale(scene)
    clocks = [drawn_clock(entry, rng) for entry in scene.session.cameras]
    speed, wind = rng.uniform(80.0, 140.0), rng.normal(0.0, 3.0)
    scatter, gain = speed * 10.0 ** rng.uniform(-3.3, -2.0), speed * rng.normal(0.0, 0.01)
    results, truths = [], []
    for number, way in enumerate(["forward", "reverse"] * (2 * each_way)):
        sign = 1.0 if way == "forward" else -1.0
        better = gain if number >= 2 * each_way else 0.0
        true = speed + better + sign * wind + scatter * rng.standard_normal()
        lit, truth = flown(scene, speed_mps=sign * true, clocks=clocks, scale=scale)
        clips = [Clip(file=f"{number}-{row.clip}", camera=row.stand.camera.name) for row in lit]
        flight = solve(scene.session, lit, str(number))
        results.append(account(scene.session, flight, clips, str(number)))
        truths.append(truth)
    half = 2 * each_way
    first, second = results[:half], results[half:]
    mark = decide(first, *covariance(first), MarkRules(earlier_mps=speed)).mark
    chosen = np.mean([truths[int(label)] for label in mark.passes])
    home = replace(scene.session, folder="evening")
    sides = [
        Side(name=name, session=home, passes=tuple(rows))
        for name, rows in (("a", first), ("b", second))
    ]
    found = compare(*sides)
    low, high = found.interval95_mps
    return SimpleNamespace(
        z=(mark.speed_mps - chosen) / mark.speed_u_mps,
        claimed=bool(mark.beats_at_95),
        inside=low <= gain <= high,
    )


def print_solved(seed: int, n: int, each_way: int) -> None:
    rows = [solved(70_000 * seed + number, each_way) for number in range(n)]
    rms = math.sqrt(np.mean([row.z**2 for row in rows]))
    low, high = np.sqrt(chi2.ppf([0.005, 0.995], n) / n)
    inside = sum(row.inside for row in rows)
    claimed = sum(row.claimed for row in rows)
    print(f"whole evenings solved, {each_way} passes each way of each of two set-ups: n {n}")
    print(f"  mark less the truth over its u: RMS {rms:.2f} [{low:.2f}, {high:.2f}]")
    print(f"  beaten without improvement {per_cent(claimed, n)} {chance(n, 0.05)}")
    print(f"  difference: interval holds the truth {per_cent(inside, n)} {chance(n, 0.95)}")


def per_cent(count: int, n: int) -> str:
    return f"{100.0 * count / n:.1f} %"


def chance(n: int, p: float) -> str:
    low, high = binom.interval(0.99, n, p)
    return f"[{100.0 * low / n:.1f}, {100.0 * high / n:.1f}]"


def print_beaten(rng, n: int, each_way: int) -> None:
    rows = [beaten(rng, each_way) for _ in range(n)]
    print(f"beaten without improvement, {each_way} passes each way; 5 % are allowed")
    for kind in ("all", "measurement rules", "scatter rules"):
        some = [row for row in rows if kind in ("all", row.kind)]
        claimed = sum(row.claimed for row in some)
        naive = sum(row.naive for row in some)
        print(
            f"  {kind}: n {len(some)}, beaten {per_cent(claimed, len(some))} "
            f"{chance(len(some), 0.05)}; with the luck of choosing left out it would be "
            f"{per_cent(naive, len(some))}"
        )


def print_compared(rng, n: int, each_way: int, one_evening: bool) -> None:
    where = "two set-ups of one day" if one_evening else "two days"
    print(f"{where}, {each_way} passes each way on each side")
    same = [compared(rng, each_way, 0.0, one_evening) for _ in range(n)]
    claimed = sum(row.claimed for row in same)
    inside = sum(row.inside for row in same)
    print(
        f"  no true difference: n {n}, faster {per_cent(claimed, n)} {chance(n, 0.05)}; "
        f"interval holds the truth {per_cent(inside, n)} {chance(n, 0.95)}"
    )
    true = [compared(rng, each_way, 1.0, one_evening) for _ in range(n)]
    claimed = sum(row.claimed for row in true)
    inside = sum(row.inside for row in true)
    chances = np.array([row.predicted for row in true])
    draws = (rng.random((20_000, n)) < chances).sum(axis=1)
    low, high = np.percentile(draws, [0.5, 99.5])
    print(
        f"  1 % true difference: n {n}, found {per_cent(claimed, n)}, predicted "
        f"{100.0 * chances.mean():.1f} % [{100.0 * low / n:.1f}, {100.0 * high / n:.1f}]; "
        f"interval holds the truth {per_cent(inside, n)} {chance(n, 0.95)}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--evenings", type=int, default=2000)
    parser.add_argument("--pairs", type=int, default=500)
    parser.add_argument("--each-way", type=int, default=4)
    parser.add_argument("--solved", type=int, default=20, help="evenings solved from their lights")
    taken = parser.parse_args()
    print(f"{Path(__file__).name}, seed {taken.seed}; in brackets the 99 % range of a perfect tool")
    if taken.evenings:
        print_beaten(np.random.default_rng([taken.seed, 1]), taken.evenings, taken.each_way)
    for one_evening in (False, True) if taken.pairs else ():
        rng = np.random.default_rng([taken.seed, 2 + one_evening])
        print_compared(rng, taken.pairs, taken.each_way, one_evening)
    if taken.solved:
        print_solved(taken.seed, taken.solved, taken.each_way)


if __name__ == "__main__":
    main()
