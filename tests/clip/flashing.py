"""Clips of a flashing lamp with a known truth: exposure, read-out and clock worked out exactly.

Nothing here is shared with what measures such clips. The lamp is lit for `lit_s` from every
whole 1/hz on; what a row collects is the time lit within its exposure, in closed form.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from vidspeed.clip.write import even_stamps, write_clip


@dataclass
class Lamp:
    hz: float = 1.0
    lit_s: float = 0.5
    depth: float = 1.0  # 1: goes out wholly; sine: depth of the ripple
    sine: bool = False  # brightness 1 + depth sin(2 pi hz t), as of a lamp on the mains
    wander: float = 0.0  # relative change of the rate across the clip, as a sine (mains)
    big: bool = False  # fills the picture
    xy: tuple[float, float] = (40.0, 30.0)
    width: float = 2.5
    light: float = 0.45  # linear, of 1 at full scale

    def collected(self, start_s, stop_s):
        """Return the mean brightness between two times."""
        return (self._until(stop_s) - self._until(start_s)) / (stop_s - start_s)

    def _until(self, time_s):
        if self.sine:
            turn = 2.0 * np.pi * self.hz
            return time_s - self.depth * np.cos(turn * time_s + self.wander_at(time_s)) / turn
        period = 1.0 / self.hz
        whole = np.floor(time_s / period)
        return whole * self.lit_s + np.minimum(time_s - whole * period, self.lit_s)

    def wander_at(self, time_s):
        return 2.0 * np.pi * self.hz * self.wander * 10.0 * np.sin(time_s / 10.0)


@dataclass
class Filmed:
    """A camera: `ppm` as the contract has it, true seconds over stamped seconds less one."""

    lamp: Lamp
    seconds: float = 60.0
    rate: Fraction = Fraction(30)
    ppm: float = 0.0
    drift_ppm_per_min: float = 0.0
    exposure_s: float = 0.010
    readout_s: float = 0.018
    start_s: float = 0.3217
    shape: tuple[int, int] = (64, 96)
    gamma: float = 1.0  # level = 255 * linear ** gamma
    dark: float = 0.02  # linear light without the lamp
    noise: float = 1.5  # levels
    shot: float = 0.0  # levels at full scale, growing with the root of the light
    seed: int = 0
    dusk: float = 0.0  # share of the dark light that is gone at the end
    fade: float = 0.0  # share of the lamp's light that is gone at the end

    def true_s(self, stamp_s):
        """Return the true time of a stamp."""
        middle = self.seconds / 2.0
        bent = 0.5e-6 * self.drift_ppm_per_min / 60.0 * ((stamp_s - middle) ** 2 - middle**2)
        return self.start_s + stamp_s * (1.0 + 1e-6 * self.ppm) + bent

    def stamps(self):
        return even_stamps(round(self.seconds * float(self.rate)), self.rate)

    def frames(self):
        rng = np.random.default_rng(self.seed)
        height, width = self.shape
        y, x = np.mgrid[0:height, 0:width]
        lamp = self.lamp
        if lamp.big:
            spread = 0.6 + 0.4 * np.exp(
                -(((x - 0.4 * width) / width) ** 2) - ((y / height) - 0.5) ** 2
            )
        else:
            spread = np.exp(-((x - lamp.xy[0]) ** 2 + (y - lamp.xy[1]) ** 2) / 2 / lamp.width**2)
        row = np.arange(height) / height
        for stamp_s in self.stamps().time_s:
            opened = self.true_s(stamp_s + self.readout_s * row)
            closed = self.true_s(stamp_s + self.readout_s * row + self.exposure_s)
            seen = lamp.collected(opened, closed)
            gone = stamp_s / self.seconds
            shine = lamp.light * (1.0 - self.fade * gone)
            light = self.dark * (1.0 - self.dusk * gone) + shine * spread * seen[:, None]
            level = 255.0 * np.clip(light, 0.0, 1.0) ** self.gamma
            noise = np.sqrt(self.noise**2 + self.shot**2 * light)
            level = level + noise * rng.standard_normal(self.shape)
            yield np.clip(np.rint(level), 0, 255).astype(np.uint8)


def film(path: Path, filmed: Filmed, **options) -> Path:
    write_clip(path, filmed.frames(), stamps=filmed.stamps(), full_range=True, **options)
    return path
