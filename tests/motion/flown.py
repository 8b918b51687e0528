"""A small world of its own for the tests: markers, cameras, a flight and the lights it gives.

It shares the camera equation and the values with the solver, and nothing else; the flight is
integrated here from its acceleration and jerk, and its gate times are found by bracketing.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

from vidspeed.geometry.lens import project
from vidspeed.motion.calibration import calibrate_camera
from vidspeed.motion.flight import Lit, solve
from vidspeed.motion.stand import Stand
from vidspeed.values import (
    Camera,
    Course,
    Craft,
    FlightLine,
    Lens,
    Marker,
    Pick,
    Pose,
    Session,
    Track,
)

LENGTH_M = 80.0
SIZE_PX = (1920, 1080)
PLACES_M = np.array(
    [
        [0, 0, 0], [80, 0, 0], [0, 0, 2], [80, 0, 2], [20, 5, 0], [60, 6, 0],
        [40, -6, 2], [30, -5, 0], [50, 8, 2], [10, -8, 0.5], [70, 9, 1],
    ],
    dtype=float,
)  # fmt: skip
STANDS_M = ([40.0, -85.0, 1.7], [45.0, 90.0, 1.7])


@dataclass
class Scene:
    session: Session
    poses: list
    lenses: list
    rng: np.random.Generator
    line: FlightLine


def looking(place_m, aim_m):
    forward = np.asarray(aim_m, float) - place_m
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    turn = np.array([right, np.cross(forward, right), forward])
    return Pose(camera_from_course=turn, position_m=np.asarray(place_m, float))


def evening(
    seed, cameras=2, *, pick_u_px=0.5, marker_u_m=0.02, focal_u_px=15.0, stands=STANDS_M,
    free_focal=False, **line,
):  # fmt: skip
    """Make a session whose every stated figure is the truth disturbed by its uncertainty."""
    rng = np.random.default_rng(seed)
    stated = {
        "offset_m": 0.0,
        "offset_u_m": 0.5,
        "height_m": 4.0,
        "height_u_m": 0.5,
        "drift_u_m": 0.3,
        "climb_u_m": 0.3,
        "weave_u_m": 0.02,
        "accel_u_mps2": np.array([10.0, 3.0, 3.0]),
    }
    flight_line = FlightLine(**{**stated, **line})
    markers = tuple(
        Marker(name=f"m{i}", xyz_m=place + marker_u_m * rng.standard_normal(3), u_m=marker_u_m)
        for i, place in enumerate(PLACES_M)
    )
    entries, poses, lenses = [], [], []
    for name, place in list(zip("ns", stands, strict=False))[:cameras]:
        pose = looking(np.array(place), [40.0, 0.0, 3.0])
        lens = np.array([1480.0, 1480.0, 959.5, 539.5, -0.02, 0.0, 0.0, 0.0, 0.0])
        factor = np.zeros((9, 4))
        factor[0, 0] = factor[1, 0] = focal_u_px
        factor[2, 1] = factor[3, 2] = 10.0
        factor[4, 3] = 0.01
        known = lens + factor @ rng.standard_normal(4)
        names = ("focal length", "centre x", "centre y", "k1")
        if free_focal:
            factor, names = factor[:, 1:], names[1:]
            known[:2] = SIZE_PX[0]
        picks = project(PLACES_M, pose, lens) + pick_u_px * rng.standard_normal((len(PLACES_M), 2))
        entries.append(
            Camera(
                name=name,
                image_size_px=SIZE_PX,
                lens=Lens(
                    image_size_px=SIZE_PX, parameters=known, factor=factor, names=names,
                    focal_free=free_focal,
                ),
                picks=tuple(
                    Pick(name=f"m{i}", xy_px=xy, u_px=pick_u_px) for i, xy in enumerate(picks)
                ),
                readout_s=0.012,
                readout_u_s=0.003,
                clock_u_ppm=50.0,
            )
        )  # fmt: skip
        poses.append(pose)
        lenses.append(lens)
    session = Session(
        folder=".", title="test", date=None, place=None, timezone=None,
        course=Course(length_m=LENGTH_M, length_u_m=0.02), markers=markers,
        flight_line=flight_line, air=None, craft=Craft(), cameras=tuple(entries), clips=(),
        syncs=(), mark=None, wanted_U95_percent=1.0, inputs=(),
    )  # fmt: skip
    return Scene(session=session, poses=poses, lenses=lenses, rng=rng, line=flight_line)


def plain_track(frame, time_s, xy_px, u_px, row):
    """Return a track of points with a circular uncertainty."""
    n = len(time_s)
    unknown = np.full(n, np.nan)
    return Track(
        frame=frame, time_s=time_s, xy_px=xy_px, cov_px2=np.tile(u_px**2 * np.eye(2), (n, 1, 1)),
        row=row, time_u_s=np.zeros(n), streak_px=unknown, streak_u_px=unknown,
        streak_angle_rad=unknown, peak=unknown, snr=unknown,
    )  # fmt: skip


@dataclass
class Flown:
    flight: object
    truth_mps: float
    lit: list


def flown(
    scene,
    *,
    u_px=0.3,
    scatter=1.0,
    rate_hz=60.0,
    speed_mps=None,
    around=0.75,
    starts=None,
    offset_m=None,
    clocks=None,
    scale=None,
):
    """Fly once and return the track each camera would have; truth as the contract defines it.

    `starts` are what the clips' stamps say at mid-course; `clocks` the true read-out (s) and rate
    error (ppm) of each camera, `scale` the survey's true scale error; each is drawn for this
    flight alone where left out.
    """
    rng, line = scene.rng, scene.line
    speed = rng.uniform(42.0, 145.0) * rng.choice([-1.0, 1.0]) if speed_mps is None else speed_mps
    span = LENGTH_M / abs(speed)
    scale = drawn_scale(scene) if scale is None else scale
    level = [
        LENGTH_M / 2.0,
        line.offset_m + rng.standard_normal() * line.offset_u_m,
        line.height_m + rng.standard_normal() * line.height_u_m,
    ]
    if offset_m is not None:
        level[1] = offset_m
    change = [
        speed * span,
        rng.standard_normal() * line.drift_u_m,
        rng.standard_normal() * line.climb_u_m,
    ]
    accel = rng.standard_normal(3) * line.accel_u_mps2
    jerk = rng.standard_normal(3) * line.accel_u_mps2 / span

    def path(time):
        time = np.atleast_1d(time)
        bend = time**2 / 2.0 - span**2 / 24.0
        twist = time**3 / 6.0 - time * span**2 / 24.0
        return np.column_stack(
            [
                level[i] + change[i] * time / span + accel[i] * bend + jerk[i] * twist
                for i in range(3)
            ]
        )

    gates = [
        brentq(lambda t, x=x: path(t)[0, 0] - x, -0.7 * span, 0.7 * span, xtol=1e-13)
        for x in (0.0, LENGTH_M)
    ]
    truth = (1.0 + scale) * LENGTH_M / abs(gates[1] - gates[0])
    times = [
        np.arange(-around * span + rng.uniform(0.0, 1.0 / rate_hz), around * span, 1.0 / rate_hz)
        for _ in scene.session.cameras
    ]
    everywhere = path(np.concatenate(times))[:, 0]
    apart = (everywhere[:, None] - everywhere[None, :]) / (LENGTH_M / 4.0)
    root = np.linalg.cholesky(np.exp(-0.5 * apart**2) + 1e-10 * np.eye(len(everywhere)))
    weave = line.weave_u_m * root @ rng.standard_normal((len(everywhere), 2))
    starts = rng.uniform(0.0, 100.0, len(times)) if starts is None else starts
    lit, at = [], 0
    clocks = [None] * len(times) if clocks is None else clocks
    for entry, pose, lens, time, start, clock in zip(
        scene.session.cameras, scene.poses, scene.lenses, times, starts, clocks, strict=True
    ):
        places = path(time)
        places[:, 1:] += weave[at : at + len(time)]
        at += len(time)
        seen = project(places, pose, lens)
        row = seen[:, 1] / SIZE_PX[1]
        readout, ppm = drawn_clock(entry, rng) if clock is None else clock
        stamps = (time - readout * row) * (1.0 - 1e-6 * ppm) + start
        noisy = seen + scatter * u_px * rng.standard_normal(seen.shape)
        there = np.all((seen > 0.0) & (seen < np.array(SIZE_PX) - 1.0), axis=1)
        track = plain_track(np.flatnonzero(there), stamps[there], noisy[there], u_px, row[there])
        stand, _ = calibrate_camera(scene.session, entry, 1.0 / rate_hz)
        lit.append(Lit(clip=f"{entry.name}.mp4", stand=stand, track=track))
    return lit, truth


def drawn_scale(scene):
    """Return by how much true metres exceed the course's, disturbed by what is stated of it."""
    return scene.rng.standard_normal() * scene.session.course.length_u_m / LENGTH_M


def drawn_clock(entry, rng):
    """Return read-out and rate error of a camera, disturbed by what is stated of them."""
    readout_s = entry.readout_s + entry.readout_u_s * rng.standard_normal()
    return readout_s, entry.clock_u_ppm * rng.standard_normal()


def solved(scene, label="1", **how):
    lit, truth = flown(scene, **how)
    return Flown(flight=solve(scene.session, lit, label), truth_mps=truth, lit=lit)


def true_stand(scene, index, interval_s=1.0 / 60.0):
    """Return a stand at the true place, for tests of geometry alone."""
    entry = scene.session.cameras[index]
    lens = replace(entry.lens, parameters=scene.lenses[index])
    return Stand(
        camera=replace(entry, lens=lens),
        pose=scene.poses[index],
        lens_deviates=np.zeros(entry.lens.factor.shape[1]),
        focal_log=0.0,
        interval_s=interval_s,
    )
