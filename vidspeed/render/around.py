"""What moves in the picture beside the craft: the tripod, clouds, grass, gain, hot pixels."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.random import Generator
from scipy.ndimage import map_coordinates

from vidspeed.render.background import above_skyline, texture
from vidspeed.render.picture import Film, Patch, load_film
from vidspeed.render.scene import Look, SceneCamera
from vidspeed.render.shaken import shake
from vidspeed.values import Bools, Floats, Ints, Value

CLOUD_PX_S = 12.0  # how fast clouds drift
WIND_HZ = 1.3
FLAG_PX, FLAG_HZ = (26, 14), 4.0
POLE_LIGHT = 0.25  # of what is behind it
HOT = (0.02, 0.5)  # signals of hot pixels; every second one flickers


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stage(Value):
    """The still picture (h, w) as stored, and what changes in it from frame to frame."""

    camera: SceneCamera
    view: Floats
    sky: Bools
    clouds: Floats | None
    grass: tuple[Floats, Floats] | None
    flag: tuple[int, int]
    hot: Ints  # (n, 2) row, column
    heat: Floats  # (n,)
    film: Film | None  # where nothing changes


def set_stage(camera: SceneCamera, view: Floats, rng: Generator) -> Stage:
    """Prepare what changes before a `view` (h, w) of linear signal.

    `rng` draws textures and hot pixels, nothing where there are none.
    """
    look = camera.look
    height, width = view.shape
    calm = not any((look.shake_px, look.clouds, look.wind, look.pole_px[1], look.hot_pixels))
    sky = above_skyline(camera)
    return Stage(
        camera=camera,
        view=view,
        sky=sky,
        clouds=texture(height, 2 * width, rng, finest=16) if look.clouds else None,
        grass=(
            (texture(height, width, rng, finest=2), texture(height, width, rng, finest=2))
            if look.wind
            else None
        ),
        flag=(int(rng.integers(0, width - 40)), int(0.9 * height)) if look.wind else (0, 0),
        hot=np.column_stack(
            [rng.integers(0, size, look.hot_pixels) for size in (height, width)]
        ).reshape(-1, 2),
        heat=rng.uniform(*HOT, look.hot_pixels) if look.hot_pixels else np.zeros(0),
        film=load_film(look, view) if calm and look.gain == 1.0 else None,
    )


def film_at(stage: Stage, since_s: float, rng: Generator, times: float = 1.0) -> Film:
    """Return what a frame shows behind the lamps, so long after mid-course.

    All of it is `times` as bright, by an exposure that jumped.
    """
    if stage.film is not None and times == 1.0:
        return stage.film
    look = stage.camera.look
    view = stage.view
    if stage.clouds is not None:
        view = np.where(stage.sky, view * _drifting(stage.clouds, look, since_s), view)
    if stage.grass is not None:
        view = np.where(stage.sky, view, view * _waving(stage.grass, look, since_s))
        view = _flagged(view, stage.flag, since_s)
    if look.pole_px[1] > 0.0:
        view = view * (1.0 - (1.0 - POLE_LIGHT) * behind_pole(look, view.shape[1]))
    if look.shake_px > 0.0:
        rows_s = stage.camera.readout_s * np.arange(len(view)) / len(view)
        view = _shifted(view, shake(look, since_s + rows_s))
    view = np.clip(view, 0.0, None) * gain_at(look, since_s) * times
    if len(stage.hot):
        flicker = np.where(np.arange(len(stage.hot)) % 2, rng.random(len(stage.hot)) < 0.3, True)
        view = view.copy()
        view[stage.hot[:, 0], stage.hot[:, 1]] += stage.heat * flicker
    return load_film(look, view)


def behind_pole(look: Look, width: int) -> Floats:
    """Return how far each column (w,) is covered, with soft edges; the pole stands upright."""
    middle, wide = look.pole_px
    beyond = np.abs(np.arange(width) - middle) - wide / 2.0
    return np.asarray(np.clip(0.5 - beyond / 2.0, 0.0, 1.0))


def hidden(stage: Stage, patch: Patch, since_s: float) -> Patch:
    """Return a patch as it is seen behind the pole and with the gain of its moment."""
    look = stage.camera.look
    if look.pole_px[1] <= 0.0 and look.gain == 1.0:
        return patch
    signal = patch.signal * gain_at(look, since_s)
    if look.pole_px[1] > 0.0:
        dx = shake(look, np.array([since_s]))[0, 0] if look.shake_px > 0.0 else 0.0
        cover = behind_pole(look, stage.view.shape[1])
        columns = np.arange(signal.shape[1]) + patch.left - dx
        share = 1.0 - np.interp(columns, np.arange(len(cover)), cover)
        signal = signal * share
    return Patch(top=patch.top, left=patch.left, signal=signal, veil=patch.veil)


def gain_at(look: Look, since_s: float) -> float:
    """Return by how much everything is brighter than at first, so long after mid-course."""
    return look.gain if since_s >= look.gain_s else 1.0


def _shifted(view: Floats, away_px: Floats) -> Floats:
    """Shift each row of a picture (h, w) by where the tripod was when it was read (h, 2).

    By cubic splines: the cubic kernel of OpenCV moves a slope by up to a twentieth of a pixel more
    or less than it should.
    """
    height, width = view.shape
    y, x = np.mgrid[:height, :width].astype(np.float64)
    places = [y - away_px[:, 1:], x - away_px[:, :1]]
    return np.asarray(map_coordinates(view, places, order=3, mode="reflect"))


def _drifting(clouds: Floats, look: Look, since_s: float) -> Floats:
    height, width = clouds.shape[0], clouds.shape[1] // 2
    move = np.array([[1.0, 0.0, -width / 2.0 + CLOUD_PX_S * since_s], [0.0, 1.0, 0.0]])
    moved = cv2.warpAffine(clouds, move, (width, height), flags=cv2.INTER_LINEAR)
    return np.asarray(np.clip(1.0 + look.clouds * moved, 0.1, None))


def _waving(grass: tuple[Floats, Floats], look: Look, since_s: float) -> Floats:
    phase = 2.0 * np.pi * WIND_HZ * since_s
    return np.asarray(
        np.clip(1.0 + look.wind * (grass[0] * np.cos(phase) + grass[1] * np.sin(phase)), 0.1, None)
    )


def _flagged(view: Floats, corner: tuple[int, int], since_s: float) -> Floats:
    """Lay a flag over the picture, along which waves run."""
    wide, high = FLAG_PX
    left, top = corner
    x, y = np.meshgrid(np.arange(wide), np.arange(high))
    wave = np.sin(x / 3.0 + y / 9.0 - 2.0 * np.pi * FLAG_HZ * since_s)
    flown = view.copy()
    part = flown[top : top + high, left : left + wide]
    part *= (1.6 + 1.2 * wave)[: part.shape[0], : part.shape[1]]
    return flown
