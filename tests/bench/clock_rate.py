"""Is a camera's clock measured as well as `vidspeed clock` says? Lamps filmed with a known truth.

    python tests/bench/clock_rate.py --seed 1 --count 40

Every case draws a camera (rate, exposure, read-out, response, noise, codec, clock error) and a
lamp, films it with the painter of the tests, and measures the clip. Nothing that fails is
dropped: it is counted. z is (measured - true) / u, turned through Student's t; the ranges in
brackets are where a perfect tool lies in 99 of 100 benches of that size.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
from scipy.stats import chi2, norm, t

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.clip.flashing import Filmed, Lamp, film
from vidspeed.clock import clock, flicker
from vidspeed.errors import ClipError

RATES = [Fraction(30000, 1001), Fraction(24000, 1001), Fraction(60000, 1001), Fraction(30)]
KINDS = ("large lamp", "small lamp", "short flash", "fast lamp", "mains")


@dataclass
class Score:
    """One case: what was true, what was measured, None where it was refused."""

    kind: str
    number: int
    true_ppm: float
    ppm: float | None = None
    ppm_u: float = 0.0
    dof: float = np.inf
    true_readout_s: float = 0.0
    readout_s: float | None = None
    readout_u_s: float = 0.0
    true_drift: float = 0.0
    drift: float | None = None
    drift_u: float = 0.0
    refused: str = ""


def draw(kind: str, seed: int, number: int) -> tuple[Filmed, dict]:
    """Draw a camera and a lamp; frames and flashes are not locked."""
    rng = np.random.default_rng([seed, KINDS.index(kind), number])
    rate = RATES[int(rng.integers(len(RATES)))]
    interval = 1.0 / float(rate)
    camera = {
        "rate": rate,
        "ppm": float(rng.normal(0.0, 50.0)),
        "exposure_s": float(interval * rng.uniform(0.15, 0.9)),
        "readout_s": float(interval * rng.uniform(0.3, 0.95)),
        "start_s": float(rng.uniform(0.0, 3.0)),
        "gamma": float(rng.choice([1.0, 0.7, 0.45])),
        "dark": float(rng.uniform(0.005, 0.05)),
        "noise": float(rng.uniform(0.7, 2.5)),
        "shot": float(rng.uniform(0.0, 4.0)),
        "seed": int(rng.integers(2**31)),
    }
    drift = float(rng.normal(0.0, 3.0)) if kind != "mains" and number % 2 else 0.0
    camera["drift_ppm_per_min"] = drift
    lamp = {"light": float(rng.uniform(0.3, 0.75))}
    options = {"crf": int(rng.integers(16, 27))}
    if rng.random() < 0.25:
        options = {"codec": "mjpeg"}
    if kind in ("large lamp", "small lamp", "short flash"):
        # Against 30.000 frames a second one flash a second is locked: another rate is taken.
        lamp["hz"] = 1.0 if rate.denominator > 1 else float(rng.choice([0.93, 1.07, 1.31]))
        lamp["lit_s"] = float(rng.uniform(0.15, 0.6)) / lamp["hz"]
        if kind == "short flash":
            lamp["lit_s"] = float(rng.uniform(0.5, 4.0) * interval)
        lamp["big"] = kind == "large lamp" or (kind == "short flash" and rng.random() < 0.5)
        lamp["xy"] = (float(rng.uniform(20, 76)), float(rng.uniform(12, 52)))
        lamp["width"] = float(rng.uniform(2.0, 5.0))
        return Filmed(Lamp(**lamp), **camera), options
    camera |= {"shape": (240, 64), "seconds": 12.0, "exposure_s": float(rng.uniform(3e-4, 2e-3))}
    if kind == "fast lamp":
        hz = float(rng.uniform(110.0, 450.0))
        while abs(2 * hz * interval - round(2 * hz * interval)) < 0.06:
            hz = float(rng.uniform(110.0, 450.0))
        shape = {"hz": hz, "lit_s": float(rng.uniform(0.3, 0.7)) / hz, "big": True}
        return Filmed(Lamp(**(lamp | shape)), **camera), options
    camera |= {"exposure_s": float(rng.uniform(5e-4, 7e-3)), "seconds": 20.0}
    depth, wander = float(rng.uniform(0.1, 0.6)), float(rng.normal(0.0, 3e-4))
    shape = {"hz": 100.0, "sine": True, "depth": depth, "wander": wander, "big": True}
    return Filmed(Lamp(**(lamp | shape)), **camera), options


def run(case: tuple[str, int, int]) -> Score:
    """Film and measure one case."""
    kind, seed, number = case
    filmed, options = draw(kind, seed, number)
    score = Score(kind, number, filmed.ppm, true_readout_s=filmed.readout_s)
    with tempfile.TemporaryDirectory() as folder:
        suffix = "avi" if "codec" in options else "mp4"
        path = film(Path(folder) / f"lamp.{suffix}", filmed, **options)
        try:
            hz = filmed.lamp.hz
            reading = flicker(path, hz) if kind == "mains" else clock(path, hz, hz_u=0.0)
        except ClipError as error:
            score.refused = str(error)
            return score
    score.ppm, score.ppm_u, score.dof = reading.clock_ppm, reading.clock_u_ppm, reading.fit.dof
    score.true_drift, score.drift = filmed.drift_ppm_per_min, reading.fit.drift_ppm_per_min
    score.drift_u = reading.fit.drift_u_ppm_per_min
    score.readout_s, score.readout_u_s = reading.fit.readout_s, reading.fit.readout_u_s
    return score


def row(name: str, z: np.ndarray, detail: str, refused: str, *, judged: bool = True) -> str:
    """Return one line of the table."""
    n = len(z)
    low, high = np.sqrt(chi2.ppf([0.005, 0.995], n) / n) if n else (np.nan, np.nan)
    middle = 2.576 / np.sqrt(n) if n else np.nan
    rms = float(np.sqrt(np.mean(z**2))) if n else np.nan
    good = "" if not judged or (n and low <= rms <= high and abs(z.mean()) <= middle) else "  <-"
    mean = float(np.mean(z)) if n else np.nan
    return (
        f"| {name} | {n} | {mean:+.2f} [-{middle:.2f}, {middle:.2f}] "
        f"| {rms:.2f} [{low:.2f}, {high:.2f}] | {detail} | {refused} |{good}"
    )


def rate_row(name: str, scores: list[Score]) -> str:
    """Return the line on the clock's rate."""
    told = [s for s in scores if s.ppm is not None]
    u = np.array([s.ppm_u for s in told])
    off = np.array([s.ppm - s.true_ppm for s in told])
    dof = np.array([max(s.dof, 1.0) for s in told])
    z = np.clip(norm.ppf(t.cdf(off / u, dof)), -8.0, 8.0) if told else np.zeros(0)
    worst = f"u {np.median(u):.3f} ({u.min():.3f} to {u.max():.3f}) ppm" if told else ""
    below = f", {np.mean(u < 1.0):.0%} below 1; error RMS {np.sqrt(np.mean(off**2)):.3f}"
    lost = f"{sum(s.ppm is None for s in scores)} of {len(scores)}"
    return row(f"{name}: rate", z, worst + below if told else "", lost)


def drift_row(name: str, scores: list[Score]) -> str:
    """Return the line on the drift of the rate."""
    told = [s for s in scores if s.drift is not None]
    u = np.array([s.drift_u for s in told])
    ratio = np.array([(s.drift - s.true_drift) / s.drift_u for s in told])
    dof = np.array([max(s.dof - 1.0, 1.0) for s in told])
    z = np.clip(norm.ppf(t.cdf(ratio, dof)), -8.0, 8.0) if told else np.zeros(0)
    detail = f"u {np.median(u):.2f} ({u.min():.2f} to {u.max():.2f}) ppm a minute" if told else ""
    lost = f"{sum(s.drift is None for s in scores)} of {len(scores)}"
    return row(f"{name}: drift", z, detail, lost)


def readout_row(name: str, scores: list[Score]) -> str:
    """Return the line on the read-out, whose u has a floor that these cameras do not need."""
    told = [s for s in scores if s.readout_s is not None]
    off = np.array([s.readout_s / s.true_readout_s - 1.0 for s in told])
    z = np.array([(s.readout_s - s.true_readout_s) / s.readout_u_s for s in told])
    detail = ""
    if told:
        rms, most = 100 * np.sqrt(np.mean(off**2)), 100 * np.abs(off).max()
        detail = f"error RMS {rms:.3f} %, most {most:.2f} %"
    lost = f"{sum(s.readout_s is None for s in scores)} of {len(scores)}"
    return row(f"{name}: read-out", np.clip(z, -8.0, 8.0), detail, lost, judged=False)


def main() -> None:
    """Film, measure, count."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--kinds", nargs="*", default=KINDS, choices=KINDS)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--all", action="store_true", help="a line for every case")
    asked = parser.parse_args()
    cases = [(kind, asked.seed, number) for kind in asked.kinds for number in range(asked.count)]
    with ProcessPoolExecutor(asked.jobs) as pool:
        scores = list(pool.map(run, cases))
    if asked.all:
        for score in scores:
            print(score)
    print(f"| seed {asked.seed} | n | mean z | RMS z | | refused or not told |")
    print("| --- | --- | --- | --- | --- | --- |")
    for kind in asked.kinds:
        mine = [score for score in scores if score.kind == kind]
        if kind != "mains":
            print(rate_row(kind, mine))
            print(drift_row(kind, mine))
        if kind in ("large lamp", "fast lamp", "mains"):
            print(readout_row(kind, mine))


if __name__ == "__main__":
    main()
