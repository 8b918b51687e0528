"""Draw cameras around a path: where they stand, how they film, their lenses.

Read-out, clock and the errors of the lens are drawn first (`draw_body`), the geometry until the
course fits into the picture (`draw_cameras`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from bench_plan import Plan, log_uniform
from bench_scene import TrueCamera, chart_covariance, frame_course, sees_all
from bench_truth import Floats, TruePath

Body = tuple[TrueCamera, dict[str, Any], dict[str, Any]]  # camera, what is stated, lens errors
LENS_NAMES = ("fx_px", "fy_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2", "k3")
RATES_HZ = (30.0, 60000 / 1001, 60.0, 120.0, 240.0)
SIZES_PX = ((1280, 720), (1920, 1080), (1600, 900), (1920, 1440), (3840, 2160))
VIDEO_SIZES_PX = ((960, 540), (1280, 720))


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
                ["opposite", "opposite oblique", "other range", "other height", "equal", "apart"],
                p=[0.35, 0.15, 0.15, 0.1, 0.1, 0.15],
            )
        )
        if plan.one_clip and rng.random() < 0.5:
            second = "apart"  # where a common time offset is worth most
        if second in ("equal", "apart") and not plan.line_stated:
            second = "opposite"  # else hardly anything tells how far away the light is
        if second == "apart":
            layouts = [("apart", side)]
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
    if plan.one_clip:  # several passes are solved and drawn: fewer lights each
        rate = min(rate, 60.0)
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
    if layout == "apart":
        before_m = None if before is None else before.pose.position_m[0]
        there = rng.random() < 0.5 if before_m is None else before_m < length / 2.0
        along = length * (rng.uniform(0.8, 1.15) if there else rng.uniform(-0.15, 0.2))
    elif before is not None and before.placement:
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
