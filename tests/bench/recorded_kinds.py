"""The same flights recorded in many ways: `python tests/bench/recorded_kinds.py`.

Sessions as coverage.py draws them, each filmed again and again: steadily, with uneven stamps, with
frames missing or repeated, in slow motion, with a rolling shutter turned and not, exposed long,
with an exposure that drifts. What is true of the flight, the cameras' places, lenses and clocks,
and what is stated of them, is the same for all kinds. See README.md beside this file.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from bench_draw import KINDS, REGIMES, draw_case
from bench_judge import run_tool
from bench_scene import Case
from bench_score import (
    coverage_figure,
    mean_figure,
    median_text,
    normal_score,
    rms_figure,
    share_text,
)
from bench_video import Take, plan_takes, visible_s, write_videos

from vidspeed.render.clip import plan_clip
from vidspeed.values import Outcome, PassResult

MOST_READOUT_S = 0.033


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A way to record: `readout` and `exposure` are shares of the frame interval.

    `turned` is the rotation tag, `camera` are further changes of the renderer's camera. Which
    moment of the exposure a stamp names is drawn for each clip, and not told.
    """

    readout: float | None = None
    turned: int = 0
    told: bool = True  # of the read-out
    exposure: float | None = None
    exposure_to: float | None = None
    faster: int = 1
    camera: tuple[tuple[str, Any], ...] = ()


WAYS: dict[str, Kind] = {
    "steady": Kind(),
    "uneven": Kind(camera=(("stamps", "uneven"),)),
    "dropped": Kind(camera=(("dropped", 0.1),)),
    "repeated": Kind(camera=(("repeated", 0.1),)),
    "slow motion": Kind(faster=4),
    "rolling 0.3": Kind(readout=0.3),
    "rolling 0.3, turned 90": Kind(readout=0.3, turned=90),
    "rolling 0.9": Kind(readout=0.9),
    "rolling 0.9, turned 270": Kind(readout=0.9, turned=270),
    "rolling not stated": Kind(readout=0.6, turned=90, told=False),
    "exposed long": Kind(exposure=0.85),
    "exposure growing": Kind(exposure=0.15, exposure_to=0.9),
    "exposure shrinking": Kind(exposure=0.9, exposure_to=0.15),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """What one way to record gave of one flight; `lost` says why there is no speed."""

    case: int
    way: str
    tags: tuple[str, ...]
    truth_mps: float
    speed_mps: float | None = None
    u_mps: float | None = None
    z: float | None = None
    covered: bool | None = None
    off_steady: float | None = None  # from the steady recording, over u of the difference
    warnings: tuple[str, ...] = ()
    lost: str | None = None


def main(arguments: list[str] | None = None) -> int:
    """Run the bench; 0 where every row passes, 1 otherwise."""
    options = parse(arguments)
    started = time.perf_counter()
    jobs = [
        (options.seed, i, options.ways) for i in range(options.first, options.first + options.cases)
    ]
    shots: list[Shot] = []
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(options.jobs, mp_context=spawn) as pool:
        for done, found in enumerate(pool.map(film_all, *zip(*jobs, strict=True)), start=1):
            shots += found
            print(f"{done}/{len(jobs)} {[_brief(s) for s in found]}", file=sys.stderr, flush=True)
    passes = report(shots, options.groups)
    print(f"\n{len(jobs)} flights, seed {options.seed}, {time.perf_counter() - started:.0f} s")
    if options.out:
        text = json.dumps([asdict(shot) for shot in shots], indent=1)
        options.out.write_text(text + "\n", encoding="utf-8", newline="\n")
    return 0 if passes else 1


def parse(arguments: list[str] | None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cases", type=int, default=20, help="flights, each filmed in every way")
    parser.add_argument("--first", type=int, default=0, help="number of the first flight")
    parser.add_argument("--way", dest="ways", action="append", choices=list(WAYS))
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--groups", action="store_true", help="also by cameras, codec, warnings")
    parser.add_argument("--out", type=Path, help="write every shot as JSON")
    return parser.parse_args(arguments)


def film_all(seed: int, index: int, ways: Sequence[str] | None) -> list[Shot]:
    """Film one flight in every way and measure it; whatever is raised is a lost shot."""
    case = draw_case(seed, "videos", "tight", index)
    case.stated.pop("sync", None)  # its time would lean on which moment a stamp names
    shots, steady = [], None
    for way in ways or WAYS:
        blank = Shot(case=index, way=way, tags=case.tags, truth_mps=case.paths[0].speed_mps)
        try:
            outcome, codecs = film(case, seed, index, way)
            blank = replace(blank, tags=(*case.tags, *codecs))
            shot, result = judge(outcome, blank, case.paths[0].direction)
        except Exception as error:
            first = (str(error).splitlines() or [""])[0]
            detail = traceback.extract_tb(error.__traceback__)[-1]
            lost = f"{type(error).__name__}: {first} ({detail.name}, line {detail.lineno})"
            shots.append(replace(blank, lost=lost))
            continue
        if way == "steady":
            steady = result
        elif result is not None and steady is not None:
            shot = replace(shot, off_steady=apart(result, steady))
        shots.append(shot)
    return shots


def film(case: Case, seed: int, index: int, way: str) -> tuple[Outcome, tuple[str, ...]]:
    """Write a session whose clips were recorded in one way, and run the tool on it."""
    key = (KINDS.index("videos"), REGIMES.index("tight"), index)
    looks = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(*key, 2)))
    number = list(WAYS).index(way)
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(*key, 3, number)))
    kind = WAYS[way]
    takes = [recorded(case, take, kind, number, rng) for take in plan_takes(case, looks)]
    stated = dict(case.stated)
    stated["camera"] = [
        restated(entry, case.cameras[i].readout_s, takes[i].camera.readout_s, kind)
        for i, entry in enumerate(stated["camera"])
    ]
    with tempfile.TemporaryDirectory(prefix="vidspeed-kinds-") as name:
        write_videos(replace(case, stated=stated), takes, Path(name))
        outcome = run_tool(Path(name))
    return outcome, tuple(dict.fromkeys(f"codec {take.camera.codec}" for take in takes))


def recorded(case: Case, take: Take, kind: Kind, number: int, rng: np.random.Generator) -> Take:
    """Return a take as a kind of recording has it."""
    camera = take.camera
    rate = camera.rate_hz
    faster = kind.faster if rate <= 60 else 2 if kind.faster > 1 else 1
    interval_s = float(1 / (rate * faster))
    exposure_s = camera.exposure_s / faster
    if kind.exposure is not None:
        exposure_s = kind.exposure * interval_s
    changed: dict[str, Any] = {
        "stamps": "steady",
        "rate_hz": rate * faster,
        "stored_rate_hz": rate if faster > 1 else None,
        "rotation_deg": kind.turned,
        "exposure_s": exposure_s,
        "exposure_to_s": None if kind.exposure_to is None else kind.exposure_to * interval_s,
        "stamp_at": str(rng.choice(["start", "middle", "end"])),
        "readout_s": camera.readout_s / faster,
    }
    if kind.readout is not None:
        changed["readout_s"] = min(kind.readout * interval_s, MOST_READOUT_S)
    camera = replace(camera, **(changed | dict(kind.camera)))
    clip = {key: value for key, value in take.clip.items() if not key.startswith("exposure")}
    clip["file"] = f"clips/{camera.name}-{number}{camera.suffix}"
    if faster > 1:
        clip["rate_hz"] = float(camera.rate_hz)
    if "exposure_ms" in take.clip and kind.exposure_to is None:
        u = 0.05 * exposure_s
        clip["exposure_ms"] = 1e3 * (exposure_s + u * rng.standard_normal())
        clip["exposure_u_ms"] = 1e3 * u
    truth = case.cameras[take.index]
    start = case.starts_s[take.number, take.index]
    path = case.paths[take.number]
    plan = plan_clip(
        camera,
        -truth.clock_scale * start,
        start + visible_s(path, 1.0) + 0.2,
        1e6 * (truth.clock_scale - 1.0),
        rng,
    )
    return replace(take, camera=camera, plan=plan, clip=clip, seed=int(rng.integers(2**62)))


def restated(entry: dict[str, Any], was_s: float, is_s: float, kind: Kind) -> dict[str, Any]:
    """Return a camera's table with the read-out of this recording, and the old error of it."""
    entry = dict(entry)
    told_ms, u_ms = entry.pop("readout_ms", None), entry.pop("readout_u_ms", None)
    if told_ms is None or not kind.told:
        return entry
    if u_ms == 0.0:  # a global shutter, which this recording may not have
        return entry | {"readout_ms": 1e3 * is_s, "readout_u_ms": 0.0}
    error_ms = told_ms - 1e3 * was_s
    return entry | {"readout_ms": max(1e3 * is_s + error_ms, 0.0), "readout_u_ms": u_ms}


def judge(outcome: Outcome, blank: Shot, direction: str) -> tuple[Shot, PassResult | None]:
    """Return the shot of the one pass, and its result where there is a speed over the gates."""
    problems = "; ".join(f"{p.level}: {p.message}" for p in outcome.problems)
    if len(outcome.passes) != 1:
        return replace(blank, lost=f"{len(outcome.passes)} passes ({problems})"), None
    result = outcome.passes[0]
    warned = tuple(f"{c.name} {c.status}" for c in result.checks if c.status != "ok")
    blank = replace(blank, warnings=warned)
    if any(row.level == "error" for row in outcome.problems) or result.status != "measured":
        return replace(blank, lost=f"status {result.status} ({problems or warned})"), None
    if result.direction != direction:
        return replace(blank, lost=f"direction {result.direction}"), None
    assert result.speed_mps is not None and result.speed_u_mps is not None
    assert result.interval95_mps is not None
    low, high = result.interval95_mps
    error = result.speed_mps - blank.truth_mps
    shot = replace(
        blank,
        speed_mps=result.speed_mps,
        u_mps=result.speed_u_mps,
        z=normal_score(error, result.speed_u_mps, result.dof),
        covered=bool(low <= blank.truth_mps <= high),
    )
    return shot, result


def apart(result: PassResult, steady: PassResult) -> float:
    """Return how far two recordings of one flight lie apart, over u of the difference.

    Inputs of one owner and name are common, the flight line's too; the lights are not, their
    clips having different names, nor is what lies beyond first order.
    """
    signed: dict[tuple[str, str], float] = {}
    for sign, one in ((1.0, result), (-1.0, steady)):
        assert one.sensitivities_mps is not None
        for item, value in zip(one.inputs, one.sensitivities_mps, strict=True):
            key = (item.owner, item.name)
            signed[key] = signed.get(key, 0.0) + sign * float(value)
    u = float(np.sqrt(sum(value**2 for value in signed.values())))
    return ((result.speed_mps or 0.0) - (steady.speed_mps or 0.0)) / u


HEADER = (
    "| recorded | n | mean z | RMS z | coverage % | median u/v % | worst z | lost % "
    "| RMS off steady | worst off steady | verdict |\n"
    "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"
)


def row_text(label: str, shots: Sequence[Shot]) -> tuple[str, bool]:
    """Return a row, and whether every figure lies in its 99 % range."""
    good = [shot for shot in shots if shot.z is not None]
    gone = share_text(len(shots) - len(good), len(shots))
    if not good:
        return f"| {label} | 0 | | | | | | {gone} | | | LOST |", False
    z = [float(shot.z or 0.0) for shot in good]
    mean, rms = mean_figure(z), rms_figure(z)
    share = coverage_figure([bool(shot.covered) for shot in good])
    ratio = [100.0 * (shot.u_mps or 0.0) / shot.truth_mps for shot in good]
    off = [shot.off_steady for shot in good if shot.off_steady is not None]
    beside = rms_figure(off) if off else None
    over = beside is not None and beside.value > beside.high  # nearer than stated is no fault
    cells = [
        mean.text(".2f"),
        rms.text(".2f"),
        share.text(".1f"),
        median_text(ratio),
        f"{max(z, key=abs):+.1f}",
        gone,
        "" if beside is None else f"{beside.value:.2f} (to {beside.high:.2f}){' OUT' * over}",
        f"{max(off, key=abs):+.1f}" if off else "",
    ]
    out = mean.out or rms.out or share.out or over
    return f"| {label} | {len(good)} | {' | '.join(cells)} | {'OUT' if out else 'ok'} |", not out


def report(shots: Sequence[Shot], groups: bool) -> bool:
    """Print the tables; say whether every way passes."""
    print(HEADER)
    rows = [row_text(way, [s for s in shots if s.way == way]) for way in WAYS if _any(shots, way)]
    print("\n".join(text for text, _ in rows))
    if groups:
        print(f"\nKinds of case (expect one row in thirty OUT)\n\n{HEADER}")
        labels: Callable[[Shot], list[str]] = lambda s: [  # noqa: E731
            *s.tags,
            *(f"warned {w}" for w in s.warnings),
        ]
        for name in sorted({name for shot in shots for name in labels(shot)}):
            print(row_text(name, [s for s in shots if name in labels(s)])[0])
    lost = [shot for shot in shots if shot.lost]
    if lost:
        print("\nLost\n")
        print(
            "\n".join(f"- flight {s.case}, {s.way} ({', '.join(s.tags)}): {s.lost}" for s in lost)
        )
    far = sorted((s for s in shots if s.z is not None), key=lambda s: -abs(s.z or 0.0))[:6]
    print("\nFarthest from the truth\n")
    for s in far:
        print(f"- flight {s.case}, {s.way} ({', '.join(s.tags)}): z {s.z:+.2f}, {s.warnings}")
    return all(good for _, good in rows)


def _any(shots: Sequence[Shot], way: str) -> bool:
    return any(shot.way == way for shot in shots)


def _brief(shot: Shot) -> str:
    return f"{shot.way}: LOST {shot.lost}" if shot.lost else f"{shot.way}: {shot.z:+.2f}"


if __name__ == "__main__":
    sys.exit(main())
