"""What of a lamp's light is left in the decoded picture: a matched filter at its true place."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from vidspeed.clip.read import ClipReader
from vidspeed.render.around import hidden, set_stage
from vidspeed.render.clip import ClipPlan, light_places
from vidspeed.render.flight import Flight
from vidspeed.render.picture import Patch, exposed, luma_of
from vidspeed.render.scene import SceneCamera, pose_of
from vidspeed.values import Bools, Floats

LIT = 0.35  # of a frame's usual peak: below it the lamp is off or hidden in that frame
OWN = 0.1  # of the peak: pixels that count


def amplitudes(
    camera: SceneCamera, flight: Flight, plan: ClipPlan, view: Floats, path: Path
) -> tuple[Floats, Floats, float, Bools]:
    """Return rendered peaks and decoded amplitudes (n,) in luma levels, the noise, and what is lit.

    One for each frame on the course. The noise is the standard deviation of the luma that the
    renderer adds where the light is, of the median frame.
    """
    stage = set_stage(camera, view, np.random.default_rng(0))
    places = light_places(camera, flight, plan)
    on = (places.world_s - flight.epoch_s >= flight.gates_s.min()) & (
        places.world_s - flight.epoch_s <= flight.gates_s.max()
    )
    decoded = _decoded(path)
    still = np.median(decoded[:: max(len(decoded) // 15, 1)], axis=0)
    peaks, left, noises = [], [], []
    for frame in places.frame[on]:
        opens = float(plan.open_s[frame])
        patch = exposed(camera, pose_of(camera), flight, opens)
        if patch is None:
            peaks.append(0.0)
            left.append(0.0)
            continue
        since = opens + 0.5 * camera.exposure_s - flight.epoch_s
        shape, noise = _template(camera, hidden(stage, patch, since), view)
        top, side = patch.top, patch.left
        part = np.s_[top : top + shape.shape[0], side : side + shape.shape[1]]
        away = decoded[frame][part] - still[part]
        own = np.abs(shape) > OWN * np.abs(shape).max()
        peak = float(shape[np.unravel_index(int(np.abs(shape).argmax()), shape.shape)])
        total = float(np.sum(shape[own] ** 2))
        peaks.append(peak)
        left.append(peak * float(np.sum(shape[own] * away[own])) / total if total > 0 else 0.0)
        noises.append(noise)
    peak = np.array(peaks)
    lit = np.abs(peak) > LIT * np.quantile(np.abs(peak), 0.9) if len(peak) else peak > 0
    return peak, np.array(left), float(np.median(noises or [1.0])), lit & (np.abs(peak) > 0.2)


def _template(camera: SceneCamera, patch: Patch, view: Floats) -> tuple[Floats, float]:
    """Return by how much a light raises the luma (h, w), and the noise of a pixel beneath it."""
    behind = view[
        patch.top : patch.top + patch.signal.shape[0],
        patch.left : patch.left + patch.signal.shape[1],
    ]
    under = behind if patch.veil is None else behind * (1.0 - patch.veil)
    full = camera.look.full_range
    raised = _luma(under + patch.signal, full) - _luma(behind, full)
    spread = np.sqrt(
        behind / camera.look.full_well_e + (camera.look.read_noise_e / camera.look.full_well_e) ** 2
    )
    at = np.unravel_index(int(np.abs(raised).argmax()), raised.shape)
    level, sd = behind[at], spread[at]
    steep = (_luma(level + sd, full) - _luma(max(level - sd, 0.0), full)) / (
        level + sd - max(level - sd, 0.0)
    )
    return raised, float(np.hypot(steep * sd, np.sqrt(1.0 / 12.0)))


def _luma(signal: Floats | float, full_range: bool) -> Floats:
    """Return the luma before it is rounded: from finely spaced points of the renderer's curve."""
    fine = np.linspace(0.0, 1.0, 4097) ** 2
    exact = luma_of(fine, full_range).astype(float)
    steps = np.flatnonzero(np.diff(exact, prepend=exact[0] - 1.0))
    return np.asarray(np.interp(np.clip(signal, 0.0, 1.0), fine[steps], exact[steps] - 0.5))


def _decoded(path: Path) -> Floats:
    with ClipReader(path) as reader:
        return np.array([frame.luma for frame in reader.frames()], np.float32)
