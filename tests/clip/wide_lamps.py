"""Lamps that saturate widely, painted by adding up light: nothing here is shared with the fit.

A lamp is a disc with a soft rim, or a Gaussian core, each with a veil around it where that is
asked for. It moves during the exposure, its light is added up at places a fraction of a pixel
apart, at several places within each pixel, and what is more than white is white.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np

from tests.clip.light.lit import spot_in
from vidspeed.clip.write import even_stamps, write_clip

WHITE, GROUND = 235.0, 32.0  # levels
FINE = 3  # places in a pixel, along each side, whose light is averaged
TABLE = 0.05  # pixels from one entry of a profile's table to the next


@dataclass
class WideLamp:
    """A lamp that is `over` times as bright as white, less the ground, in its middle.

    `bloom` are the parts by which it reaches farther to the left, right, top and bottom.
    """

    radius: float = 20.0
    soft: float = 2.0  # standard deviation of the rim's blur
    over: float = 3.0
    veil: float = 0.0  # light of the veil over that of the middle
    veil_px: float = 40.0
    bloom: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    core: bool = False  # a Gaussian core that is white out to the radius, instead of a disc

    def table(self, reach: float):
        """Return the light by distance, in steps of `TABLE`."""
        far = np.arange(0.0, reach, TABLE)
        if self.core:
            width = self.radius / np.sqrt(2.0 * np.log(max(self.over, 1.01)))
            light = np.exp(-0.5 * (far / width) ** 2)
        else:
            steps = np.arange(-4.0 * self.soft, 4.0 * self.soft + 1e-9, self.soft / 25.0)
            bell = np.exp(-0.5 * (steps / self.soft) ** 2)
            rise = np.cumsum(bell) / bell.sum()
            light = 1.0 - np.interp(far - self.radius, steps, rise)
        return light + self.veil * np.exp(-far / self.veil_px)

    def paint(self, shape, xy, half=(0.0, 0.0)):
        """Return its light over white (h, w), with its middle at `xy`, moving by twice `half`."""
        spread = 5.0 * self.soft if not self.core else 3.0 * self.radius
        wide = 1.15 * self.radius + spread + (7.0 * self.veil_px if self.veil else 0.0)
        reach_x, reach_y = wide + abs(half[0]), wide + abs(half[1])
        left, right = (int(np.clip(xy[0] + s * reach_x, 0, shape[1])) for s in (-1, 1))
        top, bottom = (int(np.clip(xy[1] + s * reach_y, 0, shape[0])) for s in (-1, 1))
        light = np.zeros(shape)
        if left >= right or top >= bottom:
            return light
        inner = (np.arange(FINE) + 0.5) / FINE - 0.5
        x = (np.arange(left, right)[:, None] + inner).ravel()
        y = (np.arange(top, bottom)[:, None] + inner).ravel()
        count = max(1, int(np.ceil(np.hypot(*half) * 2.0 / min(max(0.5 * self.soft, 0.5), 4.0))))
        steps = (np.arange(count) + 0.5) / count * 2.0 - 1.0
        table = self.table(2.0 * (reach_x + reach_y) + 10.0).astype(np.float32)
        total = np.zeros((len(y), len(x)), dtype=np.float32)
        to_left, to_right, to_top, to_bottom = 1.0 + np.array(self.bloom)
        for step in steps:
            dx, dy = x - xy[0] - step * half[0], y - xy[1] - step * half[1]
            dx, dy = (
                dx / np.where(dx < 0, to_left, to_right),
                dy / np.where(dy < 0, to_top, to_bottom),
            )
            far = np.sqrt((dx**2)[None, :] + (dy**2)[:, None])
            total += table[(far / TABLE + 0.5).astype(np.int32)]
        total = total.reshape(bottom - top, FINE, right - left, FINE).mean(axis=(1, 3)) / count
        light[top:bottom, left:right] = self.over * total
        return light


@dataclass
class Night:
    """A clip of a lamp that flies by: `xy(k)` is its middle at mid-exposure of frame k."""

    lamp: WideLamp = field(default_factory=WideLamp)
    shape: tuple[int, int] = (360, 640)
    start: tuple[float, float] = (80.0, 170.0)
    step: tuple[float, float] = (20.0, 0.7)
    open_share: float = 0.1
    first: int = 12  # frame in which it appears
    lit: int = 22  # frames in which it is seen
    count: int = 46
    level: float = 30.0
    white: float = WHITE
    noise: float = 2.0
    seed: int = 0

    def xy(self, k):
        k = np.asarray(k, dtype=float)[..., None] - self.first
        return np.array(self.start) + k * np.array(self.step)

    def half(self):
        return 0.5 * self.open_share * np.array(self.step)

    def frames(self):
        rng = np.random.default_rng(self.seed)
        ground = self.level + 12.0 * rng.random((self.shape[0] // 8 + 1, self.shape[1] // 8 + 1))
        ground = np.kron(ground, np.ones((8, 8)))[: self.shape[0], : self.shape[1]]
        for k in range(self.count):
            picture = ground
            if self.first <= k < self.first + self.lit:
                light = self.lamp.paint(self.shape, self.xy(k), self.half())
                picture = ground + (self.white - self.level) * light
            seen = picture + rng.normal(0.0, self.noise, self.shape)
            yield np.clip(np.rint(seen), 0, self.white).astype(np.uint8)


def wide_clip(path, night, **options):
    """Write a clip of a lamp at night, 60 frames a second; return its path."""
    write_clip(path, night.frames(), stamps=even_stamps(night.count, Fraction(60)), **options)
    return path


def wide_spots(rng, lamp, speed, open_share, *, frames=range(7), noise=2.0, turn=None, cut=0.0):
    """Return spots of a lamp that moves by `speed` a frame, their true places, and the way (2,).

    `lamp` may be a function of the frame; `cut` of each patch is beyond the picture's left edge.
    """
    turn = rng.uniform(0.0, 2.0 * np.pi) if turn is None else turn
    ahead = np.array([np.cos(turn), np.sin(turn)])
    half, spots, true = 0.5 * open_share * speed * ahead, [], []
    for k in frames:
        one = lamp(k) if callable(lamp) else lamp
        reach = 3.0 * one.radius if one.core else 1.2 * one.radius + 5.0 * one.soft
        side = int(2.0 * (reach + 15.0 + np.hypot(*half)))
        xy = np.full(2, side / 2.0) + rng.uniform(-0.5, 0.5, 2)
        corner = np.rint(np.array([1000.0, 500.0]) + k * speed * ahead).astype(int)
        first = int(cut * side)
        clean = GROUND + (WHITE - GROUND) * one.paint((side, side), xy, half)[:, first:]
        corner[0] += first
        xy = xy - [first, 0]
        ends = np.array([xy - half, xy + half]) + corner
        spot = spot_in(rng, k, clean, corner, ends, width=2.0, ground=GROUND, noise=noise)
        luma = np.minimum(spot.luma, WHITE).astype(np.uint8)
        spots.append(replace(spot, luma=luma, peak=WHITE - GROUND, snr=(WHITE - GROUND) / noise))
        true.append(xy + corner)
    return spots, np.array(true), ahead


def errors_of(lights, spots, true, ahead):
    """Return the errors along and across the way (n, 2) of lights, and what is stated of them."""
    axes = np.array([ahead, [-ahead[1], ahead[0]]])
    place = {spot.frame: at for spot, at in zip(spots, true, strict=True)}
    off = [axes @ (light.xy_px - place[light.spot.frame]) for light in lights]
    u = [np.sqrt(np.diag(axes @ light.cov_px2 @ axes.T)) for light in lights]
    return np.array(off), np.array(u)
