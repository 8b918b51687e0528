"""One frame: the light of a moving lamp gathered row by row, over a background, with noise.

Signals are linear and 1 saturates the sensor. The lamp's image is a sum over fine steps of the
path; every row of the stored picture has its own open shutter (rolling shutter), and a pixel
gathers over its whole area.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.random import Generator
from scipy.special import ndtr

from vidspeed.geometry.lens import camera_points, folded, project_camera
from vidspeed.render.flight import Flight, Wander, position
from vidspeed.render.scene import Look, SceneCamera, pose_of
from vidspeed.render.shaken import shake
from vidspeed.values import Floats, Ints, Picture, Pose, Value

STEP_PX = 0.1  # the path moves by about this much from one step of the exposure to the next
REACH_SIGMAS = 4.5  # of the spot's wider Gaussian, around its path
FLARE_PX, WET_PX = 2.5, 2.0  # blur of a flare's ghost and of a reflection on wet ground
LEVELS = 16_384  # of the table of the transfer curve


Image = Literal["direct", "flare", "wet"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch(Value):
    """Light gathered in part of a stored picture: `signal` (h, w) from row `top`, column `left`.

    `veil` (h, w): the share of what lies behind that something dark hides.
    """

    top: int
    left: int
    signal: Floats
    veil: Floats | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Film(Value):
    """What every frame of a clip shares: `mean`, `noise` (h, w) float32 in levels, and a table.

    `table` maps a level to luma; `shot` is the variance, in levels squared, that one level of
    signal brings, `read` the variance that is always there.
    """

    mean: np.ndarray[tuple[int, ...], np.dtype[np.float32]]
    noise: np.ndarray[tuple[int, ...], np.dtype[np.float32]]
    table: Picture
    shot: float
    read: float


def stored_xy(shown_px: Floats, camera: SceneCamera) -> Floats:
    """Turn places (n, 2) in the picture as shown into the picture as stored, both in pixels."""
    width, height = camera.image_size_px
    x, y = shown_px[:, 0], shown_px[:, 1]
    turned = {
        0: (x, y),
        90: (height - 1.0 - y, x),
        180: (width - 1.0 - x, height - 1.0 - y),
        270: (y, width - 1.0 - x),
    }
    return np.column_stack(turned[camera.rotation_deg % 360])


def seen_at(camera: SceneCamera, pose: Pose, flight: Flight | Wander, world_s: Floats) -> Floats:
    """Return where the light is in the stored picture (n, 2) at world times (n,)."""
    return _seen(camera, pose, flight, world_s, "direct")


def _seen(
    camera: SceneCamera, pose: Pose, flight: Flight | Wander, world_s: Floats, image: Image
) -> Floats:
    """Return where an image of the light is in the stored picture, the tripod's shake included."""
    place = position(flight, world_s)
    xy = _projected(camera, pose, place * [1.0, 1.0, -1.0] if image == "wet" else place)
    if image == "flare":
        xy = 2.0 * stored_xy(camera.lens[None, 2:4], camera) - xy
    if camera.look.shake_px > 0.0:
        xy = xy + shake(camera.look, world_s - flight.epoch_s)
    return np.asarray(xy)


def _projected(camera: SceneCamera, pose: Pose, place_m: Floats) -> Floats:
    """Return where points (n, 3) are in the stored picture (n, 2).

    NaN for those behind the camera, and for those so far off the axis that the lens model has
    folded over: it would put them into the picture a second time.
    """
    seen = camera_points(place_m, pose)
    xy = project_camera(seen, camera.lens)
    xy[folded(seen, camera.lens)] = np.nan
    return stored_xy(xy, camera)


def exposed(
    camera: SceneCamera,
    pose: Pose,
    flight: Flight | Wander,
    open_s: float,
    image: Image = "direct",
) -> Patch | None:
    """Gather the lamp's light in the frame whose first row opens at world time `open_s`.

    None where no light falls into the picture.
    """
    bounds = _exposed_bounds(camera, pose, flight, open_s, image)
    if bounds is None:
        return None
    steps, step_s = bounds
    place = position(flight, steps)
    xy = _seen(camera, pose, flight, steps, image)
    there = np.isfinite(xy).all(axis=1)
    if not there.any():
        return None
    steps, place, xy = steps[there], place[there], xy[there]
    reach = REACH_SIGMAS * max(camera.look.spot_px, camera.look.halo_px)
    size = camera.stored_size_px
    columns, rows = (_span(xy[:, axis], reach, size[axis]) for axis in (0, 1))
    if len(rows) == 0 or len(columns) == 0:
        return None
    open_share = _open_share(camera, rows, steps - open_s, step_s)
    light = open_share * _flux(camera.look, pose, place)
    light *= lit_share(camera.look, steps - flight.epoch_s, step_s)
    veil = None
    if camera.look.body_m > 0.0 and image == "direct":
        veil = _hidden(camera, pose, place, open_share, rows, columns, xy)
    return Patch(
        top=int(rows[0]),
        left=int(columns[0]),
        signal=_gathered(camera.look, rows, columns, xy, light),
        veil=veil,
    )


def _hidden(
    camera: SceneCamera, pose: Pose, place_m: Floats, open_share: Floats, rows: Ints,
    columns: Ints, xy: Floats,
) -> Floats:  # fmt: skip
    """Return which share of what lies behind the craft's body hides: a disc, blurred."""
    size = camera.lens[0] * camera.look.body_m / np.linalg.norm(place_m - pose.position_m, axis=1)
    sigma = float(np.hypot(camera.look.spot_px, np.mean(size) / 4.0))  # a disc's, along a diameter
    area = open_share * (np.pi / 4.0 * size**2)
    blurred = replace(camera.look, spot_px=sigma, halo_share=0.0)
    return np.clip(_gathered(blurred, rows, columns, xy, area), 0.0, 1.0)


def _exposed_bounds(
    camera: SceneCamera, pose: Pose, flight: Flight | Wander, open_s: float, image: Image
) -> tuple[Floats, float] | None:
    """Return the middles and the length of the steps while any row that sees the light is open."""
    whole = camera.readout_s + camera.exposure_s
    coarse = open_s + np.linspace(0.0, whole, 97)
    xy = _seen(camera, pose, flight, coarse, image)
    width, height = camera.stored_size_px
    reach = REACH_SIGMAS * max(camera.look.spot_px, camera.look.halo_px) + 2.0
    near = np.all((xy > -reach) & (xy < np.array([width, height]) + reach), axis=1)
    if camera.readout_s > 0.0:
        first = (coarse - open_s - camera.exposure_s) * height / camera.readout_s
        last = (coarse - open_s) * height / camera.readout_s
        near &= (xy[:, 1] > first - reach) & (xy[:, 1] < last + reach)
    lit = np.flatnonzero(near)
    if len(lit) == 0:
        return None
    begin, end = coarse[max(lit[0] - 1, 0)], coarse[min(lit[-1] + 1, 96)]
    legs = np.diff(xy[max(lit[0] - 1, 0) : lit[-1] + 2], axis=0)
    travel = float(np.nansum(np.linalg.norm(legs, axis=1)))
    count = int(np.clip(np.ceil(travel / STEP_PX), 24, 6000))
    step = float(end - begin) / count
    return np.asarray(begin + (np.arange(count) + 0.5) * step), step


def _span(places: Floats, reach: float, size: int) -> Ints:
    """Return the whole pixels within reach of the places and inside the picture."""
    low = max(int(np.floor(places.min() - reach)), 0)
    high = min(int(np.ceil(places.max() + reach)), size - 1)
    return np.arange(low, high + 1)


def _open_share(camera: SceneCamera, rows: Ints, since_s: Floats, step_s: float) -> Floats:
    """Return for each row (m) and step (n) which share of the exposure falls into the step."""
    opens = camera.readout_s * rows / camera.stored_size_px[1]
    begin = np.maximum(since_s - step_s / 2.0, opens[:, None])
    end = np.minimum(since_s + step_s / 2.0, opens[:, None] + camera.exposure_s)
    return np.asarray(np.maximum(end - begin, 0.0) / camera.exposure_s)


def _flux(look: Look, pose: Pose, place_m: Floats) -> Floats:
    """Return the light (n,) of the whole spot through one exposure: falls as 1 over r squared."""
    range_m = np.linalg.norm(place_m - pose.position_m, axis=1)
    at_reference = look.lamp_signal * 2.0 * np.pi * look.spot_px**2
    return np.asarray(at_reference * (look.reference_m / range_m) ** 2)


def lit_share(look: Look, since_s: Floats, step_s: float) -> Floats:
    """Return which share (n,) of each step a blinking lamp is lit, to the step's own ends."""
    if look.flicker > 0.0:
        return 1.0 + look.flicker * np.sin(2.0 * np.pi * look.flicker_hz * since_s)
    if look.blink_hz <= 0.0:
        return np.ones_like(since_s)

    def lit_until(time_s: Floats) -> Floats:
        cycle = time_s * look.blink_hz + look.blink_duty / 2.0
        whole = np.floor(cycle)
        part = np.minimum(cycle - whole, look.blink_duty)
        return np.asarray((whole * look.blink_duty + part) / look.blink_hz)

    return (lit_until(since_s + step_s / 2.0) - lit_until(since_s - step_s / 2.0)) / step_s


def _gathered(look: Look, rows: Ints, columns: Ints, xy: Floats, light: Floats) -> Floats:
    """Sum the spot, core and halo, over the steps of its path."""
    total = np.zeros((len(rows), len(columns)))
    shares = ((1.0 - look.halo_share, look.spot_px), (look.halo_share, look.halo_px))
    for share, sigma in shares:
        if share > 0.0:
            across = _pixel_shares(columns, xy[:, 0], sigma)
            down = _pixel_shares(rows, xy[:, 1], sigma)
            total += share * ((down * light) @ across.T)
    return total


def _pixel_shares(pixels: Ints, centre: Floats, sigma: float) -> Floats:
    """Return the share (m, n) of a Gaussian about each centre that each pixel gathers."""
    edges = np.append(pixels - 0.5, pixels[-1] + 0.5)
    return np.asarray(np.diff(ndtr((edges[:, None] - centre) / sigma), axis=0))


def load_film(look: Look, background: Floats) -> Film:
    """Prepare what every frame shares, from the background's signal (h, w) as stored."""
    top = LEVELS - 1.0
    shot, read = top / look.full_well_e, (look.read_noise_e / look.full_well_e * top) ** 2
    mean = np.clip(background, 0.0, None) * top
    return Film(
        mean=mean.astype(np.float32),
        noise=np.sqrt(shot * mean + read).astype(np.float32),
        table=luma_of(np.arange(LEVELS) / top, look.full_range),
        shot=shot,
        read=read,
    )


def luma_of(signal: Floats, full_range: bool) -> Picture:
    """Return the luma (h, w) of linear signals from 0 to 1 by the sRGB curve (IEC 61966-2-1)."""
    inside = np.clip(signal, 0.0, 1.0)
    curve = np.where(
        inside <= 0.0031308,
        12.92 * inside,
        1.055 * np.maximum(inside, 1e-9) ** (1.0 / 2.4) - 0.055,
    )
    luma = 255.0 * curve if full_range else 16.0 + 219.0 * curve
    return np.rint(luma).astype(np.uint8)


def develop(film: Film, patches: Sequence[Patch], rng: Generator, noisy: bool = True) -> Picture:
    """Return a frame (h, w) as luma: background and patches, fresh noise, transfer curve."""
    grain = np.zeros_like(film.mean)
    if noisy:
        rng.standard_normal(dtype=np.float32, out=grain)
    level = film.noise * grain
    level += film.mean
    added = np.zeros_like(film.mean) if len(patches) > 1 else None
    for patch in patches:
        rows = slice(patch.top, patch.top + patch.signal.shape[0])
        columns = slice(patch.left, patch.left + patch.signal.shape[1])
        light = (patch.signal * (LEVELS - 1.0)).astype(np.float32)
        if added is not None:
            added[rows, columns] += light
            light = added[rows, columns]
        behind = film.mean[rows, columns]
        if patch.veil is not None:
            behind = behind * (1.0 - patch.veil).astype(np.float32)
        mean = behind + light
        spread = np.sqrt(np.float32(film.shot) * mean + np.float32(film.read))
        level[rows, columns] = mean + spread * grain[rows, columns]
    np.clip(level, 0.0, LEVELS - 1.0, out=level)
    np.rint(level, out=level)
    return np.asarray(np.take(film.table, level.astype(np.intp)))


def lamp_patches(
    camera: SceneCamera, flights: Sequence[Flight | Wander], open_s: float
) -> list[Patch]:
    """Gather the light of every flight in one frame, with the flares and reflections of each."""
    pose = pose_of(camera)
    found = (
        exposed(filming, pose, flight, open_s, image)
        for flight in flights
        for filming, image in _images(camera)
    )
    return [patch for patch in found if patch is not None]


def _images(camera: SceneCamera) -> Iterator[tuple[SceneCamera, Image]]:
    """Yield the ways in which a light reaches the picture, and the camera that sees it so."""
    look = camera.look
    yield camera, "direct"
    images: tuple[tuple[Image, float, float], ...] = (
        ("flare", look.flare_share, FLARE_PX),
        ("wet", look.wet_share, WET_PX),
    )
    for image, part, blur_px in images:
        if part > 0.0:
            spot = float(np.hypot(look.spot_px, blur_px))
            signal = look.lamp_signal * part * (look.spot_px / spot) ** 2
            yield replace(camera, look=replace(look, lamp_signal=signal, spot_px=spot)), image
