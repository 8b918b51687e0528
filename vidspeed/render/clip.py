"""A whole synthetic clip, and the places where its lights truly are."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.random import Generator

from vidspeed.clip.write import Stamps, even_stamps, uneven_stamps, write_clip
from vidspeed.render.around import film_at, hidden, set_stage
from vidspeed.render.background import background
from vidspeed.render.flight import Flight, Wander
from vidspeed.render.glare import glare_patch
from vidspeed.render.picture import Patch, develop, lamp_patches, seen_at
from vidspeed.render.scene import OtherLight, SceneCamera, StaticLamp, pose_of
from vidspeed.values import Floats, Ints, Marker, Picture, Value

JITTER = 0.08  # of the frame interval, standard deviation, where a camera's stamps are uneven


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClipPlan(Value):
    """When a clip was filmed: its stamps, and what its camera's clock has to do with the world.

    What the stamp of frame k names happens at world time `start_s` + captured time
    * (1 + ppm/1e6), where the captured time is the stamp, or the frame's number over the rate in
    slow motion. `exposure_s` (n,) is how long each frame is exposed, `lead_s` (n,) how long
    before that moment its first row opens. `shows` (n,) is the frame whose picture frame k holds:
    k, or an earlier one.
    """

    start_s: float
    clock_ppm: float
    captured_s: Floats
    stored: Stamps
    exposure_s: Floats
    lead_s: Floats
    shows: Ints

    @property
    def open_s(self) -> Floats:
        """Return when the first row of each frame opens (n,), world time."""
        named = self.start_s + self.captured_s * (1.0 + self.clock_ppm * 1e-6)
        return np.asarray(named - self.lead_s)

    @property
    def late_s(self) -> Floats:
        """Return how long after what its stamp names each frame's first row is half exposed."""
        return np.asarray(self.exposure_s / 2.0 - self.lead_s)

    def clip_time_s(self, world_s: float) -> float:
        """Return what the clip's own time is at a moment of the world."""
        return (world_s - self.start_s) / (1.0 + self.clock_ppm * 1e-6)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places(Value):
    """Where the lights of a clip truly are: the middle of each one's exposure.

    `frame` (n,), `time_s` (n,) the stamp before any correction, `world_s` (n,), `xy_px` (n, 2)
    in the picture as shown, `row` (n,) from 0 to 1 in the read-out.
    """

    frame: Ints
    time_s: Floats
    world_s: Floats
    xy_px: Floats
    row: Floats


def plan_clip(
    camera: SceneCamera, start_s: float, duration_s: float, clock_ppm: float, rng: Generator
) -> ClipPlan:
    """Decide when each frame of a clip is taken and what its stamp is."""
    count = max(int(np.floor(duration_s * float(camera.rate_hz))), 2)
    stored = even_stamps(count, camera.rate_hz)
    if camera.stamps == "uneven":
        jitter = JITTER * rng.standard_normal(count).clip(-3.0, 3.0)
        jitter[0] = 0.0
        base = Fraction(1, 1000) if camera.suffix == ".mkv" else Fraction(1, 90_000)
        stored = uneven_stamps((np.arange(count) + jitter) / float(camera.rate_hz), base)
    captured = stored.time_s
    if camera.stored_rate_hz is not None:
        captured = np.arange(count) / float(camera.rate_hz)
        stored = even_stamps(count, camera.stored_rate_hz)
    kept = _kept(camera, count, rng)
    captured, stored = captured[kept], replace(stored, pts=stored.pts[kept])
    exposure = np.full(len(captured), camera.exposure_s)
    if camera.exposure_to_s is not None:
        share = (captured - captured[0]) / (captured[-1] - captured[0])
        if camera.exposure_jump_s is not None:
            share = (start_s + captured >= camera.exposure_jump_s).astype(float)
        exposure += share * (camera.exposure_to_s - camera.exposure_s)
    return ClipPlan(
        start_s=start_s,
        clock_ppm=clock_ppm,
        captured_s=captured,
        stored=stored,
        exposure_s=exposure,
        lead_s={"start": 0.0, "middle": 0.5, "end": 1.0}[camera.stamp_at] * exposure,
        shows=_shown(camera, len(captured), rng),
    )


def _kept(camera: SceneCamera, count: int, rng: Generator) -> Ints:
    """Return which of the frames that were due are in the clip."""
    frames = np.arange(count)
    if camera.stamps == "halved":
        frames = frames[(frames < count // 2) | (frames % 2 == 0)]
    if camera.dropped > 0.0:
        stays = rng.random(len(frames)) >= camera.dropped
        stays[[0, -1]] = True
        frames = frames[stays]
    return frames


def _shown(camera: SceneCamera, count: int, rng: Generator) -> Ints:
    """Return the frame whose picture each frame holds: its own, or that of the one before."""
    shows = np.arange(count)
    if camera.repeated > 0.0:
        again = rng.random(count) < camera.repeated
        again[0] = False
        for frame in np.flatnonzero(again):
            shows[frame] = shows[frame - 1]
    return shows


def render_clip(
    path: Path,
    camera: SceneCamera,
    flights: Sequence[Flight],
    plan: ClipPlan,
    *,
    markers: Sequence[Marker] = (),
    lamps: Sequence[StaticLamp] = (),
    others: Sequence[OtherLight] = (),
    seed: int | Sequence[int] = 0,
    view_seed: int | Sequence[int] = 0,
    threads: int = 1,
) -> str:
    """Film the flights into a file; return the name of the encoder it took.

    `seed` decides the noise, `view_seed` the background: clips of one camera share the latter.
    """
    pictures = render_frames(
        camera,
        flights,
        plan,
        markers=markers,
        lamps=lamps,
        others=others,
        seed=seed,
        view_seed=view_seed,
    )
    return write_clip(
        path,
        pictures,
        stamps=plan.stored,
        codec=camera.codec,
        crf=camera.crf,
        preset=camera.preset,
        full_range=camera.look.full_range,
        rotation_deg=camera.rotation_deg,
        threads=threads,
    )


def render_frames(
    camera: SceneCamera,
    flights: Sequence[Flight],
    plan: ClipPlan,
    *,
    markers: Sequence[Marker] = (),
    lamps: Sequence[StaticLamp] = (),
    others: Sequence[OtherLight] = (),
    seed: int | Sequence[int] = 0,
    view_seed: int | Sequence[int] = 0,
) -> Iterator[Picture]:
    """Yield the pictures (h, w) of a clip, as stored."""
    of_view = np.random.default_rng(view_seed)
    view = background(camera, markers, lamps, of_view)
    stage = set_stage(camera, view, of_view)
    rng = np.random.default_rng(seed)
    epoch_s = flights[0].epoch_s if flights else 0.0
    picture: Picture | None = None
    for frame, shown in enumerate(plan.shows):
        if picture is None or shown == frame:
            filming = _exposing(camera, float(plan.exposure_s[frame]))
            opens = plan.open_s[frame] - camera.merge_s * np.arange(camera.merged)
            middle = float(opens[0]) + 0.5 * filming.exposure_s - epoch_s
            patches = [
                hidden(stage, patch, middle)
                for at in opens
                for patch in _all_patches(filming, flights, others, float(at), epoch_s)
            ]
            jumps = camera.exposure_jump_s is not None
            times = filming.exposure_s / camera.exposure_s if jumps else 1.0
            picture = develop(film_at(stage, middle, rng, times), patches, rng)
        yield picture


def _all_patches(
    camera: SceneCamera,
    flights: Sequence[Flight],
    others: Sequence[OtherLight],
    open_s: float,
    epoch_s: float,
) -> Iterator[Patch]:
    """Yield the light of the flights and of the other lights in one frame."""
    yield from lamp_patches(camera, flights, open_s)
    yield from _veils(camera, flights, open_s)
    for other in others:
        look = replace(
            camera.look,
            lamp_signal=other.signal,
            spot_px=other.spot_px or camera.look.spot_px,
            blink_hz=other.blink_hz,
            blink_duty=other.blink_duty,
            flicker=other.flicker,
            flicker_hz=other.flicker_hz,
            glare=other.glare,
            body_m=0.0,
        )
        way = Wander(at_s=other.at_s, xyz_m=other.xyz_m, epoch_s=epoch_s)
        yield from lamp_patches(replace(camera, look=look), [way], open_s)
        yield from _veils(replace(camera, look=look), [way], open_s)


def _veils(
    camera: SceneCamera, flights: Sequence[Flight | Wander], open_s: float
) -> Iterator[Patch]:
    """Yield the glare of lights in one frame."""
    found = (glare_patch(camera, flight, open_s) for flight in flights)
    yield from (patch for patch in found if patch is not None)


def _exposing(camera: SceneCamera, exposure_s: float) -> SceneCamera:
    """Return the camera as it is for one exposure of a frame: its streaks are as bright as ever."""
    if exposure_s == camera.exposure_s and camera.merged == 1:
        return camera
    share = exposure_s / camera.exposure_s / camera.merged
    look = replace(camera.look, lamp_signal=camera.look.lamp_signal * share)
    return replace(camera, exposure_s=exposure_s, look=look)


def light_places(camera: SceneCamera, flight: Flight, plan: ClipPlan) -> Places:
    """Return where the light truly is at the middle of each exposure, where it is in the picture.

    Of a frame that merges several exposures: of the last. Frames that show another again are left
    out. The row that sees the light decides when its exposure is: solved by repeated substitution.
    """
    pose = pose_of(camera)
    width, height = camera.stored_size_px
    world = plan.open_s + plan.exposure_s / 2.0
    row = np.zeros_like(world)
    for _ in range(12):
        stored = seen_at(camera, pose, flight, world + camera.readout_s * row)
        row = np.clip(np.nan_to_num(stored[:, 1] / height), 0.0, 1.0)
    world = world + camera.readout_s * row
    inside = np.all((stored > -0.5) & (stored < np.array([width, height]) - 0.5), axis=1)
    kept = np.flatnonzero(inside & (plan.shows == np.arange(len(plan.shows))))
    return Places(
        frame=kept.astype(np.int64),
        time_s=plan.captured_s[kept],
        world_s=world[kept],
        xy_px=shown_xy(stored[kept], camera),
        row=row[kept],
    )


def shown_xy(stored_px: Floats, camera: SceneCamera) -> Floats:
    """Turn places (n, 2) in the picture as stored into the picture as shown, both in pixels."""
    width, height = camera.image_size_px
    x, y = stored_px[:, 0], stored_px[:, 1]
    turned = {
        0: (x, y),
        90: (y, height - 1.0 - x),
        180: (width - 1.0 - x, height - 1.0 - y),
        270: (width - 1.0 - y, x),
    }
    return np.column_stack(turned[camera.rotation_deg % 360])
