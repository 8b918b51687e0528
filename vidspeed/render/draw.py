"""Draw a world from a scene: what is true, and what the session will say of it.

Every figure has its own stream of random numbers, named by what it is, so that switching one
disturbance off leaves all others as they were.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator

from vidspeed.geometry.lens import project
from vidspeed.render.clip import ClipPlan, plan_clip
from vidspeed.render.flight import Flight, draw_weave, make_flight, no_weave
from vidspeed.render.scene import Scene, SceneCamera, ScenePass, pose_of
from vidspeed.values import Floats, Marker, Pick, Value

START_SHARE = 0.06  # a clip's middle is up to this share of its length beside mid-course


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stated(Value):
    """What the session says of one camera, and the truth of its clock."""

    lens: Floats  # (9,)
    readout_s: float
    exposure_s: float
    picks: tuple[Pick, ...]
    position_m: Floats | None
    clock_ppm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Take(Value):
    """One clip to be filmed: the flight with the lamp where this camera sees it."""

    camera: SceneCamera
    item: ScenePass
    flight: Flight
    plan: ClipPlan

    @property
    def stem(self) -> str:
        """Return a name that no other clip of the scene has."""
        return f"{self.camera.name}-{self.item.label}"

    def file(self, bare: bool = False) -> str:
        """Return where in the session folder the clip is, or its track where it is `bare`."""
        folder, suffix = ("tracks", ".csv") if bare else ("clips", self.camera.suffix)
        return f"{folder}/{self.camera.name}/pass-{self.item.label}{suffix}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class World(Value):
    """The truth that was drawn: `stated` is by camera, `takes` in order of passes."""

    scale_error: float
    markers: tuple[Marker, ...]  # as surveyed
    stated: dict[str, Stated]
    flights: tuple[Flight, ...]  # of each pass, without the lamp's shift
    takes: tuple[Take, ...]


def stream(scene: Scene, *names: str) -> Generator:
    """Return the random numbers of one purpose."""
    return np.random.default_rng([scene.seed, zlib.crc32("/".join(names).encode("utf-8"))])


def draw_world(scene: Scene) -> World:
    """Draw everything that the scene leaves to chance; the same scene gives the same world."""
    flights = tuple(_draw_flight(scene, item) for item in scene.passes)
    stated = {camera.name: _draw_stated(scene, camera) for camera in scene.cameras}
    takes = [
        _draw_take(scene, camera, item, flight, stated[camera.name].clock_ppm)
        for item, flight in zip(scene.passes, flights, strict=True)
        for camera in scene.cameras
        if item.cameras is None or camera.name in item.cameras
    ]
    course = scene.course
    return World(
        scale_error=_spread(scene, "scale", course.length_u_m / course.length_m, 1)[0],
        markers=tuple(_surveyed(scene, marker) for marker in scene.markers),
        stated=stated,
        flights=flights,
        takes=tuple(takes),
    )


def _spread(scene: Scene, what: str, u: Floats | float, count: int, *names: str) -> Floats:
    """Return errors (count,) of standard uncertainty `u`, or zeros where not disturbed."""
    drawn = stream(scene, what, *names).standard_normal(count) * u
    return np.asarray(drawn if what in scene.disturb else np.zeros(count))


def _surveyed(scene: Scene, marker: Marker) -> Marker:
    error = _spread(scene, "markers", marker.u_m, 3, marker.name)
    return replace(marker, xyz_m=marker.xyz_m + error)


def _draw_stated(scene: Scene, camera: SceneCamera) -> Stated:
    """Draw what the session says of a camera."""
    name = camera.name
    clock = camera.clock_ppm
    if clock is None:
        clock = float(_spread(scene, "clock", camera.clock_u_ppm, 1, name)[0])
    place = None
    if camera.position_u_m is not None:
        place = camera.position_m + _spread(scene, "position", camera.position_u_m, 3, name)
    readout = _spread(scene, "readout", camera.readout_u_s, 1, name)[0]
    exposure = _spread(scene, "exposure", camera.exposure_u_s, 1, name)[0]
    return Stated(
        lens=_stated_lens(scene, camera),
        readout_s=max(camera.readout_s + float(readout), 0.0),
        exposure_s=max(camera.exposure_s + float(exposure), 1e-6),
        picks=_draw_picks(scene, camera),
        position_m=place,
        clock_ppm=clock,
    )


def _stated_lens(scene: Scene, camera: SceneCamera) -> Floats:
    """Draw the lens as stated; one error of the focal length for both axes, as the session has it.

    A lens that needs a lens file has its own error on each axis.
    """
    error = _spread(scene, "lens", camera.lens_u, 9, camera.name)
    if not needs_lens_file(camera):
        error[1] = error[0]
    return camera.lens + error


def needs_lens_file(camera: SceneCamera) -> bool:
    """Tell whether the keys of session.toml cannot hold this lens."""
    beyond = np.any(camera.lens[5:] != 0.0) or np.any(camera.lens_u[5:] != 0.0)
    return bool(beyond or camera.lens[0] != camera.lens[1])


def _draw_picks(scene: Scene, camera: SceneCamera) -> tuple[Pick, ...]:
    """Pick every marker that truly is in the picture."""
    places = np.array([marker.xyz_m for marker in scene.markers]).reshape(-1, 3)
    seen = project(places, pose_of(camera), camera.lens)
    picks = []
    for marker, xy in zip(scene.markers, seen, strict=True):
        inside = np.all(np.isfinite(xy)) and np.all(xy > 0.0)
        if inside and np.all(xy < np.array(camera.image_size_px) - 1.0):
            error = _spread(scene, "picks", camera.pick_u_px, 2, camera.name, marker.name)
            picks.append(Pick(name=marker.name, xy_px=xy + error, u_px=camera.pick_u_px))
    return tuple(picks)


def _draw_flight(scene: Scene, item: ScenePass) -> Flight:
    """Draw the true path of a pass about the flight line."""
    line, length = scene.flight_line, scene.course.length_m
    mean = [
        _about(scene, item, "offset", line.offset_m, line.offset_u_m, line.offset_shared_u_m),
        _about(scene, item, "height", line.height_m, line.height_u_m, line.height_shared_u_m),
    ]
    slope_u = np.array([line.drift_u_m, line.climb_u_m])
    change = _spread(scene, "slope", slope_u, 2, item.label)
    accel = _spread(scene, "accel", line.accel_u_mps2, 3, item.label)
    jerk = _spread(scene, "accel", line.accel_u_mps2, 3, item.label, "jerk")
    weave = no_weave(length)
    if "weave" in scene.disturb and line.weave_u_m > 0.0:
        weave = draw_weave(length, line.weave_u_m, stream(scene, "weave", item.label))
    if item.accel_mps2 is not None:
        accel, jerk = np.asarray(item.accel_mps2), np.zeros(3)
    given = (item.offset_m, item.height_m, item.drift_m, item.climb_m)
    drawn = (*mean, float(change[0]), float(change[1]))
    offset, height, drift, climb = (
        a if b is None else b for a, b in zip(drawn, given, strict=True)
    )
    return make_flight(
        length_m=length,
        direction=item.direction,
        speed_mps=item.speed_mps,
        mean_m=(offset, height),
        change_m=(drift, climb),
        accel_mps2=accel,
        jerk_mps3=jerk * item.speed_mps / length,
        weave=weave,
    )


def _about(
    scene: Scene, item: ScenePass, name: str, stated_m: float, u_m: float, shared_u_m: float | None
) -> float:
    """Draw offset or height: a part common to all passes, and the pass's own."""
    shared = 0.0 if shared_u_m is None else shared_u_m
    common = _spread(scene, "line", shared, 1, name)[0]
    own = _spread(scene, "line", np.sqrt(max(u_m**2 - shared**2, 0.0)), 1, name, item.label)[0]
    return float(stated_m + common + own)


def _draw_take(
    scene: Scene, camera: SceneCamera, item: ScenePass, flight: Flight, clock_ppm: float
) -> Take:
    """Draw when a clip begins, and where beside the path this camera sees the lamp."""
    shift = np.zeros(3)
    shift[1:] = _spread(scene, "lamp", scene.craft.lamp_u_m, 2, camera.name, item.label)
    rng = stream(scene, "start", camera.name, item.label)
    length_s = scene.clip_s if item.clip_s is None else item.clip_s
    start = length_s * (-0.5 + START_SHARE * rng.uniform(-1.0, 1.0))
    return Take(
        camera=camera,
        item=item,
        flight=replace(flight, shift_m=shift),
        plan=plan_clip(camera, start, length_s, clock_ppm, rng),
    )
