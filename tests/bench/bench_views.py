"""Pictures of an invented landscape from a camera that turns and zooms, for the bench on moving.

The landscape lies on a plane of tangents far away, so that only turns and zooms move it. By day
it is a texture drawn once, finer than a pixel, and sampled through OpenCV's lens model; after
dark it is a handful of lamps, drawn as spots. Nothing here comes from what is judged.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

FINE = 2.0  # cells of the landscape in a pixel
BEYOND = 1.25  # how much larger than the picture the landscape is


@dataclass(kw_only=True)
class Eye:
    """A camera: size, focal length, Brown-Conrady coefficients; and how it has moved.

    The picture's shift is `shift` at the lens centre, `roll_rad` from +x to +y, `zoom`.
    """

    size: tuple[int, int] = (1280, 720)
    focal: float = 1000.0
    centre: tuple[float, float] = (641.0, 357.0)
    bent: tuple[float, ...] = (-0.02, 0.0, 0.0, 0.0, 0.0)
    shift: tuple[float, float] = (0.0, 0.0)
    roll_rad: float = 0.0
    zoom: float = 1.0

    @property
    def lens(self):
        """Return fx, fy, cx, cy, k1, k2, p1, p2, k3 of the view that did not move."""
        return np.array([self.focal, self.focal, *self.centre, *self.bent])

    def matrix(self, zoomed=True):
        focal = self.focal * (self.zoom if zoomed else 1.0)
        return np.array([[focal, 0, self.centre[0]], [0, focal, self.centre[1]], [0, 0, 1.0]])

    def turn(self):
        """Return the rotation from the view that did not move to this one."""
        vector = np.array([-self.shift[1] / self.focal, self.shift[0] / self.focal, self.roll_rad])
        return cv2.Rodrigues(vector)[0]

    def project(self, plane):
        """Return the pixels (n, 2) of places on the plane of tangents (n, 2)."""
        rays = np.column_stack([plane, np.ones(len(plane))])
        vector = cv2.Rodrigues(self.turn())[0]
        pixels, _ = cv2.projectPoints(
            rays[:, None], vector, np.zeros(3), self.matrix(), np.array(self.bent)
        )
        return pixels[:, 0]

    def plane_of(self, pixels):
        """Return the places on the plane of tangents (n, 2) of pixels (n, 2)."""
        flat = cv2.undistortPoints(
            np.ascontiguousarray(pixels, dtype=float)[:, None], self.matrix(), np.array(self.bent),
        )[:, 0]  # fmt: skip
        rays = np.column_stack([flat, np.ones(len(flat))]) @ self.turn()
        return rays[:, :2] / rays[:, 2:]

    def maps(self):
        """Return the places on the plane of tangents of every pixel, (h, w) each."""
        width, height = self.size
        grid = np.stack(np.meshgrid(np.arange(width), np.arange(height)), axis=-1)
        plane = self.plane_of(grid.reshape(-1, 2)).reshape(height, width, 2)
        return [plane[..., axis].astype(np.float32) for axis in (0, 1)]


@dataclass(kw_only=True)
class Landscape:
    """Texture by day, lamps after dark: both where they are on the plane of tangents."""

    texture: np.ndarray
    half: tuple[float, float]  # the texture reaches from -half to +half
    lamps: np.ndarray  # (n, 2) on the plane
    strength: np.ndarray  # (n,) luma levels after dark, may be above 255
    grass: np.ndarray = field(default_factory=lambda: np.zeros((1, 1), np.float32))


def landscape(rng, eye: Eye, lamps: int = 6) -> Landscape:
    """Invent a landscape: sky, an edge of trees, buildings, textured ground, lamps."""
    width, height = eye.size
    half = (BEYOND * 0.5 * width / eye.focal, BEYOND * 0.5 * height / eye.focal)
    columns, rows = int(FINE * BEYOND * width), int(FINE * BEYOND * height)
    skyline = 0.42 * rows + 0.03 * rows * noise(rng, 1, columns, 200)[0]
    down = np.arange(rows)[:, None]
    sky = 190.0 + 10.0 * noise(rng, rows, columns, 400)
    contrast = rng.uniform(10.0, 30.0)
    ground = 95.0 + sum(
        contrast * 0.6**k * noise(rng, rows, columns, cell)
        for k, cell in enumerate((160, 40, 12, 5))
    )
    picture = np.where(down < skyline, sky, ground)
    trees = (down > skyline - 0.05 * rows * (1 + noise(rng, 1, columns, 30)[0])) & (
        down < skyline + 12
    )
    picture = np.where(trees, 55.0 + 12.0 * noise(rng, rows, columns, 6), picture)
    for _ in range(int(rng.integers(3, 12))):
        x, y = int(rng.uniform(0, columns)), int(0.42 * rows)
        w, h = int(rng.uniform(10, 140)), int(rng.uniform(8, 90))
        picture[y - h : y + 8, x : x + w] = rng.uniform(60.0, 220.0)
    picture = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 0.9 * FINE)
    across = rng.uniform(-0.42 * width, 0.42 * width, lamps)
    xy = np.column_stack([across, rng.uniform(-0.12 * height, 0.4 * height, lamps)]) / eye.focal
    strength = np.exp(rng.uniform(np.log(25.0), np.log(600.0), lamps))
    grass = cv2.GaussianBlur(rng.standard_normal((rows, columns)).astype(np.float32), (0, 0), 2.0)
    return Landscape(texture=picture, half=half, lamps=xy, strength=strength, grass=grass)


def noise(rng, rows, columns, cell):
    """Return smooth noise of unit spread (rows, columns), `cell` cells from bump to bump."""
    coarse = rng.standard_normal((rows // cell + 3, columns // cell + 3)).astype(np.float32)
    grown = cv2.resize(coarse, (columns + 2 * cell, rows + 2 * cell), interpolation=cv2.INTER_CUBIC)
    return grown[cell : cell + rows, cell : cell + columns]


def by_day(land: Landscape, eye: Eye, *, gain=1.0, lamps=True):
    """Return the mean picture (h, w) float by day; lamps that are lit stand out of it."""
    x, y = eye.maps()
    rows, columns = land.texture.shape
    at_x = ((x / land.half[0] + 1.0) / 2.0 * columns - 0.5).astype(np.float32)
    at_y = ((y / land.half[1] + 1.0) / 2.0 * rows - 0.5).astype(np.float32)
    # not INTER_CUBIC: of OpenCV's, with a = -0.75, smooth pictures come out up to 0.048 cells off
    picture = gain * cv2.remap(land.texture, at_x, at_y, cv2.INTER_LINEAR,
                               borderMode=cv2.BORDER_REFLECT)  # fmt: skip
    return picture + spots(land, eye, 90.0 + 0.0 * land.strength) if lamps else picture


def by_night(land: Landscape, eye: Eye, *, level=8.0, lit=None, gain=1.0):
    """Return the mean picture (h, w) float after dark; `lit` (n,) says which lamps are on."""
    height = eye.size[1]
    glow = level + 6.0 * np.exp(-(((np.arange(height) / height - 0.4) / 0.1) ** 2))[:, None]
    strength = gain * land.strength * (1.0 if lit is None else lit)
    return glow + spots(land, eye, strength)


def spots(land: Landscape, eye: Eye, strength):
    """Return the lamps' light (h, w): a core and a wide glare."""
    width, height = eye.size
    total = np.zeros((height, width))
    across, down = np.arange(width), np.arange(height)
    for (x, y), peak in zip(eye.project(land.lamps), strength, strict=True):
        for share, sigma in ((1.0, 1.3), (0.02, 7.0)):
            total += (
                peak
                * share
                * np.outer(
                    np.exp(-0.5 * ((down - y) / sigma) ** 2),
                    np.exp(-0.5 * ((across - x) / sigma) ** 2),
                )
            )
    return total


def exposed(rng, mean, spread):
    """Return a frame (h, w) uint8 of a mean picture: noise, then levels of eight bits."""
    grain = spread * np.sqrt(0.3 + np.clip(mean, 0.0, None) / 120.0)
    noisy = mean + grain * rng.standard_normal(mean.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def middle(rng, mean, spread, count=9):
    """Return the median of some frames (h, w) uint8, as a background is made."""
    frames = [exposed(rng, mean, spread) for _ in range(count)]
    return np.median(frames, axis=0).astype(np.uint8)
