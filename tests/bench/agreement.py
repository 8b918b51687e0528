"""Is what a clip's sound says of the speed true, and is it found where it can be?

    python tests/bench/agreement.py --seed 1 --count 100
    python tests/bench/agreement.py --kind "as asked" --case 7

See README.md beside this for what is drawn and what is printed.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.stats import binom, chi2

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.bench_sound import RATE_HZ, Fly, sound_of, through_aac
from vidspeed.agreement.hearing import hear
from vidspeed.values import Around, Heard, Listened

COURSE_M = 80.0
WRONG = 4.0  # standard uncertainties beyond which a figure is called wrong
ALPHA = 0.01


@dataclass(frozen=True)
class Case:
    """A sound to listen to: the truth (None: no craft), what is stated, the samples."""

    fly: Fly | None
    around: Around
    samples: np.ndarray
    start_s: float
    within_s: tuple[float, float] | None


@dataclass(frozen=True)
class Kind:
    """How the sounds of one row of the table are made."""

    level_db: tuple[float, float] = (10.0, 10.0)
    heard_s: tuple[float, float] = (1.0, 2.0)
    distance_m: tuple[float, float] = (8.0, 65.0)
    first_hz: tuple[float, float] = (1200.0, 2500.0)
    most_tones: int = 4
    falls: float = 0.0
    jitter: float = 0.0
    wind_db: float | None = None
    voices_db: float | None = None
    gain: bool = False
    clip_at: float | None = None
    aac: int | None = None
    second: str = ""
    craft: bool = True
    hum: bool = False
    told_when: bool = True
    must_find: float | None = None


KINDS = {
    "as asked": Kind(must_find=0.9),
    "as asked, not told when": Kind(must_find=0.9, told_when=False),
    "20 dB": Kind(level_db=(20.0, 20.0), must_find=0.9),
    "one tone": Kind(most_tones=1, must_find=0.9),
    "falls as 1/r, gain": Kind(falls=1.0, level_db=(22.0, 30.0), gain=True, heard_s=(2.0, 3.0)),
    "wind noise, clipped": Kind(wind_db=30.0, clip_at=3.0, must_find=0.9),
    "voices": Kind(voices_db=15.0),
    "pitch wavers 0.2 %": Kind(jitter=0.002, level_db=(10.0, 20.0)),
    "second craft": Kind(second="other time"),
    "second craft at once": Kind(second="at once"),
    "AAC 128 kb/s": Kind(aac=128_000, must_find=0.9),
    "AAC 64 kb/s": Kind(aac=64_000, must_find=0.9),
    "AAC 64 kb/s, 20 dB": Kind(aac=64_000, level_db=(20.0, 20.0), must_find=0.9),
    "6 dB": Kind(level_db=(6.0, 6.0)),
    "3 dB": Kind(level_db=(3.0, 3.0)),
    "0 dB": Kind(level_db=(0.0, 0.0)),
    "short": Kind(heard_s=(0.3, 0.8)),
    "low tones": Kind(first_hz=(300.0, 1200.0)),
    "far": Kind(distance_m=(65.0, 150.0)),
    "near": Kind(distance_m=(2.0, 8.0)),
    "noise": Kind(craft=False, told_when=False),
    "hum": Kind(craft=False, hum=True, told_when=False),
}


def drawn(kind: Kind, rng: np.random.Generator) -> Case:
    """Return a case: the truth first, then what is stated of it."""
    speed = rng.uniform(150.0, 520.0) / 3.6
    accel_u = min(10.0, 0.12 * speed**2 / COURSE_M)
    stated = Around(sound_mps=340.0, sound_u_mps=1.2, accel_u_mps2=accel_u)
    fly = a_fly(kind, speed, accel_u, 2.5, rng)
    flies = [fly] if kind.craft else []
    if kind.hum:
        flies.append(Fly(1e-3, 30.0, 2.5, [1500.0, 3000.0], [20.0, 15.0]))
    if kind.second:
        away = rng.uniform(1.0, 1.8) * rng.choice([-1.0, 1.0])
        away = away if kind.second == "other time" else rng.uniform(-0.2, 0.2)
        other = a_fly(kind, rng.uniform(150.0, 520.0) / 3.6, accel_u, 2.5 + away, rng)
        flies.append(other)
    samples = sound_of(
        flies, 5.0, rng, wind_db=kind.wind_db, gain=kind.gain, clip_at=kind.clip_at,
        voices_db=kind.voices_db,
    )  # fmt: skip
    start_s = 0.0
    if kind.aac:
        samples, start_s = through_aac(samples, kind.aac)
    middle = fly.moment_s + fly.distance_m / fly.sound_mps + rng.normal(0.0, 0.05)
    within = (middle - 0.3, middle + 0.3) if kind.told_when else None
    return Case(
        fly=fly if kind.craft else None,
        around=stated,
        samples=samples,
        start_s=start_s,
        within_s=within,
    )


def a_fly(
    kind: Kind, speed: float, accel_u: float, moment_s: float, rng: np.random.Generator
) -> Fly:
    """Return a craft as a kind has it."""
    level = rng.uniform(*kind.level_db)
    first = rng.uniform(*kind.first_hz)
    count = int(rng.integers(1, kind.most_tones + 1))
    return Fly(
        speed_mps=speed,
        distance_m=rng.uniform(*kind.distance_m),
        moment_s=moment_s,
        tones_hz=[first * (number + 1) for number in range(count)],
        tones_db=[level - 3.0 * number for number in range(count)],
        slope_per_s=rng.normal(0.0, 0.03),
        accel_mps2=rng.normal(0.0, accel_u),
        bend_mps2=rng.normal(0.0, 3.0),
        wind_mps=rng.normal(0.0, 4.0),
        sound_mps=340.0 + rng.normal(0.0, 1.2),
        jitter=kind.jitter,
        falls=kind.falls,
        heard_s=rng.uniform(*kind.heard_s),
    )


def listened(case: Case) -> Listened:
    """Listen to a case as a run does."""
    return hear(
        case.samples,
        RATE_HZ,
        case.start_s,
        around=case.around,
        within_s=case.within_s,
        speed_mps=(100.0 / 3.6, 620.0 / 3.6),
    )


def nearest(rows: tuple[Heard, ...], fly: Fly) -> Heard:
    """Return what was heard nearest to the craft's true moment."""
    return min(rows, key=lambda row: abs(row.flyby.moment_s - fly.moment_s))


def row_of(name: str, kind: Kind, seed: int, cases: range, say: Callable[[str], None]) -> bool:
    """Print the row of one kind; return whether it is as it must be."""
    off, relative, far_off, lost, wrong = [], [], [], 0, []
    for number in cases:
        case = drawn(kind, np.random.default_rng([seed, *name.encode(), number]))
        rows = listened(case).heard
        if not rows:
            lost += 1
            continue
        found = rows[0] if case.fly is None else nearest(rows, case.fly)
        if case.fly is None:
            wrong.append(number)
            continue
        z = (found.speed_mps - case.fly.speed_mps) / found.speed_u_mps
        off.append(z)
        far_off.append((found.flyby.distance_m - case.fly.distance_m) / found.distance_u_m)
        relative.append(100.0 * found.speed_u_mps / case.fly.speed_mps)
        if abs(z) > WRONG:
            wrong.append(number)
    n = len(off)
    share = 1.0 - lost / len(cases)
    line = f"{name:26s} {len(cases):4d} found {100 * share:5.1f} %"
    good = not wrong
    if n:
        low, high = np.sqrt(chi2.ppf([ALPHA / 2, 1 - ALPHA / 2], n) / n)
        rms = float(np.sqrt(np.mean(np.square(off))))
        mark = "" if low <= rms <= high else " OUT"
        line += (
            f"  RMS z {rms:5.2f} [{low:.2f}, {high:.2f}]{mark}  z of distance "
            f"{float(np.sqrt(np.mean(np.square(far_off)))):5.2f}  mean z {np.mean(off):5.2f}"
            f"  u/v median {np.median(relative):5.2f} %, "
            f"90 % below {np.quantile(relative, 0.9):.2f} %"
        )
        good = good and not mark
    if kind.must_find is not None:
        least = binom.ppf(ALPHA, len(cases), kind.must_find) / len(cases)
        good = good and share >= least
        line += "" if share >= least else "  LOST"
        if n and np.median(relative) > 2.0:
            line, good = line + "  WIDE", False
    say(line + (f"  beyond {WRONG:g} u: {wrong}" if wrong else ""))
    return good


def show(name: str, kind: Kind, seed: int, number: int) -> None:
    """Print one case: truth beside what was heard."""
    case = drawn(kind, np.random.default_rng([seed, *name.encode(), number]))
    print(case.fly and replace(case.fly, phases=[]))
    found = listened(case)
    if not found.heard:
        print(found.reason)
    for row in found.heard:
        print(row.flyby, "tones", row.tones_hz)
        print(
            f"u {row.speed_u_mps:.3f} m/s, {row.distance_u_m:.2f} m; scatter {row.scatter:.2f}, "
            f"{row.level_db:.1f} dB, heard {row.heard_s}"
        )


def main() -> int:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--kind", action="append", choices=list(KINDS))
    parser.add_argument("--case", type=int)
    options = parser.parse_args()
    names = options.kind or list(KINDS)
    if options.case is not None:
        show(names[0], KINDS[names[0]], options.seed, options.case)
        return 0
    good = [
        row_of(
            name, KINDS[name], options.seed, range(options.count), lambda t: print(t, flush=True)
        )
        for name in names
    ]
    return 0 if all(good) else 1


if __name__ == "__main__":
    raise SystemExit(main())
