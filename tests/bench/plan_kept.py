"""Does a pass get what the plan promised? `python tests/bench/plan_kept.py --seed 1 --plans 24`.

A plan is drawn: course, craft, one or two cameras, lens knowledge, frame rate, day or night.
A session of it is rendered with everything disturbed by what is stated, filmed and encoded, and
run. The same session without its picks and clips, each camera only planned where it stands, is
what the planner gets; so what differs is what nobody can know beforehand, and what the planner
gets wrong. Printed: U95 over the speed as planned and as got, and their ratio.
"""

from __future__ import annotations

import argparse
import multiprocessing
import shutil
import sys
import tempfile
import time
import tomllib
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from bench_write import toml_text

from vidspeed.errors import VidspeedError
from vidspeed.measure import run
from vidspeed.plan import plan
from vidspeed.render.session import render_scene_file

WITHIN = 0.15  # of the planned U95: asked of the median
SIZES_PX = ((960, 540), (1280, 720))
SPOT_PX = 1.2
# linear peak of a streak, from hard to see to saturated, as in coverage.py
PEAKS = {"dark": (0.03, 2.0), "dusk": (0.08, 2.0), "day": (0.3, 2.5)}


@dataclass(frozen=True, kw_only=True)
class Kept:
    """One plan: both U95 over the speed in per cent, None where there is none, and the reason."""

    number: int
    words: str
    planned: float | None = None
    got: float | None = None
    lost: str = ""
    noise: str = ""  # sqrt(q), and lights used by planned and by got

    @property
    def ratio(self) -> float | None:
        """Return the U95 that the pass got over the planned one."""
        return None if self.planned is None or self.got is None else self.got / self.planned


def main(arguments: list[str] | None = None) -> int:
    """Run the bench; 0 where the median is inside and nothing was lost, 1 otherwise."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--plans", type=int, default=24)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--case", type=int, help="this plan alone")
    parser.add_argument("--keep", type=Path, help="leave the sessions in this folder")
    options = parser.parse_args(arguments)
    started = time.perf_counter()
    numbers = range(options.plans) if options.case is None else [options.case]
    jobs = [(options.seed, number, options.keep) for number in numbers]
    print(f"{'case':>4} {'planned %':>9} {'got %':>8} {'ratio':>6}  what")
    rows = []
    for row in _done(jobs, options.jobs):
        rows.append(row)
        print(_line(row), flush=True)
    good = _told(rows)
    print(f"seed {options.seed}, {time.perf_counter() - started:.0f} s")
    return 0 if good else 1


def _done(jobs: list[tuple[int, int, Path | None]], workers: int) -> Any:
    if workers <= 1:
        yield from map(kept, jobs)
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context) as pool:
        yield from pool.map(kept, jobs)


def _line(row: Kept) -> str:
    figures = [f"{value:.3f}" if value is not None else "-" for value in (row.planned, row.got)]
    ratio = "-" if row.ratio is None else f"{row.ratio:.2f}"
    tail = f"  LOST: {row.lost}" if row.lost else f"  {row.noise}"
    return f"{row.number:4} {figures[0]:>9} {figures[1]:>8} {ratio:>6}  {row.words}{tail}"


def _told(rows: list[Kept]) -> bool:
    """Print median, spread and counts; say whether the bench passes."""
    ratios = np.array([row.ratio for row in rows if row.ratio is not None])
    lost = len(rows) - len(ratios)
    if not len(ratios):
        print(f"{lost} of {len(rows)} lost")
        return False
    for name in ("one camera", "two cameras", "all"):
        own = np.array(
            [
                r.ratio
                for r in rows
                if r.ratio is not None and (name in (*r.words.split(", "), "all"))
            ]
        )
        if len(own):
            middle, low, high = np.median(own), *np.quantile(own, [0.1, 0.9])
            inside = int(np.sum(np.abs(own - 1.0) <= WITHIN))
            print(
                f"{name}: median ratio {middle:.3f}, 80 % of them {low:.2f} to {high:.2f}, within "
                f"{100 * WITHIN:.0f} %: {inside} of {len(own)}"
            )
    print(f"lost: {lost} of {len(rows)}")
    return bool(abs(np.median(ratios) - 1.0) <= WITHIN and lost == 0)


def kept(job: tuple[int, int, Path | None]) -> Kept:
    """Render, plan and run one case."""
    seed, number, keep = job
    scene, words = drawn(np.random.default_rng([seed, 415, number]), seed, number)
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) if keep is None else keep / f"{seed}-{number}"
        folder.mkdir(parents=True, exist_ok=True)
        session, before = folder / "session", folder / "plan"
        scene_file = folder / "scene.toml"
        scene_file.write_text(toml_text(scene), encoding="utf-8")
        try:
            render_scene_file(scene_file, session)
            write_plan(scene, session, before)
            foreseen = plan(before)
            results = run(session).passes
        except VidspeedError as error:
            return Kept(number=number, words=words, lost=str(error))
    forecast = foreseen.forecast
    if forecast is None:
        return Kept(number=number, words=words, lost=foreseen.failing[0].item)
    planned = _percent(forecast)
    if not results or results[0].status != "measured":
        status = results[0].status if results else "no pass"
        return Kept(number=number, words=words, planned=planned, lost=status)
    return Kept(
        number=number,
        words=words,
        planned=planned,
        got=_percent(results[0]),
        noise=_noise(forecast) + " > " + _noise(results[0]) + f" {results[0].method}",
    )


def _percent(result: Any) -> float:
    return float(100.0 * result.speed_U95_mps / result.speed_mps)


def _noise(result: Any) -> str:
    """Return for each clip how many lights were used, their median u, and how much they scatter."""
    told = []
    for row in result.sightings:
        u_px = np.sqrt(np.trace(row.track.cov_px2, axis1=1, axis2=2) / 2.0)
        told.append(f"{int(row.used.sum())}x{np.median(u_px):.2f}px*{row.noise_scale:.1f}")
    return " ".join(told)


def write_plan(scene: dict[str, Any], session: Path, folder: Path) -> None:
    """Write the session as it is before the day: no picks, no clips, cameras planned."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    tables = tomllib.loads((session / "session.toml").read_text(encoding="utf-8"))
    for name in ("date", "clip", "sync"):
        tables.pop(name, None)
    for file in (*session.glob("*.csv"), *session.glob("*.json")):
        if not file.name.startswith(("picks", "truth")):
            shutil.copy(file, folder / file.name)
    for stated, true in zip(tables["camera"], scene["camera"], strict=True):
        stated.pop("picks")
        stated["rate_hz"] = float(true["rate_hz"])
        stated["planned"] = {
            "position_m": true["position_m"],
            "aim_m": true["aim_m"],
            "exposure_ms": true["exposure_ms"],
            "pick_u_px": true["pick_u_px"],
        }
    tables["craft"]["expected_kmh"] = scene["pass"][0]["speed_kmh"]
    (folder / "session.toml").write_text(toml_text(tables), encoding="utf-8")


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Return a number whose logarithm is uniform."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def drawn(rng: np.random.Generator, seed: int, number: int) -> tuple[dict[str, Any], str]:
    """Draw the scene of a plan, and say in words what it is."""
    count = 1 + number % 2
    length = float(np.round(rng.uniform(40.0, 90.0), 1))
    speed = float(rng.uniform(150.0, 450.0))
    look = str(rng.choice(["dark", "dusk", "day"], p=[0.5, 0.2, 0.3]))
    lens = str(rng.choice(["1 %", "3 %", "file"]))
    rate = int(rng.choice([30, 60, 120], p=[0.2, 0.6, 0.2]))
    line_u = log_uniform(rng, 0.05, 1.0) if count == 1 else log_uniform(rng, 0.2, 3.0)
    height = float(rng.uniform(2.0, 6.0))
    size = SIZES_PX[int(rng.integers(2))]
    sides = [1.0] if count == 1 else [1.0, -1.0 if rng.random() < 0.7 else 1.3]
    scene: dict[str, Any] = {
        "title": "A planned evening",
        "seed": seed * 1000 + number,
        "clip_s": 2.2 * length / (speed / 3.6) + 0.3,
        "course": {"length_m": length, "length_u_m": length * log_uniform(rng, 1e-4, 1e-3)},
        "flight_line": {
            "offset_u_m": line_u,
            "height_m": height,
            "height_u_m": float(min(line_u, 0.3 * height)),
            "drift_u_m": float(min(line_u, 0.5)),
            "climb_u_m": float(min(line_u, 0.5)),
            "accel_u_mps2": [float(min(10.0, 0.1 * (speed / 3.6) ** 2 / length)), 2.0, 2.0],
        },
        "craft": {"name": "Skein 2", "lamp_u_m": float(rng.choice([0.0, 0.02]))},
        "camera": [
            camera(rng, name, side, length, height, size, rate, look, lens, speed)
            for name, side in zip(("north", "south"), sides, strict=False)
        ],
        "marker": markers(rng, length),
        "pass": [
            {"speed_kmh": speed, "direction": str(rng.choice(["forward", "reverse"]))},
        ],
    }
    where = "" if count == 1 else ", opposite" if sides[1] < 0.0 else ", same side"
    name = "one camera" if count == 1 else "two cameras"
    return scene, (
        f"{name}, {look}, lens {lens}, {rate} Hz, {speed:.0f} km/h, {length:.0f} m, "
        f"line {line_u:.2f} m{where}"
    )


def camera(
    rng: np.random.Generator, name: str, side: float, length: float, height: float,
    size: tuple[int, int], rate: int, look: str, lens: str, speed_kmh: float,
) -> dict[str, Any]:  # fmt: skip
    """Draw a camera abeam of the course, so far away that both gates are in its picture."""
    width = rng.uniform(1.25, 1.6)  # of the picture over the course
    away = length * rng.uniform(0.7, 1.2)
    focal = size[0] * away / (width * length)
    exposure_ms = float(rng.uniform(0.5, 0.4 * 1000.0 / rate) if look != "day" else 0.8)
    streak = focal / away * speed_kmh / 3.6 * exposure_ms / 1000.0
    drawn_out = 1.0 + streak / (SPOT_PX * np.sqrt(2.0 * np.pi))
    told: dict[str, Any] = {
        "name": name,
        "position_m": [float(length * rng.uniform(0.4, 0.6)), -side * float(away), 1.7],
        "aim_m": [length / 2.0, 0.0, height],
        "image_size_px": list(size),
        "focal_px": float(focal),
        "focal_u_px": float(focal * {"1 %": 0.01, "3 %": 0.03, "file": 0.003}[lens]),
        "centre_u_px": float(size[0] * (0.003 if lens == "file" else 0.01)),
        "k1": float(rng.uniform(-0.03, 0.03)),
        "k1_u": 0.003 if lens == "file" else 0.01,
        "rate_hz": rate,
        "exposure_ms": exposure_ms,
        "exposure_u_ms": 0.1 * exposure_ms,
        "readout_ms": float(rng.uniform(4.0, min(20.0, 900.0 / rate))),
        "readout_u_ms": 1.5,
        "pick_u_px": float(rng.choice([0.3, 0.6])),
        "look": {
            "background": look,
            "lamp_signal": float(log_uniform(rng, *PEAKS[look]) * drawn_out),
            "spot_px": SPOT_PX,
            "reference_m": float(away),
        },
    }
    if lens == "file":
        told |= {"p1_u": 0.0005, "p2_u": 0.0005}
    if rng.random() < 0.25:
        told["unstated"] = ["readout"]
    return told


def markers(rng: np.random.Generator, length: float) -> list[dict[str, Any]]:
    """Draw markers about the course, gates and poles first."""
    u_m = log_uniform(rng, 0.01, 0.04)
    places = [
        (0.0, 0.0, 0.1), (length, 0.0, 0.1), (0.0, 5.0, 2.0), (length, 5.0, 2.0),
        (0.25 * length, -6.0, 0.0), (0.7 * length, -5.0, 2.0), (0.5 * length, 8.0, 2.0),
        (0.1 * length, -8.0, 0.5), (0.85 * length, 9.0, 0.0),
    ]  # fmt: skip
    return [
        {
            "name": f"M{number + 1}",
            "xyz_m": [float(v) for v in np.array(place) + rng.normal(0.0, 0.3, 3) * [1, 1, 0]],
            "u_m": u_m,
        }
        for number, place in enumerate(places)
    ]


if __name__ == "__main__":
    sys.exit(main())
