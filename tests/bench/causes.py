"""Where something is wrong: is it warned of, and is the right cause named first?

    python tests/bench/causes.py --seed 1 --count 100

See README.md beside this for what is drawn and what is printed.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.stats import binom, chi2

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.motion.flown import evening, flown
from vidspeed.agreement.causes import Beside, by_range, causes, independent
from vidspeed.agreement.lag import Lag
from vidspeed.agreement.onboard import beside_record
from vidspeed.agreement.verdict import compared, judged
from vidspeed.errors import MotionError
from vidspeed.motion.account import account
from vidspeed.motion.flight import solve
from vidspeed.values import Clip, Onboard, PassResult

KINDS = ("nothing", "capture rate", "flight line", "log that lags")
RIGHT = {"capture rate": "rate", "flight line": "flight-line offset", "log that lags": "log"}
WRONG_RATE, WRONG_LINE_U, LAG_S = 1.10, 4.0, 0.5
COURSE_M = 80.0
ALPHA = 0.01


def solved(kind: str, rng: np.random.Generator) -> tuple[PassResult, float]:
    """Return a pass by one camera, with an error of that kind in what is stated, and the truth."""
    scene = evening(
        int(rng.integers(1 << 30)),
        cameras=1,
        offset_u_m=rng.uniform(1.0, 1.5),
        height_u_m=0.5,
        pick_u_px=0.3,
        accel_u_mps2=np.array([1.0, 1.0, 1.0]),
    )
    lit, truth = flown(scene, speed_mps=rng.uniform(60.0, 145.0) * rng.choice([-1.0, 1.0]))
    session = scene.session
    if kind == "flight line":
        line = session.flight_line
        way = WRONG_LINE_U * line.offset_u_m * rng.choice([-1.0, 1.0])
        session = replace(session, flight_line=replace(line, offset_m=line.offset_m + way))
    if kind == "capture rate":
        by = WRONG_RATE if rng.random() < 0.5 else 1.0 / WRONG_RATE
        lit = [replace(row, track=_faster(row.track, by)) for row in lit]
    flight = solve(session, lit, "1")
    clips = [Clip(file=row.clip, camera=row.stand.camera.name) for row in lit]
    return account(session, flight, clips, "1"), truth


def _faster(track, by: float):
    """Return a track as if its frames had been captured so many times faster than they were."""
    return replace(
        track,
        time_s=track.time_s / by,
        interval_s=None if track.interval_s is None else track.interval_s / by,
    )


def others(
    kind: str, result: PassResult, truth: float, rng: np.random.Generator
) -> tuple[list[Beside], Lag | None]:
    """Return streak, sound and a record as they would be, each off by its own uncertainty."""
    heard_u = rng.uniform(0.006, 0.012) * truth
    rows = _sound(kind, result, truth, heard_u, rng)
    rows.append(_streak(kind, result, truth, rng))
    if kind != "log that lags" and rng.random() < 0.5:
        return rows, None
    record = _record(truth, rng, LAG_S if kind == "log that lags" else 0.0)
    found, lag = beside_record(record, [result], [None])
    return [*rows, *found.values()], lag


def _sound(
    kind: str, result: PassResult, truth: float, heard_u: float, rng: np.random.Generator
) -> list[Beside]:
    """Return speed and closest distance by sound, whose errors have something in common.

    A speed of one camera is off as its range is, but for a capture rate.
    """
    assert result.speed_mps is not None
    far_u, together = rng.uniform(0.006, 0.03), rng.uniform(0.3, 0.9)
    one, two = rng.normal(size=2)
    sound = independent(result, "sound", truth + heard_u * one, heard_u)
    by = 1.0
    if kind == "capture rate":
        by = WRONG_RATE if result.speed_mps > truth else 1.0 / WRONG_RATE
    true_ratio = truth * by / result.speed_mps
    ratio = true_ratio * (1.0 + far_u * (together * one + np.sqrt(1.0 - together**2) * two))
    return list(by_range(result, replace(sound, own_words="the air"), ratio, far_u, together))


def _streak(kind: str, result: PassResult, truth: float, rng: np.random.Generator) -> Beside:
    """Return the speed by the streaks: it goes with the pass but for the clip's clock."""
    assert result.speed_mps is not None
    u = rng.uniform(0.02, 0.04)
    ratio = truth / result.speed_mps if kind == "capture rate" else 1.0
    ratio *= 1.0 + u * rng.normal()
    return Beside(
        name="streak",
        speed_mps=ratio * result.speed_mps,
        speed_u_mps=u * truth,
        away_mps=(ratio - 1.0) * result.speed_mps,
        own_u_mps=u * result.speed_mps,
        by_rate_mps=result.speed_mps,
        own_words="exposure_ms",
    )


def _record(truth: float, rng: np.random.Generator, filter_s: float) -> Onboard:
    """Return a record of a dash past the course, its speeds through a filter of first order."""
    step, rate_hz = 0.002, 10.0
    fine = np.arange(-12.0, 12.0, step)
    bow = rng.uniform(0.04, 0.08) * truth
    peak = truth + bow * (COURSE_M / truth) ** 2 / 12.0  # the mean over the course is the truth
    true = np.maximum(15.0, peak - bow * fine**2)
    written = true.copy()
    if filter_s:
        for at in range(1, len(fine)):
            written[at] = written[at - 1] + (true[at] - written[at - 1]) * step / filter_s
    time_s = np.arange(-11.0, 11.0, 1.0 / rate_hz) + rng.uniform(0.0, 0.1)
    along = np.interp(time_s, fine, np.cumsum(true) * step)
    u = rng.uniform(0.1, 0.4)
    return Onboard(
        file="flight.nmea",
        time_s=time_s,
        speed_mps=np.interp(time_s, fine, written) + u * rng.normal(size=len(time_s)),
        east_m=along + 0.05 * rng.normal(size=len(time_s)),
        north_m=0.05 * rng.normal(size=len(time_s)),
        speed_u_mps=u,
        clock=False,
    )


def one(kind: str, seed: int, number: int) -> tuple[list[float], bool, str]:
    """Return E_n of each comparison, whether there is a warning, and the first cause named."""
    rng = np.random.default_rng([seed, *kind.encode(), number])
    result, truth = solved(kind, rng)
    rows, lag = others(kind, result, truth, rng)
    checks = tuple(compared(result, row) for row in rows if not row.hint)
    said, _ = judged(replace(result, cross_checks=checks), rows, len(rows))
    differs = said.checks[-1].status != "ok"
    lags = lag is not None and lag.told
    named = causes(result, rows, "n.mp4") if differs else []
    first = named[0].kind if named else "log" if lags and not differs else ""
    return [row.e_n for row in checks], differs or lags, first


def row_of(kind: str, seed: int, count: int) -> bool:
    """Print the row of one kind; return whether it is as it must be."""
    e_n, warned, right, first = [], 0, 0, []
    lost = 0
    for number in range(count):
        try:
            figures, warns, cause = one(kind, seed, number)
        except MotionError:
            lost += 1
            continue
        e_n += figures
        warned += warns
        first.append(cause)
        right += warns and cause == RIGHT.get(kind)
    line = f"{kind:14s} {count:4d} lost {lost:3d}  warned {warned:3d}"
    if kind == "nothing":
        n = len(e_n)
        rms = 1.96 * float(np.sqrt(np.mean(np.square(e_n))))
        low, high = np.sqrt(chi2.ppf([ALPHA / 2, 1 - ALPHA / 2], n) / n)
        print(f"{line}  RMS of 1.96 E_n {rms:.2f} (independent: [{low:.2f}, {high:.2f}], n {n})")
        return True
    least = binom.ppf(ALPHA, count, 0.9)
    wrong = {name: first.count(name) for name in sorted(set(first)) if name != RIGHT[kind]}
    mark = "" if right >= least else "  FAILS"
    print(
        f"{line}  right cause first {right:3d} (90 %: at least {least:.0f}){mark}  others {wrong}"
    )
    return right >= least


def main() -> int:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--kind", action="append", choices=KINDS)
    options = parser.parse_args()
    good = [row_of(kind, options.seed, options.count) for kind in options.kind or KINDS]
    return 0 if all(good) else 1


if __name__ == "__main__":
    raise SystemExit(main())
