"""A pass of one camera solved with its sound: is its uncertainty true, and near what is possible?

    python tests/bench/joint_sound.py --seed 1 --count 100

See README.md beside this for what is drawn and what is printed.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.bench_sound import RATE_HZ, noise_u
from tests.motion.flown import LENGTH_M, PLACES_M, SIZE_PX, evening, looking, plain_track
from vidspeed.agreement.hearing import hear
from vidspeed.errors import MotionError
from vidspeed.geometry.lens import project
from vidspeed.motion.account import speed_between
from vidspeed.motion.calibration import calibrate_camera
from vidspeed.motion.flight import Lit, solve
from vidspeed.motion.sounded import UNLIKELY, with_sounds
from vidspeed.values import Around, Pose

ALPHA = 0.01
MOST_OVER = 1.2  # of u over the bound
RATE = 60.0
SECONDS, MIDDLE_S = 5.0, 2.3
ACCEL_U = np.array([2.0, 1.0, 1.0])
SLOPE_U, SLOPE_TRUE_U = 0.2, 0.03
AIR = Around(
    sound_mps=340.0, sound_u_mps=1.2, wind_mps=0.0, wind_u_mps=2.0,
    accel_u_mps2=ACCEL_U[0], bend_u_mps2=ACCEL_U[1],
)  # fmt: skip
WINDOW_S = 0.05


@dataclass
class Truth:
    """One pass as it was flown and heard: path (3, 3) about mid-course, t = 0 there."""

    path: np.ndarray
    speed_mps: float
    scale: float
    tones_hz: np.ndarray
    tones_db: np.ndarray
    slope: float
    wind_mps: float
    sound_mps: float
    heard_s: float


def places(path: np.ndarray, time: np.ndarray) -> np.ndarray:
    """Return where a craft is (n, 3); `path` holds place, velocity, acceleration and jerk."""
    powers = np.stack([time**k / (1.0, 1.0, 2.0, 6.0)[k] for k in range(len(path))], axis=1)
    return powers @ path


def gates(path: np.ndarray) -> tuple[float, float]:
    """Return when the craft is at the start and at the finish."""
    span = LENGTH_M / abs(path[1, 0])
    found = [
        brentq(lambda t, x=x: places(path, np.array([t]))[0, 0] - x, -1.5 * span, 1.5 * span)
        for x in (0.0, LENGTH_M)
    ]
    return found[0], found[1]


def arrivals(
    path: np.ndarray, place: np.ndarray, wind: float, sound: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return moments on the path, when they are heard (by true metres), and the closest one."""
    tau = np.arange(-8.0, 6.0, 2.5e-4)
    away = places(path, tau) - place
    a, b = sound**2 - wind**2, away[:, 0] * wind
    late = (b + np.sqrt(b**2 + a * np.sum(away**2, axis=1))) / a
    return tau, tau + late, tau[np.argmin(np.sum(away**2, axis=1))]


def heard_as(truth: Truth, place: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return samples of the sound that a microphone there records; mid-course is at `MIDDLE_S`."""
    time = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    tau, heard, closest = arrivals(
        (1.0 + truth.scale) * truth.path,
        (1.0 + truth.scale) * place,
        truth.wind_mps,
        truth.sound_mps,
    )
    turns = (tau - closest) + truth.slope * (tau - closest) ** 2 / 2.0
    at = np.interp(time - MIDDLE_S, heard, turns)
    middle = np.interp(closest, tau, heard) + MIDDLE_S
    edge = np.clip((truth.heard_s - np.abs(time - middle)) / 0.05, 0.0, 1.0)
    whole = noise_u() * rng.normal(size=len(time))
    for tone, level in zip(truth.tones_hz, truth.tones_db, strict=True):
        phase = 2 * np.pi * np.mod(tone * at, 1.0) + rng.uniform(0, 2 * np.pi)
        keep = tone * np.gradient(at, time) < 0.47 * RATE_HZ
        whole += edge * np.where(keep, 10.0 ** (level / 20.0) * np.cos(phase), 0.0)
    return whole / (6.0 * np.std(whole))


def drawn(scene, rng: np.random.Generator) -> Truth:
    """Return a pass, off by what is stated of it."""
    line = scene.line
    speed = rng.uniform(45.0, 140.0) * rng.choice([-1.0, 1.0])
    span = LENGTH_M / abs(speed)
    accel = rng.normal(size=3) * ACCEL_U
    level = np.array(
        [
            LENGTH_M / 2.0,
            line.offset_m + rng.normal() * line.offset_u_m,
            line.height_m + rng.normal() * line.height_u_m,
        ]
    )
    rates = np.array(
        [speed, rng.normal() * line.drift_u_m / span, rng.normal() * line.climb_u_m / span]
    )
    first = rng.uniform(1200.0, 2500.0)
    count = int(rng.integers(1, 4))
    path = np.array([level - accel * span**2 / 24.0, rates, accel])
    scale = rng.normal() * scene.session.course.length_u_m / LENGTH_M
    begin, end = gates(path)
    return Truth(
        path=path,
        speed_mps=(1.0 + scale) * LENGTH_M / abs(end - begin),
        scale=scale,
        tones_hz=first * np.arange(1, count + 1),
        tones_db=rng.uniform(10.0, 20.0) - 3.0 * np.arange(count),
        slope=rng.normal() * SLOPE_TRUE_U,
        wind_mps=rng.normal() * AIR.wind_u_mps,
        sound_mps=AIR.sound_mps + rng.normal() * AIR.sound_u_mps,
        heard_s=rng.uniform(1.0, 1.8),
    )


def lights_of(scene, truth: Truth, u_px: float) -> Lit:
    """Return the track that the camera has of a pass."""
    rng, entry = scene.rng, scene.session.cameras[0]
    span = LENGTH_M / truth.speed_mps
    time = np.arange(-0.75 * span + rng.uniform(0.0, 1.0 / RATE), 0.75 * span, 1.0 / RATE)
    seen = project(places(truth.path, time), scene.poses[0], scene.lenses[0])
    row = seen[:, 1] / SIZE_PX[1]
    readout = entry.readout_s + entry.readout_u_s * rng.normal()
    ppm = entry.clock_u_ppm * rng.normal()
    stamps = (time - readout * row) * (1.0 - 1e-6 * ppm) + MIDDLE_S
    noisy = seen + u_px * rng.normal(size=seen.shape)
    there = np.all((seen > 0.0) & (seen < np.array(SIZE_PX) - 1.0), axis=1)
    track = plain_track(np.flatnonzero(there), stamps[there], noisy[there], u_px, row[there])
    stand, _ = calibrate_camera(scene.session, entry, 1.0 / RATE)
    return Lit(clip="n.mp4", stand=stand, track=track)


class Bound:
    """The Bayesian Cramér-Rao bound of a pass, by differences about the truth.

    H. L. Van Trees, "Detection, Estimation, and Modulation Theory", part I, 1968, 2.4. The pitch of
    a tone in one window of 50 ms whose phase is not known: D. Rife, R. Boorstyn, IEEE Trans. Inf.
    Theory 20 (1974) 591. Windows do not know of each other's phase.
    """

    def __init__(self, scene, truth: Truth, lit: Lit, u_px: float) -> None:
        self.scene, self.truth, self.lit, self.u_px = scene, truth, lit, u_px
        self.camera = scene.session.cameras[0]
        self.sizes = np.concatenate(
            [
                np.full(3, 0.05), np.full(3, 1e-3),  # pose, free
                np.ones(4 + 33 + 1 + 1 + 1 + 1 + 1),  # lens, markers, scale, clock, read-out, air
                np.array([1.0, 0.5, 0.5, 0.5, 0.5, 0.5, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0]),  # path
                np.array([1.0]), np.full(len(truth.tones_hz), 1e-3),  # slope, tones
            ]
        )  # fmt: skip

    def known(self) -> slice:
        """Return the unknowns that are deviates with a prior of one."""
        return slice(6, 6 + 42)

    def rows(self, theta: np.ndarray, sound: bool) -> np.ndarray:
        """Return what is seen, heard and known, each over its standard uncertainty."""
        truth, camera, session = self.truth, self.camera, self.scene.session
        turn, place = theta[3:6], self.scene.poses[0].position_m + theta[:3]
        x, y, z = turn
        spin = np.array([[1.0, -z, y], [z, 1.0, -x], [-y, x, 1.0]])
        pose = Pose(
            camera_from_course=spin @ self.scene.poses[0].camera_from_course, position_m=place
        )
        lens = self.scene.lenses[0] + camera.lens.factor @ theta[6:10]
        marker_u = session.markers[0].u_m
        markers = PLACES_M + marker_u * theta[10:43].reshape(-1, 3)
        clock = 1.0 + 1e-6 * camera.clock_u_ppm * theta[44]
        scale = truth.scale + session.course.length_u_m / LENGTH_M * theta[43]
        path = np.vstack([truth.path, np.zeros((1, 3))]) + theta[48:60].reshape(4, 3)
        track = self.lit.track
        time = clock * (track.time_s - MIDDLE_S)
        time = time + camera.readout_s * track.row + camera.readout_u_s * theta[45] * track.row
        found = [
            project(markers, pose, lens).ravel() / camera.picks[0].u_px,
            project(places(path, time), pose, lens).ravel() / self.u_px,
            self.prior_of(path),
            theta[self.known()],
            np.atleast_1d(theta[60] / SLOPE_U),
        ]
        if sound:
            found.append(self.pitches(path[:3], place, scale, theta))
        return np.concatenate(found)

    def prior_of(self, path: np.ndarray) -> np.ndarray:
        """Return what the flight line says."""
        line, span = self.scene.line, LENGTH_M / self.truth.speed_mps
        mean = path[0] + path[2] * span**2 / 24.0
        return np.concatenate(
            [
                [mean[1] / line.offset_u_m, mean[2] / line.height_u_m],
                path[1, 1:] * span / np.array([line.drift_u_m, line.climb_u_m]),
                path[2] / ACCEL_U,
                path[3] / (ACCEL_U / span),
            ]
        )

    def pitches(
        self, path: np.ndarray, place: np.ndarray, scale: float, theta: np.ndarray
    ) -> np.ndarray:
        """Return the logarithms of pitches in all windows, each over its bound."""
        truth = self.truth
        wind = truth.wind_mps + AIR.wind_u_mps * theta[46]
        sound = truth.sound_mps + AIR.sound_u_mps * theta[47]
        tau, heard, _ = arrivals((1.0 + scale) * path, (1.0 + scale) * place, wind, sound)
        # When windows are does not hang on the unknowns, the moment of the drift neither.
        _, true, closest = arrivals(
            (1.0 + truth.scale) * truth.path,
            (1.0 + truth.scale) * self.scene.poses[0].position_m,
            truth.wind_mps,
            truth.sound_mps,
        )
        middle = float(np.interp(closest, tau, true))
        at = np.arange(-truth.heard_s, truth.heard_s, WINDOW_S) + middle + WINDOW_S / 2.0
        sent = np.interp(at, heard, tau)
        step = 2e-3
        bend = (np.interp(at + step, heard, tau) - np.interp(at - step, heard, tau)) / (2 * step)
        rate = np.log(bend * (1.0 + (truth.slope + theta[60]) * (sent - closest)))
        found = []
        for number, (tone, level) in enumerate(zip(truth.tones_hz, truth.tones_db, strict=True)):
            amplitude = 10.0 ** (level / 20.0) * np.sqrt(WINDOW_S / 0.025)
            u = np.sqrt(6.0) / (2.0 * np.pi * amplitude * WINDOW_S) / (tone * bend)
            found.append((rate + theta[61 + number]) / u)
        return np.concatenate(found)

    def u_mps(self, sound: bool) -> float:
        """Return the bound of the speed's standard uncertainty."""
        zero = np.zeros(len(self.sizes))
        steps = 1e-2 * self.sizes
        columns = [
            (self.rows(zero + move, sound) - self.rows(zero - move, sound)) / 2e-2
            for move in np.diag(steps)
        ]
        jacobian = np.column_stack(columns)
        speeds = np.array(
            [self.speed(zero + move) - self.speed(zero - move) for move in np.diag(steps)]
        )
        slope = speeds / 2e-2
        size = np.linalg.norm(jacobian, axis=0)
        used = size > 0.0
        scaled = jacobian[:, used] / size[used]
        covariance = np.linalg.pinv(scaled.T @ scaled, rcond=1e-14)
        slope = slope[used] / size[used]
        return float(np.sqrt(slope @ covariance @ slope))

    def speed(self, theta: np.ndarray) -> float:
        """Return the speed in question."""
        truth = self.truth
        path = np.vstack([truth.path, np.zeros((1, 3))]) + theta[48:60].reshape(4, 3)
        scale = truth.scale + self.scene.session.course.length_u_m / LENGTH_M * theta[43]
        begin, end = gates(path)
        return (1.0 + scale) * LENGTH_M / abs(end - begin)


@dataclass
class Row:
    """What came of a pass: with its sound, and what its lights alone and the bounds say."""

    z: float
    u_mps: float
    alone_u_mps: float
    bound_mps: float
    alone_bound_mps: float


def one(seed: int, number: int) -> Row | str:
    """Return one pass solved with its sound, or why there is none."""
    rng = np.random.default_rng([seed, number])
    distance = rng.uniform(30.0, 65.0)
    stand = [[rng.uniform(30.0, 50.0), -distance, rng.uniform(1.2, 2.5)]]
    scene = evening(
        int(rng.integers(1 << 30)), cameras=1, stands=stand, weave_u_m=0.0, height_u_m=1.0,
        offset_u_m=rng.uniform(0.03, 0.05) * distance, accel_u_mps2=ACCEL_U,
    )  # fmt: skip
    scene.poses[0] = looking(np.array(stand[0]), [40.0, 0.0, 3.0])
    truth = drawn(scene, rng)
    lit = lights_of(scene, truth, 0.3)
    samples = heard_as(truth, scene.poses[0].position_m, rng)
    try:
        flight = solve(scene.session, [lit], "1")
    except MotionError as error:
        return str(error)
    middle = MIDDLE_S + distance / AIR.sound_mps
    found = hear(
        samples, RATE_HZ, 0.0, around=AIR, within_s=(middle - 0.5, middle + 0.5),
        speed_mps=(80.0 / 3.6, 620.0 / 3.6),
    ).heard  # fmt: skip
    if len(found) != 1 or found[0].told is None:
        return "not heard"
    joint, chance = with_sounds(flight, {0: found[0].told}, AIR)
    if chance < UNLIKELY:
        return "contradicts"
    speed, gradient = speed_between(joint, (0.0, LENGTH_M))
    u = float(np.linalg.norm(joint.sensitivities(gradient)))
    alone = float(np.linalg.norm(flight.sensitivities(speed_between(flight, (0.0, LENGTH_M))[1])))
    bound = Bound(scene, truth, lit, 0.3)
    return Row(
        z=(speed - truth.speed_mps) / u,
        u_mps=u,
        alone_u_mps=alone,
        bound_mps=bound.u_mps(True),
        alone_bound_mps=bound.u_mps(False),
    )


def main() -> int:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=100)
    options = parser.parse_args()
    rows, lost = [], []
    for number in range(options.count):
        found = one(options.seed, number)
        if isinstance(found, str):
            lost.append(found)
        else:
            rows.append(found)
    n = len(rows)
    z = np.array([row.z for row in rows])
    low, high = np.sqrt(chi2.ppf([ALPHA / 2, 1 - ALPHA / 2], n) / n)
    rms = float(np.sqrt(np.mean(z**2)))
    over = np.array([row.u_mps / row.bound_mps for row in rows])
    alone = np.array([row.alone_u_mps / row.alone_bound_mps for row in rows])
    gain = np.array([row.u_mps / row.alone_u_mps for row in rows])
    print(
        f"{options.count} passes, {n} solved with their sound; lost: "
        f"{ {name: lost.count(name) for name in sorted(set(lost))} }\n"
        f"RMS z {rms:.2f} [{low:.2f}, {high:.2f}], mean z {z.mean():.2f}, beyond 4 u "
        f"{int((np.abs(z) > 4).sum())}\n"
        f"u over the joint bound: median {np.median(over):.3f}, 90 % below "
        f"{np.quantile(over, 0.9):.3f} (allowed: {MOST_OVER:g})\n"
        f"u of the lights alone over their bound: median {np.median(alone):.3f}\n"
        f"u with the sound over u without: median {np.median(gain):.3f}"
    )
    return 0 if low <= rms <= high and np.median(over) <= MOST_OVER else 1


if __name__ == "__main__":
    raise SystemExit(main())
