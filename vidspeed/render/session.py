"""Write a session folder as a surveyor would have, from a scene; and beside it the truth."""

from __future__ import annotations

import json
from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from vidspeed.errors import SceneError
from vidspeed.render.clip import light_places, render_clip
from vidspeed.render.draw import Take, World, draw_world, stream
from vidspeed.render.flight import Flight, true_speed_mps
from vidspeed.render.picture import seen_at
from vidspeed.render.read import read_scene
from vidspeed.render.scene import Scene, ScenePass, pose_of
from vidspeed.render.stated import session_files
from vidspeed.spread.progress import Tell
from vidspeed.values import Floats, Value, jsonable

SCHEMA = "vidspeed.truth/1"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClipTruth(Value):
    """A clip, and the stamps at which its camera saw the craft cross the gates that it passes.

    They are the stamps that a frame would have whose light, at the middle of the exposure of the
    row where it lies, is at the gate: half an exposure and the row's part of the read-out before
    the craft is there.
    """

    file: str
    camera: str
    time_in_s: float
    time_out_s: float
    clock_ppm: float
    encoder: str | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PassTruth(Value):
    """A pass as it truly was: `speed_mps` is (1 + s) * length over the time between the gates."""

    label: str
    flight: str | None
    direction: str
    speed_mps: float
    gate_time_s: float
    offset_m: float
    height_m: float
    drift_m: float
    climb_m: float
    accel_mps2: Floats
    clips: tuple[ClipTruth, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth(Value):
    """What nobody at the course knew: `scale_error` s, and the passes."""

    scale_error: float
    passes: tuple[PassTruth, ...]


def render_scene_file(
    path: Path, out: Path | None = None, *, workers: int = 1, progress: Tell | None = None
) -> Truth:
    """Read a scene and write its session into `out`, or beside the scene where that is None.

    Raises
    ------
    SceneError
        Where the scene is wrong, the folder holds a session that no scene made, or it cannot be
        written.
    """
    scene = read_scene(path)
    folder = path.parent if out is None else out
    if (folder / "session.toml").exists() and not (folder / "truth.json").exists():
        raise SceneError(
            f"{folder}: holds a session.toml that was not rendered (no truth.json beside it); "
            "name another folder, an empty one"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return render_session(scene, folder, workers=workers, progress=progress)
    except OSError as error:
        raise SceneError(
            f"{error.filename or folder}: cannot be written: {error.strerror or error}; "
            "name another folder"
        ) from error


def render_session(
    scene: Scene,
    folder: Path,
    *,
    workers: int = 1,
    bare_u_px: float | None = None,
    progress: Tell | None = None,
) -> Truth:
    """Write a complete session folder and `truth.json`; the same scene gives the same truth.

    Parameters
    ----------
    workers
        Clips are filmed by this many processes.
    bare_u_px
        Write tracks with this standard uncertainty of each coordinate instead of clips.
    progress
        Called with what is being done, clips done, and clips in all.
    """
    world = draw_world(scene)
    clips = [take.file(bare_u_px is not None) for take in world.takes]
    if bare_u_px is None:
        _tell(progress, 0, len(clips))
        encoders = _film(scene, world, folder, clips, workers, progress)
    else:
        encoders = [None] * len(clips)
        for take, file in zip(world.takes, clips, strict=True):
            _write(folder / file, _track_text(scene, take, bare_u_px))
    truth = _truth(scene, world, clips, encoders)
    _write(folder / "truth.json", json.dumps(_truth_rows(truth), indent=2) + "\n")
    for name, text in session_files(scene, world, clips, bare_u_px is not None).items():
        _write(folder / name, text)  # last, so that what was broken off can be begun again
    return truth


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="\n")


def _film(
    scene: Scene,
    world: World,
    folder: Path,
    clips: list[str],
    workers: int,
    progress: Tell | None,
) -> list[str | None]:
    """Film every take; return the encoders' names."""
    jobs = list(zip(world.takes, clips, strict=True))
    for file in clips:
        (folder / file).parent.mkdir(parents=True, exist_ok=True)
    encoders: list[str | None] = [None] * len(jobs)
    done = 0
    with _pool(workers) as pool:
        if pool is None:
            for index, (take, file) in enumerate(jobs):
                encoders[index] = _film_one(scene, take, folder / file)
                done += 1
                _tell(progress, done, len(jobs))
            return encoders
        waiting = {
            pool.submit(_film_one, scene, take, folder / file): index
            for index, (take, file) in enumerate(jobs)
        }
        for future in as_completed(waiting):
            index = waiting[future]
            encoders[index] = future.result()
            done += 1
            _tell(progress, done, len(jobs))
    return encoders


def _pool(workers: int) -> AbstractContextManager[Executor | None]:
    """Return spawned workers, or None for one: then the caller does the work."""
    if workers <= 1:
        return nullcontext(None)
    return ProcessPoolExecutor(workers, mp_context=get_context("spawn"))


def _tell(progress: Tell | None, done: int, total: int) -> None:
    if progress is not None:
        progress("rendering", done, total)


def _film_one(scene: Scene, take: Take, path: Path) -> str:
    """Film one take; the noise is the clip's own, the view is the camera's."""
    return render_clip(
        path,
        take.camera,
        [take.flight],
        take.plan,
        markers=scene.markers,
        lamps=scene.lamps,
        others=scene.others,
        seed=int(stream(scene, "noise", take.stem).integers(2**62)),
        view_seed=int(stream(scene, "view", take.camera.name).integers(2**62)),
    )


def _track_text(scene: Scene, take: Take, u_px: float) -> str:
    """Return a track.csv of the places where the lights truly are, with noise."""
    places = light_places(take.camera, take.flight, take.plan)
    noise = stream(scene, "lights", take.stem).standard_normal(places.xy_px.shape)
    seen = places.xy_px + u_px * noise
    rows = ["frame,time_s,x_px,y_px,u_x_px,u_y_px,row"]
    for index, frame in enumerate(places.frame):
        x, y = seen[index]
        rows.append(
            f"{frame},{places.time_s[index]:.9f},{x:.6f},{y:.6f},{u_px:g},{u_px:g},"
            f"{places.row[index]:.6f}"
        )
    return "\n".join(rows) + "\n"


def _truth(scene: Scene, world: World, clips: list[str], encoders: list[str | None]) -> Truth:
    """Put together what nobody at the course knew."""
    films = list(zip(world.takes, clips, encoders, strict=True))
    passes = []
    for item, flight in zip(scene.passes, world.flights, strict=True):
        shown = tuple(_clip_truth(*film) for film in films if film[0].item is item)
        passes.append(_pass_truth(item, flight, world.scale_error, shown))
    return Truth(scale_error=float(world.scale_error), passes=tuple(passes))


def _pass_truth(
    item: ScenePass, flight: Flight, scale_error: float, clips: tuple[ClipTruth, ...]
) -> PassTruth:
    begin, end = flight.gates_s
    fine = np.linspace(begin, end, 2001)
    powers = np.column_stack([np.ones_like(fine), fine, fine**2 / 2.0, fine**3 / 6.0])
    smooth = powers @ flight.cubic[:, 1:]
    weights = np.full(2001, 2.0)
    weights[1:-1:2], weights[[0, -1]] = 4.0, 1.0  # Simpson's rule: exact for a cubic
    mean = weights @ smooth / 6000.0
    return PassTruth(
        label=item.label,
        flight=item.flight,
        direction=item.direction,
        speed_mps=true_speed_mps(flight, scale_error),
        gate_time_s=float(abs(end - begin)),
        offset_m=float(mean[0]),
        height_m=float(mean[1]),
        drift_m=float(smooth[-1, 0] - smooth[0, 0]),
        climb_m=float(smooth[-1, 1] - smooth[0, 1]),
        accel_mps2=flight.cubic[2],
        clips=clips,
    )


def _clip_truth(take: Take, file: str, encoder: str | None) -> ClipTruth:
    camera = take.camera
    gates = np.sort(take.flight.gates_s)
    seen = seen_at(camera, pose_of(camera), take.flight, gates)
    row = np.clip(seen[:, 1] / camera.stored_size_px[1], 0.0, 1.0)
    late = np.interp(
        [take.plan.clip_time_s(t) for t in gates], take.plan.captured_s, take.plan.late_s
    )
    named = gates - late - camera.readout_s * row
    first, second = (take.plan.clip_time_s(float(moment)) for moment in named)
    return ClipTruth(
        file=file,
        camera=camera.name,
        time_in_s=first,
        time_out_s=second,
        clock_ppm=take.plan.clock_ppm,
        encoder=encoder,
    )


def _truth_rows(truth: Truth) -> dict[str, Any]:
    """Return the truth as rows for JSON."""
    rows: dict[str, Any] = {"schema": SCHEMA, "scale_error": truth.scale_error, "passes": []}
    for item in truth.passes:
        row = {name: getattr(item, name) for name in PassTruth.__dataclass_fields__}
        row["clips"] = [
            {name: getattr(clip, name) for name in ClipTruth.__dataclass_fields__}
            for clip in item.clips
        ]
        rows["passes"].append(jsonable(row))
    return rows
