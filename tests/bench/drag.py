"""What a video coder does to a slow light: `python tests/bench/drag.py`.

Films one light that crosses a long, low picture at steady exposure, the same raw frames through
several coders, scans each clip and compares with the truth. Printed by coder and by pixels a
frame: the RMS of error over stated u; how errors hang together over frames, as the amplitude and
the time of an exponential; and the drag, a constant D against the sign of the part of a whole
pixel that the light moves a frame, along each axis of the picture, with the share of the squares
that it explains. README.md beside this file says more.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from bench_errors import closest, compare
from bench_truth import Floats
from scipy.optimize import least_squares

from vidspeed.render.clip import light_places, plan_clip, render_clip
from vidspeed.render.flight import Flight, Weave
from vidspeed.render.scene import Look, SceneCamera

SIZE_PX, FOCAL_PX, RANGE_M, RATE_HZ = (1440, 208), 1440.0, 60.0, 60.0
# codec, crf, preset: "ultrafast" has whole-pixel motion, "medium" quarters and frames both ways
CODERS = (
    ("ffv1", 0, "ultrafast"),  # loses nothing: what is seen there is the detector's own
    ("h264", 18, "ultrafast"),
    ("h264", 23, "ultrafast"),
    ("h264", 18, "medium"),
    ("hevc", 20, "ultrafast"),
    ("mjpeg", 3, "ultrafast"),
)
STEPS_PX, PEAKS = (7.0, 11.0, 18.0, 30.0), (0.02, 0.1, 0.6)
BANDS = ((0.0, 9.0), (9.0, 14.0), (14.0, 22.0), (22.0, 40.0))
LAGS = np.array([1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64])
WILDEST = 6.0  # errors over u beyond this count as this
LEAST_LIGHTS, LEAST_PAIRS = 20, 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """The lights of one clip, n of them: `score` (n, 2) is error over u along and across.

    `error_px`, `u_px` and `step_px` (n, 2) are along x and y of the picture.
    """

    coder: tuple[str, int, str]
    step: float  # pixels a frame
    frame: Any
    score: Floats
    error_px: Floats
    u_px: Floats
    step_px: Floats


def main(arguments: list[str] | None = None) -> int:
    """Film, scan, and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rounds", type=int, default=3, help="of twelve scenes each")
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args(arguments)
    os.environ["OPENBLAS_NUM_THREADS"] = "1"  # a worker has one core; read when numpy is loaded
    jobs = [
        (options.seed, number, step, peak)
        for number in range(options.rounds)
        for step in STEPS_PX
        for peak in PEAKS
    ]
    spawn = multiprocessing.get_context("spawn")
    rows: list[Seen] = []
    with ProcessPoolExecutor(options.jobs, mp_context=spawn) as pool:
        for done, found in enumerate(pool.map(film_scene, jobs)):
            rows += found
            print(f"{done + 1}/{len(jobs)}", file=sys.stderr, flush=True)
    print(
        "| coder | pixels a frame | clips | lights | RMS z | slow part across: u, frames, share "
        "| along | drag x px (over clips), explains | drag y px |\n" + "|" + " --- |" * 9
    )
    for coder in CODERS:
        for low, high in BANDS:
            chosen = [row for row in rows if row.coder == coder and low <= row.step < high]
            if chosen:
                print(row_text(coder, low, high, chosen))
    print(f"\nseed {options.seed}, {len(jobs)} scenes through {len(CODERS)} coders")
    return 0


def film_scene(job: tuple[int, int, float, float]) -> list[Seen]:
    """Film one scene through every coder and compare what is found with the truth."""
    from vidspeed.clip.scan import scan

    seed, number, step, peak = job
    rng = np.random.default_rng([seed, number, int(10 * step), int(1000 * peak)])
    step *= rng.uniform(0.85, 1.18)  # whole pixels a frame would hide the drag along the motion
    flight, cross_s = draw_flight(rng, step)
    exposure = float(rng.choice([0.1, 0.5]))
    spot = float(rng.uniform(0.9, 1.8))
    signal = peak * (1.0 + step * exposure / (spot * np.sqrt(2.0 * np.pi)))
    found = []
    for codec, crf, preset in CODERS:
        camera = SceneCamera(
            name="north",
            position_m=np.array([0.0, -RANGE_M, 2.0]),
            aim_m=np.array([0.0, 0.0, 2.0]),
            image_size_px=SIZE_PX,
            lens=np.array([FOCAL_PX] * 2 + [(side - 1) / 2.0 for side in SIZE_PX] + [0.0] * 5),
            lens_u=np.zeros(9),
            rate_hz=Fraction(60),
            exposure_s=exposure / RATE_HZ,
            readout_s=0.0,
            readout_u_s=0.0,
            codec=codec,  # type: ignore[arg-type]
            crf=crf,
            preset=preset,
            suffix=".avi" if codec == "ffv1" else ".mp4",
            look=Look(lamp_signal=signal, spot_px=spot),
        )
        plan = plan_clip(camera, -cross_s / 2.0 - 0.4, cross_s + 0.8, 0.0, rng)
        with tempfile.TemporaryDirectory(prefix="vidspeed-bench-") as name:
            path = Path(name) / f"clip{camera.suffix}"
            render_clip(path, camera, [flight], plan, seed=number, view_seed=number)
            tracks = scan(path).tracks
        places = light_places(camera, flight, plan)
        track = closest(tracks, places)
        if track is not None and len(track) >= LEAST_LIGHTS:
            found.append(seen_of((codec, crf, preset), step, track, places))
    return found


def draw_flight(rng: np.random.Generator, step: float) -> tuple[Flight, float]:
    """Draw a flight at so many pixels a frame, a little bent and a little changing in speed."""
    length = 0.94 * SIZE_PX[0] / FOCAL_PX * RANGE_M
    speed = step * RATE_HZ * RANGE_M / FOCAL_PX
    cross_s = length / speed
    slope, curve, change = (
        rng.uniform(-0.04, 0.04),
        rng.uniform(-4.0, 4.0),
        rng.uniform(-0.12, 0.12),
    )
    cubic = np.array(
        [
            [0.0, 0.0, 2.0 + rng.uniform(-1.5, 1.5)],
            [speed, 0.0, slope * speed],
            [change * speed / cross_s, 0.0, curve / cross_s**2],
            [0.0, 0.0, 0.0],
        ]
    )
    still = Weave(scale_m=length, centres_m=np.zeros(1), weights_m=np.zeros((1, 2)))
    gates = np.array([-cross_s, cross_s]) / 2.0
    return Flight(length_m=length, cubic=cubic, gates_s=gates, weave=still), cross_s


def seen_of(coder: tuple[str, int, str], step: float, track: Any, places: Any) -> Seen:
    """Return a track's errors along and across its motion, and along the picture's axes."""
    _, mine, theirs = np.intersect1d(track.frame, places.frame, return_indices=True)
    error, u = compare(track, places)
    return Seen(
        coder=coder,
        step=step,
        frame=track.frame[mine],
        score=np.clip(error / u, -WILDEST, WILDEST),
        error_px=track.xy_px[mine] - places.xy_px[theirs],
        u_px=np.sqrt(np.einsum("nii->ni", track.cov_px2[mine])),
        step_px=np.gradient(places.xy_px, axis=0)[theirs],
    )


def row_text(coder: tuple[str, int, str], low: float, high: float, rows: Sequence[Seen]) -> str:
    """Return the row of a coder and a band of speeds."""
    rms = np.sqrt(np.mean(np.concatenate([row.score for row in rows]) ** 2, axis=0))
    cells = [
        " ".join(map(str, coder)),
        f"{low:g} to {high:g}",
        f"{len(rows)}",
        f"{sum(len(row.score) for row in rows)}",
        f"{rms[0]:.2f} along, {rms[1]:.2f} across",
        *(slow_text(rows, axis) for axis in (1, 0)),
        *(drag_text(rows, axis) for axis in (0, 1)),
    ]
    return f"| {' | '.join(cells)} |"


def slow_text(rows: Sequence[Seen], axis: int) -> str:
    """Fit A^2 exp(-lag/t) to the covariance of error over u, lag by lag; return A, t, the share."""
    lagged, counts = np.zeros(len(LAGS)), np.zeros(len(LAGS))
    for row in rows:
        place = row.frame - row.frame[0]
        line = np.full(place[-1] + 1, np.nan)
        line[place] = row.score[:, axis]
        for order, lag in enumerate(LAGS[len(line) > LAGS]):
            product = line[lag:] * line[:-lag]
            lagged[order] += np.nansum(product)
            counts[order] += np.count_nonzero(np.isfinite(product))
    kept = counts > LEAST_PAIRS
    if kept.sum() < 4:
        return ""
    means, weight = lagged[kept] / counts[kept], np.sqrt(counts[kept])

    def left(values: Floats) -> Floats:
        return np.asarray(
            (values[0] ** 2 * np.exp(-LAGS[kept] / np.exp(values[1])) - means) * weight
        )

    fits = [
        least_squares(left, [0.7, np.log(time)], bounds=([0.0, 0.0], [5.0, np.log(1000.0)]))
        for time in (3.0, 20.0, 100.0)
    ]
    size, log_time = min(fits, key=lambda fit: float(fit.cost)).x
    whole = float(np.mean(np.concatenate([row.score[:, axis] for row in rows]) ** 2))
    return f"{size:.2f}, {np.exp(log_time):.0f}, {100.0 * size**2 / whole:.0f} %"


def drag_text(rows: Sequence[Seen], axis: int) -> str:
    """Return the drag along an axis: mean and scatter over the clips, and what it explains."""
    sizes, whole, left = [], 0.0, 0.0
    for row in rows:
        held = -np.sign(row.step_px[:, axis] - np.rint(row.step_px[:, axis]))
        sizes.append(float(np.mean(held * row.error_px[:, axis])))
        score = np.clip(row.error_px[:, axis] / row.u_px[:, axis], -WILDEST, WILDEST)
        whole += float(score @ score)
        rest = score - np.mean(held * score) * held
        left += float(rest @ rest)
    return f"{np.mean(sizes):+.3f} ({np.std(sizes):.3f}), {100.0 * (1.0 - left / whole):.0f} %"


if __name__ == "__main__":
    sys.exit(main())
