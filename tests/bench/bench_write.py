"""Write a case as a session folder: session.toml, markers, picks, lens files and bare tracks."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
from bench_noise import Coder, Noise, draw_coder, measured_noise, normal_noise
from bench_scene import Case, TrueCamera
from bench_truth import Floats, TruePath

Rows = list[dict[str, float]]
TRACK_COLUMNS = (
    "frame",
    "time_s",
    "x_px",
    "y_px",
    "u_x_px",
    "u_y_px",
    "cov_xy_px2",
    "row",
    "time_u_s",
    "drag_u_px",
)


def write_case(
    case: Case, folder: Path, rng: np.random.Generator
) -> tuple[list[list[Rows]], tuple[str, ...]]:
    """Write the whole session with bare tracks; `rng` draws the noise of the lights.

    Returns the lights, a list of cameras a pass, and the kinds of noise of the first pass. Passes
    that do not share a time offset with the first are left out.
    """
    tables = dict(case.stated)
    clips = [dict(clip) for clip in tables.pop("clip")]
    syncs = tables.pop("sync", [])
    coders = [draw_coder(rng) if row.noise == "measured" else None for row in case.cameras]
    seen = [
        [
            lights(
                camera,
                path,
                case.starts_s[number, index],
                case.lamp_m[number, index],
                rng,
                coders[index],
            )
            for index, camera in enumerate(case.cameras)
        ]
        for number, path in enumerate(case.paths)
    ]
    files = dict.fromkeys((clip["camera"] for clip in clips), 0)
    names: dict[str, str] = {}
    for clip in clips:
        index = [camera.name for camera in case.cameras].index(clip["camera"])
        number = files[clip["camera"]]
        files[clip["camera"]] += 1
        clip["track"] = f"hand/{clip['camera']}-{number + 1}.csv"
        names.setdefault(clip["camera"], clip["track"])
        held = range(len(case.paths)) if case.one_clip else [number]
        shown: list[dict[str, Any]] = []
        for other in held:
            mark = {"pass": f"at row {len(shown)}"} if case.one_clip else {}
            rows = seen[other][index][0]
            shown += [mark | {key: row[key] for key in TRACK_COLUMNS} for row in rows]
        write_table(folder / clip["track"], shown)
    tables["clip"] = clips
    if syncs:
        tables["sync"] = [s | {"clips": [names[name] for name in s["clips"]]} for s in syncs]
    write_survey(case, folder)
    (folder / "session.toml").write_text(toml_text(tables), encoding="utf-8", newline="\n")
    kinds = tuple(dict.fromkeys(f"noise {kind}" for _, kind in seen[0]))
    return [[rows for rows, _ in one] for one in (seen if case.one_clip else seen[:1])], kinds


def write_survey(case: Case, folder: Path) -> None:
    """Write markers, picks and lens files."""
    write_table(
        folder / "markers.csv",
        [
            {"name": n, "x_m": x[0], "y_m": x[1], "z_m": x[2], "u_m": u, "use": use}
            for n, x, u, use in case.markers
        ],
    )
    for camera, picks in case.picks.items():
        rows = [
            {"name": n, "x_px": xy[0], "y_px": xy[1]} | ({} if u is None else {"u_px": u})
            for n, xy, u in picks
        ]
        write_table(folder / f"picks-{camera}.csv", rows)
    for name, content in case.lens_files.items():
        text = json.dumps(content, indent=1)
        (folder / name).write_text(text + "\n", encoding="utf-8", newline="\n")


def lights(
    camera: TrueCamera,
    path: TruePath,
    start_s: float,
    lamp_m: Floats,
    rng: np.random.Generator,
    coder: Coder | None = None,
) -> tuple[Rows, str]:
    """Return the rows of a track: where the camera sees the light, with noise, frame by frame.

    The craft is at tau = scale * (stamp - start) + exposure / 2 + read-out * row; the row
    is that of the light itself, found by repetition. Beside the columns of its file, a row holds
    what `root_columns` adds. Also returned: the kind of noise.
    """
    reach = 0.35 * path.length_m + 2.0 * abs(path.speed_mps) / camera.rate_hz
    ends = sorted((path.time_at(-reach), path.time_at(path.length_m + reach)))
    first = int(np.ceil((ends[0] / camera.clock_scale + start_s) * camera.rate_hz))
    last = int(np.floor((ends[1] / camera.clock_scale + start_s) * camera.rate_hz))
    frame = np.arange(max(first, 0), last + 1)
    stamp = frame / camera.rate_hz
    tau = camera.clock_scale * (stamp - start_s) + camera.exposure_s / 2.0
    xy = seen_at(camera, path, tau, lamp_m)
    for _ in range(12):
        row = np.clip(np.nan_to_num(xy[:, 1]), 0.0, camera.size_px[1]) / camera.size_px[1]
        xy = seen_at(camera, path, tau + camera.readout_s * row, lamp_m)
    keep = np.isfinite(xy).all(axis=1) & camera.inside(np.nan_to_num(xy, nan=-1e9))
    keep &= longest_run(keep)
    drop = rng.random(len(frame)) < camera.dropped
    order = np.flatnonzero(keep)
    drop[order[:4]] = drop[order[-4:]] = False
    keep &= ~drop
    frame, stamp, xy = frame[keep], stamp[keep], xy[keep]
    noise = draw_noise(camera, np.gradient(xy, frame, axis=0), rng, coder)
    axes = motion_axes(xy)
    seen = xy + np.einsum("nij,nj->ni", axes, noise.error_px) + noise.drag_px
    scaled = axes * noise.stated_u_px[:, None, :]
    told = scaled @ np.swapaxes(scaled, 1, 2)
    roots = axes * noise.true_u_px[:, None, :]
    base = camera.stamp_base_s
    written = np.round(stamp / base) * base if base else stamp
    rows = [
        {
            "frame": int(frame[k]),
            "time_s": written[k],
            "x_px": seen[k, 0],
            "y_px": seen[k, 1],
            "u_x_px": np.sqrt(told[k, 0, 0]),
            "u_y_px": np.sqrt(told[k, 1, 1]),
            "cov_xy_px2": told[k, 0, 1],
            "row": seen[k, 1] / camera.size_px[1],
            "time_u_s": base / np.sqrt(12.0),
            "drag_u_px": noise.drag_u_px,
            "drag_x_px": noise.drag_true_px[k, 0],
            "drag_y_px": noise.drag_true_px[k, 1],
        }
        | root_columns(roots[k], noise.alike[k])
        for k in range(len(frame))
    ]
    return rows, noise.kind


def draw_noise(
    camera: TrueCamera, step_px: Floats, rng: np.random.Generator, coder: Coder | None
) -> Noise:
    """Draw the errors of a track of a camera whose light moves by `step_px` (n, 2) a frame.

    Measured ones where the camera has a coder, else normal ones.
    """
    if coder is not None:
        return measured_noise(rng, step_px, coder)
    return normal_noise(rng, camera.along_px, camera.across_px, camera.understated, len(step_px))


def root_columns(root: Floats, alike: Floats) -> dict[str, float]:
    """Return the columns that tell the ideal solver of a light's true error.

    The covariance is root @ root.T for `root` (2, 2), px. `alike` (2,) in row k of a track is
    the correlation of the first and of the second part with those of a light k further on.
    """
    names = ("root_xa_px", "root_xb_px", "root_ya_px", "root_yb_px")
    columns = dict(zip(names, map(float, root.ravel()), strict=True))
    return columns | {"alike_a": float(alike[0]), "alike_b": float(alike[1])}


def seen_at(camera: TrueCamera, path: TruePath, tau_s: Floats, lamp_m: Floats) -> Floats:
    """Return where the camera sees the light (n, 2) at times (n,)."""
    place = path.at(tau_s)
    place[:, 1:] += lamp_m
    return camera.see(place)


def longest_run(keep: Any) -> Any:
    """Return which of the kept frames (n,) belong to the longest unbroken run."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], keep.astype(int), [0]])))
    best = np.zeros(len(keep), dtype=bool)
    if len(edges):
        starts, stops = edges[::2], edges[1::2]
        longest = int(np.argmax(stops - starts))
        best[starts[longest] : stops[longest]] = True
    return best


def motion_axes(xy_px: Floats) -> Floats:
    """Return matrices (n, 2, 2) with the directions along and across the motion as columns."""
    motion = np.gradient(xy_px, axis=0)
    along = motion / np.linalg.norm(motion, axis=1, keepdims=True)
    return np.stack([along, np.column_stack([-along[:, 1], along[:, 0]])], axis=2)


def write_table(path: Path, rows: list[dict[str, Any]]) -> None:
    """Write rows as CSV, numbers to twelve digits."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]))
        writer.writeheader()
        for row in rows:
            writer.writerow({key: _cell(value) for key, value in row.items()})


def _cell(value: Any) -> str:
    """Return a cell: text and whole numbers as they are, other numbers to twelve digits."""
    return str(value) if isinstance(value, str | int) else f"{float(value):.12g}"


def toml_text(tables: dict[str, Any]) -> str:
    """Return the tables as TOML: plain keys first, then `[table]` and `[[table]]`."""
    lines = [f"{key} = {_value(v)}" for key, v in tables.items() if not _is_table(v)]
    for key, value in tables.items():
        for entry in value if _is_table(value) and isinstance(value, list) else [value]:
            if not _is_table(value):
                continue
            lines += ["", f"[[{key}]]" if isinstance(value, list) else f"[{key}]"]
            lines += [f"{name} = {_value(item)}" for name, item in entry.items()]
    return "\n".join(lines) + "\n"


def _is_table(value: Any) -> bool:
    """Say whether a value is a table or a list of tables."""
    return isinstance(value, dict) or (
        isinstance(value, list) and bool(value) and isinstance(value[0], dict)
    )


def _value(value: Any) -> str:
    """Return a TOML value."""
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, dict):
        return "{" + ", ".join(f"{name} = {_value(item)}" for name, item in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, int):
        return str(value)
    return repr(float(value))
