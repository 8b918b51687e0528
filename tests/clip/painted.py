"""Simple clips with a known truth for the tests of this room: noise, spots and streaks in NumPy."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import numpy as np

from vidspeed.clip.write import Stamps, even_stamps, write_clip


def streak_picture(shape, xy, half, width, peak, slope=0.0, points=120):
    """Paint a streak as the mean of many Gaussian spots along it (h, w)."""
    steps = (np.arange(points) + 0.5) / points * 2.0 - 1.0
    weight = (1.0 + 0.5 * slope * steps) / points
    x = xy[0] + steps * half[0]
    y = xy[1] + steps * half[1]
    across = np.exp(-0.5 * ((np.arange(shape[1])[None, :] - x[:, None]) / width) ** 2)
    down = np.exp(-0.5 * ((np.arange(shape[0])[None, :] - y[:, None]) / width) ** 2)
    return peak * (down * weight[:, None]).T @ across


@dataclass
class Flyer:
    """A lamp that moves steadily; `xy(k)` is where it is in the middle of frame k's exposure."""

    start: tuple[float, float] = (30.0, 60.0)
    step: tuple[float, float] = (9.0, 1.3)  # pixels a frame
    bend: float = 0.02  # pixels a frame, a frame
    peak: float = 70.0
    width: float = 1.4
    open_share: float = 0.1  # of the frame's time
    slope: float = 0.0
    frames: range | None = None  # in which it shines

    def xy(self, k):
        k = np.asarray(k, dtype=float)
        x = self.start[0] + self.step[0] * k + self.bend * k * k
        return np.stack([x, self.start[1] + self.step[1] * k], axis=-1)

    def half(self, k):
        return 0.5 * self.open_share * np.array([self.step[0] + 2 * self.bend * k, self.step[1]])

    def paint(self, shape, k):
        if self.frames is not None and k not in self.frames:
            return 0.0
        return streak_picture(shape, self.xy(k), self.half(k), self.width, self.peak, self.slope)


@dataclass
class Painting:
    """A clip's picture: what stands still, what moves, and the noise."""

    shape: tuple[int, int] = (180, 320)
    count: int = 30
    level: float = 40.0
    noise: float = 2.0
    lamps: int = 4
    seed: int = 0
    flyers: list[Flyer] = field(default_factory=lambda: [Flyer()])

    def frames(self):
        rng = np.random.default_rng(self.seed)
        ground = np.full(self.shape, float(self.level))
        for _ in range(self.lamps):
            place = rng.uniform(15, self.shape[1] - 15), rng.uniform(15, self.shape[0] - 15)
            ground += streak_picture(self.shape, place, (0.0, 0.0), 2.0, 90.0, points=1)
        for k in range(self.count):
            picture = ground + rng.normal(0.0, self.noise, self.shape)
            for flyer in self.flyers:
                picture = picture + flyer.paint(self.shape, k)
            yield np.clip(np.rint(picture), 0, 255).astype(np.uint8)


def paint_clip(path: Path, painting: Painting, *, stamps: Stamps | None = None, **options) -> Path:
    """Write a painting as a clip, 60 frames a second unless stamps are given; return its path."""
    stamps = stamps or even_stamps(painting.count, Fraction(60))
    write_clip(path, painting.frames(), stamps=stamps, **options)
    return path
