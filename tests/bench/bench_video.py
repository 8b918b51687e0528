"""Write a case as a session folder with rendered and encoded clips."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from bench_scene import Case, TrueCamera
from bench_truth import Floats, TruePath
from bench_write import toml_text, write_survey

from vidspeed.render.clip import plan_clip, render_clip
from vidspeed.render.flight import Flight, Weave
from vidspeed.render.scene import Look, SceneCamera, StaticLamp
from vidspeed.values import Marker

# linear peak of a streak, from hard to see against the background to saturated
PEAKS = {"dark": (0.03, 2.0), "dusk": (0.08, 2.0), "day": (0.3, 2.5)}


def write_videos(case: Case, folder: Path, rng: np.random.Generator) -> None:
    """Write the whole session with video clips; `rng` draws how things look and the noise."""
    tables = dict(case.stated)
    clips = iter(tables.pop("clip"))
    syncs = tables.pop("sync", [])
    background = str(rng.choice(["dark", "dusk", "day"], p=[0.6, 0.25, 0.15]))
    lamps = draw_lamps(case, rng)
    markers = [
        Marker(name=item[0], xyz_m=place, u_m=0.01)
        for item, place in zip(case.markers, case.true_markers, strict=True)
    ]
    (folder / "clips").mkdir(parents=True, exist_ok=True)
    written, names = [], {}
    for number, path in enumerate(case.paths):
        for index, camera in enumerate(case.cameras):
            scene = scene_camera(camera, path, background, rng)
            clip = dict(next(clips))
            clip["file"] = f"clips/{camera.name}-{number + 1}{scene.suffix}"
            flight = scene_flight(path, case.lamp_m[number, index])
            start = case.starts_s[number, index]
            plan = plan_clip(
                scene,
                -camera.clock_scale * start,
                start + visible_s(path, 1.0) + 0.2,
                1e6 * (camera.clock_scale - 1.0),
                rng,
            )
            render_clip(
                folder / clip["file"],
                scene,
                [flight],
                plan,
                markers=markers,
                lamps=lamps,
                seed=int(rng.integers(2**62)),
                view_seed=index + 1,
            )
            names.setdefault(camera.name, clip["file"])
            written.append(clip)
    tables["clip"] = written
    if syncs:
        tables["sync"] = [s | {"clips": [names[name] for name in s["clips"]]} for s in syncs]
    write_survey(case, folder)
    (folder / "session.toml").write_text(toml_text(tables), encoding="utf-8", newline="\n")


def visible_s(path: TruePath, sign: float) -> float:
    """Return how long before (-1) or after (+1) half-way the craft is near the course."""
    reach = 0.35 * path.length_m
    ends = (path.time_at(-reach), path.time_at(path.length_m + reach))
    return max(ends) if sign > 0 else -min(ends)


def scene_camera(
    camera: TrueCamera, path: TruePath, background: str, rng: np.random.Generator
) -> SceneCamera:
    """Turn a true camera into the renderer's, with a drawn look and codec."""
    axes, place = camera.pose.camera_from_course, camera.pose.position_m
    level = np.cross(axes[2], [0.0, 0.0, 1.0])
    level = level / np.linalg.norm(level)
    roll = np.degrees(np.arctan2(axes[0] @ np.cross(axes[2], level), axes[0] @ level))
    codec = str(rng.choice(["h264", "hevc", "mjpeg"], p=[0.75, 0.15, 0.1]))
    crf = {"mjpeg": int(rng.integers(2, 6))}.get(codec, int(rng.integers(16, 24)))
    spot = rng.uniform(0.8, 2.0)
    range_m = np.linalg.norm(path.smooth(np.zeros(1))[0] - place)
    streak = abs(path.terms[1, 0]) * camera.exposure_s * camera.lens[0] / range_m
    peak = np.exp(rng.uniform(*np.log(PEAKS[background])))
    still = peak * (1.0 + streak / (spot * np.sqrt(2.0 * np.pi))) * (range_m / 60.0) ** 2
    options: dict[str, Any] = {"codec": codec, "crf": crf}
    return SceneCamera(
        name=camera.name,
        position_m=place,
        aim_m=place + 50.0 * axes[2],
        image_size_px=camera.size_px,
        lens=camera.lens,
        lens_u=np.zeros(9),
        rate_hz=Fraction(camera.rate_hz).limit_denominator(1001),
        exposure_s=camera.exposure_s,
        readout_s=camera.readout_s,
        readout_u_s=0.0,
        roll_deg=float(roll),
        stamps="uneven" if rng.random() < 0.15 else "steady",
        look=Look(background=background, lamp_signal=float(still), spot_px=spot),  # type: ignore[arg-type]
        **options,
    )


def scene_flight(path: TruePath, lamp_m: Floats) -> Flight:
    """Turn a true path into the renderer's, the weave by bumps fitted to it."""
    length = path.length_m
    centres = np.arange(-2.0 * length, 3.0 * length, length / 12.0)
    x = np.linspace(-1.5 * length, 2.5 * length, 600)
    scale = length / 4.0
    bumps = np.exp(-(((x[:, None] - centres) / scale) ** 2))
    weights = np.linalg.lstsq(bumps, path.weave.at(x), rcond=1e-12)[0]
    left = np.abs(bumps @ weights - path.weave.at(x)).max()
    if left > 1e-5:
        raise ArithmeticError(f"the weave could not be handed to the renderer: {left:.1e} m left")
    return Flight(
        length_m=length,
        cubic=path.terms,
        gates_s=np.array(path.gates_s),
        weave=Weave(scale_m=scale, centres_m=centres, weights_m=weights),
        shift_m=np.concatenate([[0.0], lamp_m]),
    )


def draw_lamps(case: Case, rng: np.random.Generator) -> list[StaticLamp]:
    """Draw up to three lamps that stand still beyond the course."""
    length = case.paths[0].length_m
    return [
        StaticLamp(
            xyz_m=np.array(
                [
                    rng.uniform(0, length),
                    rng.choice([-1, 1]) * rng.uniform(150, 300),
                    rng.uniform(2, 8),
                ]
            ),
            signal=float(rng.uniform(2.0, 20.0)),
        )
        for _ in range(int(rng.integers(0, 4)))
    ]
