"""Draw random sessions: the truth first, then every stated number as truth + u * normal.

Numbers that a session leaves out are drawn from what the contract says is then taken. The order
matters: path, lens errors, read-out and clock are drawn before the geometry, and it is the
geometry (range, aim, focal length) that is drawn again where the course does not fit into the
picture. So no drawn error is ever thrown away for being large.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from bench_scene import Case, TrueCamera, chart_covariance, frame_course, sees_all
from bench_truth import Floats, TruePath, draw_path

REGIMES = ("ordinary", "tight")
KINDS = ("tracks", "videos")
Body = tuple[TrueCamera, dict[str, Any], dict[str, Any]]  # camera, what is stated, lens errors
LENS_NAMES = ("fx_px", "fy_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2", "k3")
RATES_HZ = (30.0, 60000 / 1001, 60.0, 120.0, 240.0)
SIZES_PX = ((1280, 720), (1920, 1080), (1600, 900), (1920, 1440), (3840, 2160))
VIDEO_SIZES_PX = ((960, 540), (1280, 720))


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The design of a session before any error is drawn."""

    regime: str
    kind: str
    length_m: float
    length_u_m: float
    speeds_mps: tuple[float, ...]  # one a pass, signed
    offset_m: float
    height_m: float
    offset_u_m: float
    height_u_m: float
    drift_u_m: float | None
    climb_u_m: float | None
    weave_u_m: float | None
    accel_u_mps2: tuple[float, float, float] | None
    shared_part: float | None  # of the flight line's variance; None: not stated
    line_stated: bool
    lamp_u_m: float
    cameras: int
    lens_kind: str
    noise: str
    understated: float


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Return a number whose logarithm is uniform."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def draw_case(seed: int, kind: str, regime: str, index: int) -> Case:
    """Draw case `index` of a kind and regime; the same four arguments give the same case."""
    key = (KINDS.index(kind), REGIMES.index(regime), index)
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=key))
    cameras = 1 + index % 2
    noise = "measured" if kind == "videos" or index % 10 < 8 else "normal"
    plan = draw_plan(rng, kind, regime, cameras, noise)
    scale_error = rng.standard_normal() * plan.length_u_m / plan.length_m
    line_true, line_stated = draw_lines(rng, plan)
    paths = tuple(
        draw_path(
            rng,
            length_m=plan.length_m,
            scale_error=scale_error,
            velocity_mps=speed,
            accel_u_mps2=np.array(plan.accel_u_mps2 or (10.0, 3.0, 3.0)),
            offset_m=offset,
            height_m=height,
            drift_u_m=plan.offset_u_m if plan.drift_u_m is None else plan.drift_u_m,
            climb_u_m=plan.height_u_m if plan.climb_u_m is None else plan.climb_u_m,
            weave_u_m=0.02 if plan.weave_u_m is None else plan.weave_u_m,
        )
        for speed, (offset, height) in zip(plan.speeds_mps, line_true, strict=True)
    )
    names = ("north", "south")[: plan.cameras]
    bodies = [draw_body(rng, plan, name) for name in names]
    for _ in range(400):
        drawn = draw_cameras(rng, plan, paths, bodies)
        markers = None if drawn is None else draw_markers(rng, plan, [item[0] for item in drawn])
        if drawn is not None and markers is not None:
            return assemble(
                rng, plan, f"{kind}-{regime}-{index}", paths, drawn, markers, line_stated
            )
    raise RuntimeError(f"{kind}-{regime}-{index}: no geometry found for seed {seed}")


def draw_plan(rng: np.random.Generator, kind: str, regime: str, cameras: int, noise: str) -> Plan:
    """Draw the design: course, speeds, and how well everything is stated to be known."""
    tight = regime == "tight"
    length = float(np.round(rng.uniform(30.0, 100.0), 1))
    speed = rng.uniform(150.0, 520.0) / 3.6
    sign = 1.0 if rng.random() < 0.5 else -1.0
    speeds: tuple[float, ...] = (sign * speed,)
    if kind == "tracks" and rng.random() < 0.15:
        speeds = (sign * speed, -sign * speed * rng.uniform(0.9, 1.1))
    if tight:
        offset_u, height_u = log_uniform(rng, 0.02, 0.08), log_uniform(rng, 0.03, 0.15)
        drift_u, climb_u = rng.choice([0.05, 0.1, 0.2], 2)
        weave_u = float(rng.choice([0.005, 0.01, 0.02]))
        lamp_u = float(rng.choice([0.0, 0.01, 0.02]))
        kinds, share = ("file", "inline 1 %", "inline 3 %", "free"), (0.45, 0.3, 0.15, 0.1)
    else:
        offset_u, height_u = log_uniform(rng, 0.3, 3.0), log_uniform(rng, 0.3, 3.0)
        drift_u, climb_u = rng.choice([0.3, 1.0, 2.0], 2)
        weave_u = float(rng.choice([0.01, 0.02, 0.05]))
        lamp_u = float(rng.choice([0.0, 0.02, 0.05]))
        kinds, share = ("file", "inline 1 %", "inline 3 %", "free"), (0.25, 0.3, 0.25, 0.2)
    default_drift = rng.random() < 0.3
    line_stated = not (cameras == 2 and not tight and rng.random() < 0.15)
    # A craft that could stop or turn within its stated acceleration is no pass along a course.
    accel_top = 0.12 * speed**2 / length
    accel: tuple[float, float, float] | None = None
    if accel_top < 10.0 or rng.random() < 0.3 or not line_stated:
        top = float(np.floor(10.0 * min(10.0, accel_top)) / 10.0)
        accel = (top, *(float(v) for v in rng.choice([1.0, 2.0, 3.0], 2)))
    return Plan(
        regime=regime,
        kind=kind,
        length_m=length,
        length_u_m=length
        * (log_uniform(rng, 1e-4, 4e-4) if tight else log_uniform(rng, 2e-4, 2e-3)),
        speeds_mps=speeds,
        offset_m=rng.uniform(-2.0, 2.0),
        height_m=max(rng.uniform(2.0, 8.0), 2.5 * height_u),
        offset_u_m=offset_u,
        height_u_m=height_u,
        drift_u_m=None if default_drift and line_stated else float(drift_u),
        climb_u_m=None if default_drift and line_stated else float(climb_u),
        weave_u_m=None if rng.random() < 0.3 and not tight else weave_u,
        accel_u_mps2=accel,
        shared_part=None if rng.random() < 0.5 else float(rng.uniform(0.1, 0.9)),
        line_stated=line_stated,
        lamp_u_m=lamp_u,
        cameras=cameras,
        lens_kind=str(rng.choice(kinds, p=share)),
        noise=noise,
        understated=1.5 if rng.random() < 0.3 and noise == "normal" else 1.0,
    )


def draw_lines(
    rng: np.random.Generator, plan: Plan
) -> tuple[list[tuple[float, float]], tuple[float, float]]:
    """Draw the true mean y, z of each pass about the line, and the line as it is stated."""
    part = rng.uniform(0.0, 1.0) if plan.shared_part is None else plan.shared_part
    u = np.array([plan.offset_u_m, plan.height_u_m])
    line = np.array([plan.offset_m, plan.height_m])
    own = np.sqrt(1.0 - part) * u * rng.standard_normal((len(plan.speeds_mps), 2))
    shared = np.sqrt(part) * u * rng.standard_normal(2)
    true = [(float(y), float(z)) for y, z in line + own]
    return true, (float(line[0] + shared[0]), float(line[1] + shared[1]))


# --- cameras -------------------------------------------------------------------------------


def draw_cameras(
    rng: np.random.Generator, plan: Plan, paths: tuple[TruePath, ...], bodies: list[Body]
) -> list[tuple[TrueCamera, dict[str, Any], dict[str, Any] | None]] | None:
    """Draw the cameras and what the session states of each; None where the course does not fit."""
    side = 1.0 if rng.random() < 0.5 else -1.0
    first = "oblique" if rng.random() < 0.25 else "abeam"
    layouts = [(first, side)]
    if plan.cameras == 2:
        second = str(
            rng.choice(
                ["opposite", "opposite oblique", "other range", "other height", "equal"],
                p=[0.4, 0.2, 0.15, 0.1, 0.15],
            )
        )
        layouts.append((second, -side if second.startswith("opposite") else side))
    drawn: list[tuple[TrueCamera, dict[str, Any], dict[str, Any] | None]] = []
    for (layout, its_side), body in zip(layouts, bodies, strict=True):
        before = drawn[0][0] if drawn else None
        item = draw_camera(rng, plan, paths, body, draw_place(rng, plan, layout, its_side, before))
        if item is None:
            return None
        drawn.append((replace(item[0], placement=layout), *item[1:]))
    return drawn


def draw_camera(
    rng: np.random.Generator,
    plan: Plan,
    paths: tuple[TruePath, ...],
    drawn: Body,
    place: Floats,
) -> tuple[TrueCamera, dict[str, Any], dict[str, Any] | None] | None:
    """Draw the aim and focal length of a camera and what the session states of its lens."""
    body, stated, lens_errors = drawn
    gap = max(abs(v) for v in plan.speeds_mps) / body.rate_hz
    range_m = abs(place[1])
    doubt = 0.0 if plan.cameras == 2 else 1.3 * plan.offset_u_m / range_m * plan.length_m
    if plan.cameras == 1 and plan.line_stated and plan.offset_u_m / range_m > 0.08:
        return None
    margin = max(0.08 * plan.length_m, 2.6 * gap) + doubt
    points = course_points(paths, margin)
    roll = float(np.clip(rng.normal(0.0, np.radians(1.5)), -0.07, 0.07))
    if abs(place[1]) < 0.3 * abs(place[0] - plan.length_m / 2):
        return None  # too nearly along the course to see a speed
    framed = frame_course(place, points, body.size_px, roll, rng.uniform(0.8, 0.95))
    if framed is None:
        return None
    pose, focal = framed
    if not 0.55 * body.size_px[0] <= focal <= 6.0 * body.size_px[0]:
        return None
    for _ in range(4):
        lens, entries, lens_file = draw_lens(rng, plan, body.size_px, focal, lens_errors)
        camera = replace(body, pose=pose, lens=lens)
        if sees_all(camera, points, 6.0):
            return camera, stated | entries, lens_file
        focal *= 0.9
    return None


def draw_body(rng: np.random.Generator, plan: Plan, name: str) -> Body:
    """Draw rate, read-out, clock, noise and lens errors, and what is stated of the first three."""
    tight, video = plan.regime == "tight", plan.kind == "videos"
    size = SIZES_PX[int(rng.choice(5, p=[0.25, 0.45, 0.1, 0.1, 0.1]))]
    rate = float(rng.choice(RATES_HZ, p=[0.15, 0.25, 0.3, 0.15, 0.15]))
    if video:
        size = VIDEO_SIZES_PX[int(rng.integers(2))]
        rate = float(rng.choice(RATES_HZ[:4], p=[0.1, 0.3, 0.4, 0.2]))
    stated: dict[str, Any] = {"image_size_px": list(size)}
    longest = min(1.0 / rate, 0.033)
    readout_u = float(rng.choice([3e-4, 1e-3]) if tight else rng.choice([1e-3, 2e-3]))
    readout_u = min(readout_u, longest / 8)
    choice = rng.random()
    if choice < 0.2:
        readout = 0.0
        stated |= {"readout_ms": 0.0, "readout_u_ms": 0.0}
    elif choice < (0.9 if tight else 0.6):
        readout = rng.uniform(5.0 * readout_u, longest)
        told = readout + readout_u * rng.standard_normal()
        stated |= {"readout_ms": 1e3 * told, "readout_u_ms": 1e3 * readout_u}
    else:
        readout = rng.uniform(0.0, min(1.0 / rate, 0.035))
    clock_u = float(rng.choice([20.0, 50.0]) if tight else rng.choice([20.0, 50.0, 100.0]))
    if clock_u != 100.0:
        stated["clock_u_ppm"] = clock_u
    across = log_uniform(rng, 0.08, 0.3) if tight else log_uniform(rng, 0.1, 0.7)
    body = TrueCamera(
        name=name,
        placement="",
        size_px=size,
        pose=None,  # type: ignore[arg-type]
        lens=np.zeros(9),
        rate_hz=rate,
        readout_s=readout,
        clock_scale=1.0 + 1e-6 * clock_u * rng.standard_normal(),
        exposure_s=float(rng.uniform(0.05, 0.5) if video else rng.uniform(0.0, 1.0)) / rate,
        across_px=across,
        along_px=across * rng.uniform(1.0, 3.0),
        noise=plan.noise,
        understated=plan.understated,
        dropped=float(rng.choice([0.0, 0.1, 0.25])),
        # Bases on which the rates do not repeat for long; a coarser one gives errors that drift.
        stamp_base_s=float(rng.choice([0.0, 0.0, 0.0, 1 / 90000 if rate % 1 else 0.0, 1 / 1000])),
    )
    return body, stated, draw_lens_errors(rng, plan, size)


def draw_place(
    rng: np.random.Generator, plan: Plan, layout: str, side: float, before: TrueCamera | None
) -> Floats:
    """Draw where a camera stands, in the course frame."""
    length = plan.length_m
    range_m = log_uniform(rng, 15.0, 130.0)
    along = length * rng.uniform(0.25, 0.75)
    height = rng.uniform(1.2, 3.0)
    if layout.endswith("oblique"):
        along = length * rng.choice([rng.uniform(-0.6, 0.1), rng.uniform(0.9, 1.6)])
    if before is not None and before.placement:
        first = before.pose.position_m
        if layout == "equal":
            along, range_m = first[0] + rng.uniform(-3.0, 3.0), abs(first[1])
            height = first[2] + rng.uniform(-0.1, 0.1)
        elif layout == "other height":
            range_m, height = abs(first[1]) * rng.uniform(0.95, 1.05), first[2] + rng.uniform(3, 5)
        elif layout == "other range":
            range_m = abs(first[1]) * rng.choice([rng.uniform(0.5, 0.85), rng.uniform(1.2, 2.0)])
            range_m = float(np.clip(range_m, 15.0, 130.0))
    if rng.random() < 0.1:
        height += rng.uniform(1.0, 3.0)
    return np.array([along, side * range_m, height])


def course_points(paths: tuple[TruePath, ...], margin_m: float) -> Floats:
    """Return what must be in the picture: the paths with a margin, and the ground at the gates."""
    pieces = []
    for path in paths:
        x = np.linspace(-margin_m, path.length_m + margin_m, 25)
        tau = np.array([path.time_at(float(value)) for value in x])
        pieces.append(path.at(tau))
    length = paths[0].length_m
    pieces.append(np.array([[0.0, 0.0, -0.3], [length, 0.0, -0.3], [length / 2, 0.0, -0.3]]))
    return np.concatenate(pieces)


# --- lenses --------------------------------------------------------------------------------


def draw_lens_errors(rng: np.random.Generator, plan: Plan, size: tuple[int, int]) -> dict[str, Any]:
    """Draw the lens but for its focal length, and how it will be stated."""
    kind = plan.lens_kind
    width, height = size
    middle = np.array([(width - 1) / 2.0, (height - 1) / 2.0])
    loose = plan.regime == "ordinary" and kind in ("inline 3 %", "free")
    drawn: dict[str, Any] = {"centre_u": None, "k1_u": None, "rest": np.zeros(4)}
    if kind == "file" or not (loose and rng.random() < 0.5):
        drawn["centre_u"] = float(rng.uniform(0.002, 0.008)) * width
    if kind == "file" or not (loose and rng.random() < 0.4):
        drawn["k1_u"] = float(
            rng.choice([0.003, 0.01] if plan.regime == "tight" else [0.005, 0.01, 0.03])
        )
    spread = 0.02 * width if drawn["centre_u"] is None else 0.008 * width
    drawn["centre"] = middle + spread * rng.standard_normal(2)
    drawn["k1"] = 0.1 * rng.standard_normal() if drawn["k1_u"] is None else rng.uniform(-0.15, 0.05)
    if kind == "file":
        drawn["rest"] = np.array(
            [-0.25 * drawn["k1"] + 0.01 * rng.standard_normal(), *rng.normal(0, 3e-4, 2), 0.0]
        )
    return drawn


def draw_lens(
    rng: np.random.Generator,
    plan: Plan,
    size: tuple[int, int],
    focal: float,
    errors: dict[str, Any],
) -> tuple[Floats, dict[str, Any], dict[str, Any] | None]:
    """Make the true lens (9,) and what the session states of it (keys, lens file or None)."""
    k2, p1, p2, k3 = errors["rest"]
    ratio = 1.0 + 1e-3 * rng.standard_normal() if plan.lens_kind == "file" else 1.0
    lens = np.array([focal, focal * ratio, *errors["centre"], errors["k1"], k2, p1, p2, k3])
    if plan.lens_kind == "file":
        covariance = chart_covariance(rng, size, lens)
        root = np.linalg.cholesky(covariance)
        told = lens + root @ rng.standard_normal(9)
        content: dict[str, Any] = {"schema": "vidspeed.lens/1", "image_size_px": list(size)}
        content |= dict(zip(LENS_NAMES, told.tolist(), strict=True))
        content |= {"covariance": covariance.tolist(), "rms_px": 0.15, "views": 12}
        return lens, {}, content
    entries: dict[str, Any] = {}
    share = {"inline 1 %": rng.choice([0.003, 0.01]), "inline 3 %": 0.03}.get(plan.lens_kind)
    if share is not None:
        entries["focal_px"] = focal * (1.0 + share * rng.standard_normal())
        if plan.lens_kind == "inline 1 %" or rng.random() < 0.5:
            entries["focal_u_px"] = focal * share
    if errors["centre_u"] is not None:
        told_centre = errors["centre"] + errors["centre_u"] * rng.standard_normal(2)
        entries |= {"centre_px": told_centre.tolist(), "centre_u_px": errors["centre_u"]}
    if errors["k1_u"] is not None:
        entries["k1"] = errors["k1"] + errors["k1_u"] * rng.standard_normal()
        entries["k1_u"] = errors["k1_u"]
    return lens, entries, None


# --- markers and the whole -----------------------------------------------------------------


def draw_markers(
    rng: np.random.Generator, plan: Plan, cameras: list[TrueCamera]
) -> list[tuple[str, Floats, str]] | None:
    """Draw true marker places; None where a camera sees too few or too narrow a set of them."""
    free = plan.lens_kind == "free"
    count = int(rng.integers(12, 15) if free else rng.integers(9, 15))
    length = plan.length_m
    reach = {1.0: 0.0, -1.0: 0.0}
    for camera in cameras:
        y = camera.pose.position_m[1]
        reach[np.sign(y)] = max(reach[np.sign(y)], 0.5 * abs(y))
        reach[-np.sign(y)] = max(reach[-np.sign(y)], 0.4 * abs(y))
    markers = []
    for number in range(count):
        y = rng.uniform(-1.0, 1.0)
        if number % 3:
            side = 1.0 if rng.random() < 0.5 else -1.0
            y = side * rng.uniform(3.0, max(6.0, reach[side]))
        z = rng.normal(0.0, 0.1) + (rng.uniform(2.0, 3.0) if number % 5 in (1, 2) else 0.0)
        x = length * ((number + 0.5 + rng.uniform(-0.4, 0.4)) / count * 1.2 - 0.1)
        use = "check" if number >= 10 and rng.random() < 0.3 else "fit"
        markers.append((f"m{number + 1}", np.array([x, y, z]), use))
    place = np.array([item[1] for item in markers])
    for camera in cameras:
        xy = camera.see(place)
        seen = camera.inside(np.nan_to_num(xy, nan=-1e9), 4.0)
        seen &= np.array([item[2] == "fit" for item in markers])
        x = place[seen, 0] / length
        off = np.sum(np.abs(place[seen, 1]) > 3.0)
        if np.sum(seen) < (9 if free else 7) or off < 3 or x.min() > 0.3 or x.max() < 0.7:
            return None
        if free and camera.lens[0] > 2.0 * camera.size_px[0]:
            return None
    return markers


def assemble(
    rng: np.random.Generator,
    plan: Plan,
    name: str,
    paths: tuple[TruePath, ...],
    drawn: list[tuple[TrueCamera, dict[str, Any], dict[str, Any] | None]],
    places: list[tuple[str, Floats, str]],
    line: tuple[float, float],
) -> Case:
    """Draw what the session states of the markers and picks, and put the case together."""
    tight = plan.regime == "tight"
    marker_u = float(rng.choice([0.005, 0.01]) if tight else log_uniform(rng, 0.01, 0.05))
    pick_u = float(rng.uniform(0.2, 0.4) if tight else rng.uniform(0.3, 1.0))
    left_out = not tight and rng.random() < 0.15
    cameras = tuple(item[0] for item in drawn)
    place = np.array([item[1] for item in places])
    markers = [
        (label, xyz + marker_u * rng.standard_normal(3), marker_u, use)
        for label, xyz, use in places
    ]
    picks: dict[str, list[tuple[str, Floats, float | None]]] = {}
    for camera in cameras:
        xy = camera.see(place)
        seen = camera.inside(np.nan_to_num(xy, nan=-1e9), 4.0)
        u = 1.0 if left_out else pick_u
        picks[camera.name] = [
            (label, xy[i] + u * rng.standard_normal(2), None if left_out else u)
            for i, (label, _, _) in enumerate(places)
            if seen[i]
        ]
    starts = rng.uniform(3.0, 6.0, (len(paths), len(cameras)))
    if plan.kind == "videos":  # short clips: as long as the pass, and a little
        reach = 0.35 * plan.length_m
        longest = [-min(p.time_at(-reach), p.time_at(p.length_m + reach)) for p in paths]
        starts = np.array(longest)[:, None] + rng.uniform(0.3, 0.6, starts.shape)
    tables, lens_files = state_tables(rng, plan, drawn, line, paths, starts)
    tags = [f"{plan.cameras} camera", f"lens {plan.lens_kind}", *(c.placement for c in cameras)]
    tags += [speed_tag(paths[0]), range_tag(paths[0], cameras)]
    tags += ["understated lights"] if plan.understated > 1.0 else []
    tags += [] if plan.line_stated else ["line left out"]
    tags += ["two passes"] if len(paths) > 1 else []
    tags += ["sync"] if "sync" in tables else []
    return Case(
        name=name,
        regime=plan.regime,
        kind=plan.kind,
        tags=tuple(tags),
        cameras=cameras,
        paths=paths,
        starts_s=starts,
        lamp_m=plan.lamp_u_m * rng.standard_normal((len(paths), len(cameras), 2)),
        stated=tables,
        true_markers=[item[1] for item in places],
        markers=markers,
        picks=picks,
        lens_files=lens_files,
    )


def speed_tag(path: TruePath) -> str:
    """Return the third of the speeds that a pass belongs to."""
    kmh = 3.6 * path.speed_mps
    return f"speed {'to 270' if kmh < 270 else '270 to 400' if kmh < 400 else 'above 400'} km/h"


def range_tag(path: TruePath, cameras: tuple[TrueCamera, ...]) -> str:
    """Return how far away the nearest camera is from mid-course, in three steps."""
    middle = path.smooth(np.zeros(1))[0]
    near = min(float(np.linalg.norm(camera.pose.position_m - middle)) for camera in cameras)
    return f"range {'to 30' if near < 30 else '30 to 70' if near < 70 else 'above 70'} m"


def state_tables(
    rng: np.random.Generator,
    plan: Plan,
    drawn: list[tuple[TrueCamera, dict[str, Any], dict[str, Any] | None]],
    line: tuple[float, float],
    paths: tuple[TruePath, ...],
    starts_s: Floats,
) -> tuple[dict[str, Any], dict[str, dict[str, Any]]]:
    """Return the tables of session.toml and the lens files."""
    tables: dict[str, Any] = {"title": "Bench case", "place": "Low Moor airstrip"}
    tables["course"] = {
        "length_m": plan.length_m,
        "length_u_m": plan.length_u_m,
        "markers": "markers.csv",
    }
    if plan.line_stated:
        tables["flight_line"] = state_line(plan, line)
    elif plan.accel_u_mps2 is not None:
        tables["flight_line"] = {
            "drift_u_m": plan.drift_u_m,
            "climb_u_m": plan.climb_u_m,
            "accel_u_mps2": list(plan.accel_u_mps2),
        }
        if plan.weave_u_m is not None:
            tables["flight_line"]["weave_u_m"] = plan.weave_u_m
    tables["craft"] = {"name": "Skein 2", "speed_kmh": [100.0, 700.0], "lamp_u_m": plan.lamp_u_m}
    lens_files: dict[str, dict[str, Any]] = {}
    tables["camera"] = []
    for camera, stated, lens_file in drawn:
        entry = {"name": camera.name, "picks": f"picks-{camera.name}.csv"} | stated
        if lens_file is not None:
            entry["lens"] = f"lens-{camera.name}.json"
            lens_files[entry["lens"]] = lens_file
        if rng.random() < 0.2:
            u = float(rng.choice([0.05, 0.2]))
            told = camera.pose.position_m + u * rng.standard_normal(3)
            entry |= {"position_m": told.tolist(), "position_u_m": u}
        tables["camera"].append(entry)
    synced = plan.cameras == 2 and rng.random() < 0.25
    told = rng.random() < 0.4 or (synced and plan.kind == "videos")
    tables["clip"] = [
        {"camera": camera.name, "pass": str(number + 1), "flight": "1"}
        | (state_exposure(rng, camera) if told else {})
        for number in range(len(paths))
        for camera, _, _ in drawn
    ]
    if synced:
        tables["sync"] = [state_sync(rng, [item[0] for item in drawn], starts_s[0])]
    return tables, lens_files


def state_line(plan: Plan, line: tuple[float, float]) -> dict[str, Any]:
    """Return the table `[flight_line]`."""
    table: dict[str, Any] = {
        "offset_m": line[0],
        "offset_u_m": plan.offset_u_m,
        "height_m": line[1],
        "height_u_m": plan.height_u_m,
    }
    for key in ("drift_u_m", "climb_u_m", "weave_u_m"):
        if getattr(plan, key) is not None:
            table[key] = getattr(plan, key)
    if plan.accel_u_mps2 is not None:
        table["accel_u_mps2"] = list(plan.accel_u_mps2)
    if plan.shared_part is not None:
        table["offset_shared_u_m"] = plan.offset_u_m * np.sqrt(plan.shared_part)
        table["height_shared_u_m"] = plan.height_u_m * np.sqrt(plan.shared_part)
    return table


def state_exposure(rng: np.random.Generator, camera: TrueCamera) -> dict[str, Any]:
    """Return the keys of a clip that tell its exposure."""
    u = 0.05 * camera.exposure_s
    told = camera.exposure_s + u * rng.standard_normal()
    return {"exposure_ms": 1e3 * told, "exposure_u_ms": 1e3 * u}


def state_sync(
    rng: np.random.Generator, cameras: list[TrueCamera], starts_s: Floats
) -> dict[str, Any]:
    """Return a `[[sync]]` table: a flash before the pass, in the clock of each clip."""
    event = rng.uniform(-0.9, -0.5)
    u = float(rng.choice([2e-4, 1e-3, 5e-3]))
    times = [
        float(start + event / camera.clock_scale + u * rng.standard_normal())
        for camera, start in zip(cameras, starts_s, strict=True)
    ]
    return {
        "clips": [c.name for c in cameras],
        "time_s": times,
        "time_u_s": [u, u],
        "kind": "flash",
    }
