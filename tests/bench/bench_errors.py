"""Measure the position errors of lights on rendered clips: `python tests/bench/bench_errors.py`.

Clips as of coverage.py's cases through video (same drawing of looks, codecs, exposures and speeds,
another seed) are scanned as the tool does, and the track that follows the lamp is compared with
where the lamp truly was at mid-exposure. Each light's error and stated uncertainty, along and
across its motion, goes into light_errors.csv, clip by clip and in order of time: coverage.py
draws the noise of its bare tracks from there.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
from bench_draw import KINDS, REGIMES, draw_case
from bench_noise import FILE, Sequence, read, write
from bench_scene import Case
from bench_truth import Floats
from bench_video import Take, plan_takes

from vidspeed.render.clip import Places, light_places
from vidspeed.values import Track

SEED = 20_000  # far from any that coverage.py is run with
NEAR_PX = 3.0  # median distance across the motion of a track that follows the lamp
LEAST_LIGHTS = 6
CODECS, SHARES = ("h264", "hevc", "mjpeg"), (0.6, 0.22, 0.18)  # the rarer ones more often


def main(arguments: list[str] | None = None) -> int:
    """Measure and write the file; print what is in it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clips", type=int, default=78, help="cases to render")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, default=FILE)
    parser.add_argument("--show", action="store_true", help="only tell what is in the file")
    options = parser.parse_args(arguments)
    if options.show:
        tell(read(options.out))
        return 0
    numbers = range(options.first, options.first + options.clips)
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    spawn = multiprocessing.get_context("spawn")
    sequences: list[Sequence] = []
    with ProcessPoolExecutor(options.jobs, mp_context=spawn) as pool:
        for found in pool.map(measure_case, numbers):
            sequences += found
            print(*(summary(one) for one in found), sep="\n", file=sys.stderr, flush=True)
    extra = "".join(
        f" --{name} {getattr(options, name)}"
        for name in ("clips", "first")
        if getattr(options, name) != parser.get_default(name)
    )
    write(sequences, options.out, f"python tests/bench/bench_errors.py{extra}")
    tell(sequences)
    return 0


def tell(sequences: list[Sequence]) -> None:
    """Print what is in the sequences by codec, and for short and long ones."""
    for codec in sorted({one.codec for one in sequences}):
        chosen = [one for one in sequences if one.codec == codec]
        print(pooled(codec, chosen))
        for label, low, high in (("below 60 lights", 0, 60), ("from 100 lights", 100, 10**6)):
            part = [one for one in chosen if low <= len(one.error_px) < high]
            if part:
                print(pooled(f"{codec}, {label}", part))


def measure_case(number: int) -> list[Sequence]:
    """Film the first pass of a case and compare what is found with the truth."""
    from vidspeed.clip.scan import scan

    regime = REGIMES[number // 2 % 2]
    case: Case = draw_case(SEED, "videos", regime, number)
    key = (KINDS.index("videos"), REGIMES.index(regime), number, 1)
    rng = np.random.default_rng(np.random.SeedSequence(SEED, spawn_key=key))
    sequences = []
    with tempfile.TemporaryDirectory(prefix="vidspeed-bench-") as folder:
        for planned in plan_takes(case, rng):
            if planned.number:
                continue
            take = with_codec(planned, str(rng.choice(CODECS, p=SHARES)), rng)
            found = scan(take.film(Path(folder)))
            name = f"{number}-{take.camera.name}"
            places = light_places(take.camera, take.flight, take.plan)
            track = closest(found.tracks, places)
            if track is None:
                print(f"{name} {take.camera.codec}: the lamp was not found", file=sys.stderr)
                continue
            error, u = compare(track, places)
            both = np.isin(places.frame, track.frame)
            sequences.append(
                Sequence(
                    clip=name,
                    codec=take.camera.codec,
                    crf=take.camera.crf,
                    error_px=error,
                    u_px=u,
                    step_px=np.gradient(places.xy_px, places.frame, axis=0)[both],
                )
            )
    return sequences


def with_codec(take: Take, codec: str, rng: np.random.Generator) -> Take:
    """Return the take with another codec."""
    crf = int(rng.integers(2, 6)) if codec == "mjpeg" else int(rng.integers(16, 24))
    return replace(take, camera=replace(take.camera, codec=codec, crf=crf))  # type: ignore[arg-type]


def closest(tracks: tuple[Track, ...], places: Places) -> Track | None:
    """Return the longest track that follows the lamp, None where none does."""
    kept = []
    for track in tracks:
        both = np.isin(track.frame, places.frame)
        if both.sum() < LEAST_LIGHTS:
            continue
        error, _ = compare(track, places)
        if np.median(np.abs(error[:, 1])) < NEAR_PX:
            kept.append(track)
    return max(kept, key=len, default=None)


def compare(track: Track, places: Places) -> tuple[Floats, Floats]:
    """Return errors (n, 2) and stated uncertainties (n, 2) along and across the true motion."""
    _, mine, theirs = np.intersect1d(track.frame, places.frame, return_indices=True)
    motion = np.gradient(places.xy_px, axis=0)[theirs]
    along = motion / np.linalg.norm(motion, axis=1, keepdims=True)
    axes = np.stack([along, np.column_stack([-along[:, 1], along[:, 0]])], axis=1)
    error = np.einsum("nij,nj->ni", axes, track.xy_px[mine] - places.xy_px[theirs])
    spread = axes @ track.cov_px2[mine] @ np.swapaxes(axes, 1, 2)
    return error, np.sqrt(np.stack([spread[:, 0, 0], spread[:, 1, 1]], axis=1))


def summary(one: Sequence) -> str:
    """Return a line on a sequence."""
    z = np.sqrt(np.mean(np.square(one.error_px / one.u_px), axis=0))
    rms = np.sqrt(np.mean(np.square(one.error_px), axis=0))
    return (
        f"{one.clip} {one.codec} {one.crf}: {len(one.error_px)} lights, error {rms[0]:.3f} x "
        f"{rms[1]:.3f} px, z {z[0]:.2f} x {z[1]:.2f}"
    )


def pooled(label: str, sequences: list[Sequence]) -> str:
    """Return a line on many clips' lights: errors over u, how neighbours hang together, slopes."""
    z = [one.error_px / one.u_px for one in sequences]
    every = np.concatenate(z)
    before = np.concatenate([one[:-1] for one in z])
    after = np.concatenate([one[1:] for one in z])
    rho = np.sum(before * after, axis=0) / np.sqrt(np.sum(before**2, 0) * np.sum(after**2, 0))
    rms = np.sqrt(np.mean(every**2, axis=0))
    usual = np.sqrt(np.median(every**2, axis=0) / 0.4549)  # the median of chi-square, 1 dof
    slopes = np.array([[slope_score(one, axis) for axis in (0, 1)] for one in sequences])
    slope = np.sqrt(np.mean(slopes**2, axis=0))
    return (
        f"{label}: {len(sequences)} clips, {len(every)} lights, RMS z {rms[0]:.2f} x {rms[1]:.2f} "
        f"(from the median {usual[0]:.2f} x {usual[1]:.2f}), correlation of neighbours "
        f"{rho[0]:+.2f} x {rho[1]:+.2f}, worst {np.abs(every).max(axis=0).round(1)}, "
        f"RMS slope over its u {slope[0]:.2f} x {slope[1]:.2f}"
    )


def slope_score(one: Sequence, axis: int) -> float:
    """Return the slope of a line through a clip's errors over the u of independent ones.

    Errors that drift slowly make it large where no scatter of neighbours shows them; a speed
    inherits it.
    """
    u = one.u_px[:, axis]
    line = np.stack([np.ones(len(u)), np.linspace(-1.0, 1.0, len(u))], axis=1) / u[:, None]
    covariance = np.linalg.inv(line.T @ line)
    fit = covariance @ line.T @ (one.error_px[:, axis] / u)
    return float(fit[1] / np.sqrt(covariance[1, 1]))


if __name__ == "__main__":
    sys.exit(main())
