"""Lights with a known truth: spots as a camera sees them, and parts of exposures that were lit."""

from __future__ import annotations

import numpy as np

from vidspeed.clip.light.flashing import Streaks
from vidspeed.clip.spots.lights import Spot

INTERVAL_S = 1.0 / 60.0
EXPOSURE_S = 0.010
SPEED = 1200.0
SURE = 7.0


def seen(frames, parts, *, resolved=True, snr=40.0, noise=None, off_s=0.0):
    """Return streaks whose lengths and light are as the lit parts say."""
    count = len(frames)
    full = SPEED * EXPOSURE_S
    length = full * parts + (0.0 if noise is None else 0.2 * noise.standard_normal(count))
    time_s = np.asarray(frames) * INTERVAL_S
    return Streaks(
        frame=np.asarray(frames),
        time_s=time_s,
        xy_px=np.column_stack([SPEED * (time_s + off_s), np.full(count, 90.0)]),
        velocity=np.tile([SPEED, 0.0], (count, 1)),
        length_px=length,
        length_u_px=np.full(count, 0.2),
        width_px=np.full(count, 1.5 if resolved else 15.0),
        gathered=np.asarray(parts, dtype=float),
        snr=np.full(count, snr),
    )


def flashed(hz, duty, count=60, phase=0.13):
    """Return frames that see a flashing lamp, the lit part of each and where its middle is."""
    frames, parts, off_s = [], [], []
    for k in range(count):
        fine = k * INTERVAL_S + (np.arange(2000) + 0.5) / 2000 * EXPOSURE_S
        lit = fine[(fine * hz + phase) % 1.0 < duty]
        if len(lit) > 100:
            frames.append(k)
            parts.append(len(lit) / 2000)
            off_s.append(lit.mean() - (k * INTERVAL_S + 0.5 * EXPOSURE_S))
    return np.array(frames), np.array(parts), np.array(off_s)


def spot_in(rng, frame, clean, corner, ends, *, width, ground=40.0, noise=2.0, cut=False):
    """Return the spot from one of `ends` (2, 2) to the other in a patch (h, w) without noise.

    `corner` (x, y) is where the patch lies in the picture.
    """
    peak = float(clean.max() - ground)
    luma = np.clip(np.rint(clean + rng.normal(0.0, noise, clean.shape)), 0, 255).astype(np.uint8)
    past = np.rint(rng.normal(ground, noise, (9, *clean.shape))).astype(np.uint8)
    return Spot(
        frame=frame, time_s=frame * INTERVAL_S, xy_px=np.mean(ends, axis=0),
        half_px=(ends[1] - ends[0]) / 2, sigma_px=width, peak=peak, snr=peak / noise,
        corner_px=(int(corner[0]), int(corner[1])), luma=luma, past=past,
        own=np.ones(clean.shape, bool), cut=cut,
    )  # fmt: skip
