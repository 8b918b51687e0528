"""Write a case as a session folder with rendered and encoded clips, and what they could tell."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from bench_light import LightBounds, light_bounds
from bench_scene import Case, TrueCamera
from bench_truth import Floats, TruePath
from bench_write import Rows, root_columns, toml_text, write_survey

from vidspeed.render.background import background
from vidspeed.render.clip import ClipPlan, plan_clip, render_clip
from vidspeed.render.flight import Flight, Weave, position
from vidspeed.render.scene import Look, SceneCamera, StaticLamp
from vidspeed.values import Marker

# linear peak of a streak, from hard to see against the background to saturated
PEAKS = {"dark": (0.03, 2.0), "dusk": (0.08, 2.0), "day": (0.3, 2.5)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """One clip to be filmed: pass and camera by number, the scene, and the seeds of its noise."""

    number: int
    index: int
    camera: SceneCamera
    flight: Flight
    plan: ClipPlan
    clip: dict[str, Any]  # its table in session.toml
    lamps: tuple[StaticLamp, ...]
    markers: tuple[Marker, ...]
    seed: int

    @property
    def view_seed(self) -> int:
        """Return the seed of the background, the same for all clips of a camera."""
        return self.index + 1

    def film(self, folder: Path) -> Path:
        """Render and encode the clip into a session folder; return its path."""
        path = folder / str(self.clip["file"])
        path.parent.mkdir(parents=True, exist_ok=True)
        render_clip(
            path,
            self.camera,
            [self.flight],
            self.plan,
            markers=self.markers,
            lamps=self.lamps,
            seed=self.seed,
            view_seed=self.view_seed,
        )
        return path

    def bounds(self) -> LightBounds:
        """Return how well the lights of the clip could be placed before it is encoded."""
        rng = np.random.default_rng(self.view_seed)
        view = background(self.camera, self.markers, self.lamps, rng)
        return light_bounds(self.camera, self.flight, self.plan, view)


def plan_takes(case: Case, rng: np.random.Generator) -> list[Take]:
    """Plan the clips of a case, pass by pass; `rng` draws how things look and the noise."""
    clips = iter(case.stated["clip"])
    look = str(rng.choice(["dark", "dusk", "day"], p=[0.6, 0.25, 0.15]))
    lamps = tuple(draw_lamps(case, rng))
    markers = tuple(
        Marker(name=item[0], xyz_m=place, u_m=0.01)
        for item, place in zip(case.markers, case.true_markers, strict=True)
    )
    takes = []
    for number, path in enumerate(case.paths):
        for index, camera in enumerate(case.cameras):
            scene = scene_camera(camera, path, look, rng)
            file = f"clips/{camera.name}-{number + 1}{scene.suffix}"
            start = case.starts_s[number, index]
            plan = plan_clip(
                scene,
                -camera.clock_scale * start,
                start + visible_s(path, 1.0) + 0.2,
                1e6 * (camera.clock_scale - 1.0),
                rng,
            )
            takes.append(
                Take(
                    number=number,
                    index=index,
                    camera=scene,
                    flight=scene_flight(path, case.lamp_m[number, index]),
                    plan=plan,
                    clip=dict(next(clips)) | {"file": file},
                    lamps=lamps,
                    markers=markers,
                    seed=int(rng.integers(2**62)),
                )
            )
    return takes


def write_videos(case: Case, takes: list[Take], folder: Path) -> None:
    """Write the whole session with its clips."""
    tables = {key: value for key, value in case.stated.items() if key not in ("clip", "sync")}
    for take in takes:
        take.film(folder)
    tables["clip"] = [take.clip for take in takes]
    names: dict[str, str] = {}
    for take in takes:
        names.setdefault(take.camera.name, take.clip["file"])
    if "sync" in case.stated:
        tables["sync"] = [
            event | {"clips": [names[name] for name in event["clips"]]}
            for event in case.stated["sync"]
        ]
    write_survey(case, folder)
    (folder / "session.toml").write_text(toml_text(tables), encoding="utf-8", newline="\n")


def best_lights(
    case: Case, takes: list[Take], rng: np.random.Generator
) -> tuple[list[list[Rows]], float]:
    """Return the lights of the first pass as the best detector would place them, and a peak.

    Rows as of a bare track: the true places with noise of the Cramér-Rao bound of each light. The
    peak is the median over a camera's lights, in sigmas of the pixel noise; the fainter camera's.
    What only a lens model folded over puts into the picture, long before or after, is left out.
    """
    tracks, peaks = [], []
    for take in takes:
        if take.number:
            continue
        found = take.bounds()
        true = case.cameras[take.index].see(position(take.flight, found.places.world_s))
        kept = np.flatnonzero(np.isfinite(true).all(axis=1))
        root = np.linalg.cholesky(found.covariance_px2)
        noise = root @ rng.standard_normal((len(root), 2, 1))
        seen = found.places.xy_px + noise[:, :, 0]
        peaks.append(float(np.median(found.peak_sigmas[kept])))
        tracks.append(
            [
                {
                    "time_s": float(found.places.time_s[k]),
                    "x_px": float(seen[k, 0]),
                    "y_px": float(seen[k, 1]),
                    "row": float(found.places.row[k]),
                    "time_u_s": 0.0,
                }
                | root_columns(root[k], np.full(2, float(number == 0)))
                for number, k in enumerate(kept)
            ]
        )
    return [tracks], min(peaks)


def visible_s(path: TruePath, sign: float) -> float:
    """Return how long before (-1) or after (+1) half-way the craft is near the course."""
    reach = 0.35 * path.length_m
    ends = (path.time_at(-reach), path.time_at(path.length_m + reach))
    return max(ends) if sign > 0 else -min(ends)


def scene_camera(
    camera: TrueCamera, path: TruePath, surroundings: str, rng: np.random.Generator
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
    peak = np.exp(rng.uniform(*np.log(PEAKS[surroundings])))
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
        look=Look(background=surroundings, lamp_signal=float(still), spot_px=spot),  # type: ignore[arg-type]
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
