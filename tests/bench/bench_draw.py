"""Draw random sessions: the truth first, then every stated number as truth + u * normal.

Numbers that a session leaves out are drawn from what the contract says is then taken. The order
matters: path, lens errors, read-out and clock are drawn before the geometry, and it is the
geometry (range, aim, focal length) that is drawn again where the course does not fit into the
picture. So no drawn error is ever thrown away for being large.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from bench_cameras import draw_body, draw_cameras
from bench_plan import Plan, draw_lines, draw_plan, log_uniform
from bench_scene import Case, TrueCamera
from bench_state import state_tables
from bench_truth import Floats, TruePath, draw_path

REGIMES = ("ordinary", "tight")
KINDS = ("tracks", "videos")
LONG_CLIPS = "one clip a camera, several passes"


def draw_case(seed: int, kind: str, regime: str, index: int) -> Case:
    """Draw case `index` of a kind and regime; the same four arguments give the same case."""
    key = (KINDS.index(kind), REGIMES.index(regime), index)
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=key))
    cameras = 1 + index % 2
    noise = "measured" if kind == "videos" or index % 10 < 8 else "normal"
    plan = draw_plan(rng, kind, regime, cameras, noise)
    scale_error = rng.standard_normal() * plan.length_u_m / plan.length_m
    line_true, line_stated, part = draw_lines(rng, plan)
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
            name = f"{kind}-{regime}-{index}"
            case = assemble(rng, plan, name, paths, drawn, markers, line_stated)
            return replace(case, line_part=part)
    raise RuntimeError(f"{kind}-{regime}-{index}: no geometry found for seed {seed}")


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
    if plan.one_clip:
        rates = np.array([camera.clock_scale for camera in cameras])
        times = np.cumsum(rng.uniform(20.0, 60.0, len(paths)))
        starts = times[:, None] / rates + rng.uniform(0.0, 600.0, len(cameras))
    tables, lens_files = state_tables(rng, plan, drawn, line, paths, starts)
    tags = [f"{plan.cameras} camera", f"lens {plan.lens_kind}", *(c.placement for c in cameras)]
    tags += [speed_tag(paths[0]), range_tag(paths[0], cameras)]
    tags += ["understated lights"] if plan.understated > 1.0 else []
    tags += [] if plan.line_stated else ["line left out"]
    tags += ["two passes"] if len(paths) == 2 else []
    tags += [LONG_CLIPS] if plan.one_clip else []
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
        one_clip=plan.one_clip,
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
