"""The design of a session before any error is drawn: how well everything is stated to be known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


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
    one_clip: bool  # one clip of each camera holds all passes, so that they share a time offset


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Return a number whose logarithm is uniform."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def draw_plan(rng: np.random.Generator, kind: str, regime: str, cameras: int, noise: str) -> Plan:
    """Draw the design: course, speeds, and how well everything is stated to be known."""
    tight = regime == "tight"
    length = float(np.round(rng.uniform(30.0, 100.0), 1))
    speed = rng.uniform(150.0, 520.0) / 3.6
    sign = 1.0 if rng.random() < 0.5 else -1.0
    speeds: tuple[float, ...] = (sign * speed,)
    one_clip = kind == "tracks" and cameras == 2 and rng.random() < 0.15
    if one_clip:
        count = int(rng.integers(3, 5))
        speeds += tuple(
            sign * (-1.0) ** number * speed * rng.uniform(0.92, 1.08) for number in range(1, count)
        )
    elif kind == "tracks" and rng.random() < 0.15:
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
    line_stated = one_clip or not (cameras == 2 and not tight and rng.random() < 0.15)
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
        one_clip=one_clip,
    )


def draw_lines(
    rng: np.random.Generator, plan: Plan
) -> tuple[list[tuple[float, float]], tuple[float, float], float]:
    """Draw the true mean y, z of each pass about the line, and the line as it is stated.

    Also returned: which part of the line's variance is common to all passes.
    """
    part = rng.uniform(0.0, 1.0) if plan.shared_part is None else plan.shared_part
    u = np.array([plan.offset_u_m, plan.height_u_m])
    line = np.array([plan.offset_m, plan.height_m])
    own = np.sqrt(1.0 - part) * u * rng.standard_normal((len(plan.speeds_mps), 2))
    shared = np.sqrt(part) * u * rng.standard_normal(2)
    true = [(float(y), float(z)) for y, z in line + own]
    return true, (float(line[0] + shared[0]), float(line[1] + shared[1])), float(part)
