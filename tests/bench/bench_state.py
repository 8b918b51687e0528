"""What a session.toml states of a drawn session."""

from __future__ import annotations

from typing import Any

import numpy as np
from bench_plan import Plan
from bench_scene import TrueCamera
from bench_truth import Floats, TruePath


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
    if plan.one_clip:
        tables["clip"] = [
            {"camera": camera.name} | (state_exposure(rng, camera) if told else {})
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
