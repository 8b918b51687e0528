"""What stands still in the picture: sky, ground, a dark edge of trees, markers, lamps."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.random import Generator
from scipy.special import ndtr

from vidspeed.geometry.lens import project
from vidspeed.render.scene import SceneCamera, StaticLamp, pose_of
from vidspeed.values import Bools, Floats, Marker

# Signal of the sky at the horizon and overhead, of the ground, and the contrast of its texture.
LEVELS = {
    "day": (0.45, 0.30, 0.16, 0.35),
    "dusk": (0.060, 0.025, 0.012, 0.35),
    "dark": (0.0022, 0.0014, 0.0009, 0.35),
}
TREES_RAD = 0.03  # height of the edge of trees above the horizon


def background(
    camera: SceneCamera, markers: Sequence[Marker], lamps: Sequence[StaticLamp], rng: Generator
) -> Floats:
    """Return the linear signal (h, w) of everything that stands still, as stored."""
    scene = _landscape(camera, rng)
    look = camera.look
    spots = [(lamp.xyz_m, lamp.signal) for lamp in lamps]
    for place, signal in spots:
        range_m = float(np.linalg.norm(place - camera.position_m))
        _add_spot(scene, camera, place, signal * (look.reference_m / range_m) ** 2)
    for marker in markers:
        _add_spot(scene, camera, marker.xyz_m, look.marker_signal)
    return np.ascontiguousarray(np.rot90(scene, -(camera.rotation_deg // 90)))


def _landscape(camera: SceneCamera, rng: Generator) -> Floats:
    """Return sky over textured ground, parted where the camera sees the horizon."""
    horizon, overhead, ground, contrast = LEVELS[camera.look.background]
    height, width = camera.image_size_px[1], camera.image_size_px[0]
    elevation = _elevation(camera)
    skyline = TREES_RAD * (0.6 + 0.5 * texture(1, width, rng, finest=8)[0])
    sky = horizon + (overhead - horizon) * np.clip(elevation / 0.5, 0.0, 1.0)
    grain = texture(height, width, rng, finest=2)
    land = ground * np.clip(1.0 + contrast * grain, 0.1, None)
    trees = 0.4 * land
    scene = np.where(elevation > skyline, sky, np.where(elevation > 0.0, trees, land))
    return np.asarray(cv2.GaussianBlur(scene, (0, 0), 0.8), np.float64)


def above_skyline(camera: SceneCamera) -> Bools:
    """Say of which pixels (h, w), as stored, the sky is behind."""
    return np.rot90(_elevation(camera) > TREES_RAD, -(camera.rotation_deg // 90))


def _elevation(camera: SceneCamera) -> Floats:
    """Return how far above the horizon each pixel (h, w) looks, radians, distortion left out."""
    width, height = camera.image_size_px
    fx, fy, cx, cy = camera.lens[:4]
    x, y = np.meshgrid((np.arange(width) - cx) / fx, (np.arange(height) - cy) / fy)
    up = pose_of(camera).camera_from_course[:, 2]
    return np.asarray(np.arcsin((x * up[0] + y * up[1] + up[2]) / np.sqrt(x * x + y * y + 1.0)))


def texture(height: int, width: int, rng: Generator, finest: int) -> Floats:
    """Return smooth noise (h, w) of about unit spread, with detail from large to `finest` px."""
    total = np.zeros((height, width))
    cell, weight = 128, 1.0
    while cell >= finest:
        shape = (height // cell + 2, width // cell + 2)
        coarse = rng.standard_normal(shape)
        total += weight * cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
        cell, weight = cell // 2, weight * 0.8
    return np.asarray(total / 2.0)


def _add_spot(scene: Floats, camera: SceneCamera, place_m: Floats, signal: float) -> None:
    """Add the image of a point that stands still, its middle at `signal`."""
    xy = project(place_m[None, :], pose_of(camera), camera.lens)[0]
    height, width = scene.shape
    sigma = camera.look.spot_px
    if not np.all(np.isfinite(xy)) or not np.all((xy > -9.0) & (xy < [width + 9, height + 9])):
        return
    shares = []
    for centre, size in ((xy[1], height), (xy[0], width)):
        edges = np.arange(size + 1) - 0.5
        shares.append(np.diff(ndtr((edges - centre) / sigma)))
    scene += signal * 2.0 * np.pi * sigma**2 * np.outer(shares[0], shares[1])
