"""How well the lights of a clip could be placed at all: the Cramér-Rao bound of each.

From the truth of a rendered clip and the renderer's noise, for the picture before it is encoded:
what a lossy codec takes away is not in it. Each light is a line segment blurred by the lamp's
image, at the true path, over the true background; its unknowns are middle, half vector and flux,
so that the middle is as sure as it can be with the length unknown (for a spot and for a long
streak this is the theory of `spot_u_px` and `streak_u_px`). The noise of a pixel is shot, read
and rounding noise; a pixel that the sensor clips is a censored observation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from bench_truth import Floats
from scipy.special import ndtr

from vidspeed.geometry.lens import project
from vidspeed.render.clip import ClipPlan, Places, light_places
from vidspeed.render.flight import Flight, position
from vidspeed.render.scene import Look, SceneCamera, pose_of

STEP_SIGMAS = 0.4  # of the lamp's image, between the steps along a streak
REACH_SIGMAS = 4.5
HALF_SD_PX = 100.0  # next to nothing is known of a light's half vector and of its flux
FLUX_SD = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LightBounds:
    """The lights of a clip: true places, covariance bounds (n, 2, 2) px2, peaks over the noise."""

    places: Places
    covariance_px2: Floats
    peak_sigmas: Floats


def light_bounds(camera: SceneCamera, flight: Flight, plan: ClipPlan, view: Floats) -> LightBounds:
    """Return the bound of every light whose middle is in the picture.

    `view` (h, w) is the signal of what stands still. A clip that is stored turned is refused.
    """
    if camera.rotation_deg:
        raise ValueError("the bound is worked out for pictures stored as they are shown")
    places = light_places(camera, flight, plan)
    pose = pose_of(camera)
    ends = [
        project(position(flight, places.world_s + side * camera.exposure_s / 2), pose, camera.lens)
        for side in (-1.0, 1.0)
    ]
    range_m = np.linalg.norm(position(flight, places.world_s) - pose.position_m, axis=1)
    look = camera.look
    still = look.lamp_signal * 2.0 * np.pi * look.spot_px**2
    flux = still * (look.reference_m / range_m) ** 2
    found = [
        bound(look, view, middle, half, float(light))
        for middle, half, light in zip(places.xy_px, (ends[1] - ends[0]) / 2.0, flux, strict=True)
    ]
    return LightBounds(
        places=places,
        covariance_px2=np.array([one[0] for one in found]).reshape(-1, 2, 2),
        peak_sigmas=np.array([one[1] for one in found]),
    )


def bound(
    look: Look, view: Floats, middle_px: Floats, half_px: Floats, flux: float
) -> tuple[Floats, float]:
    """Return the covariance (2, 2) of a light's middle, px2, and its peak over the noise."""
    columns = _span(middle_px[0], half_px[0], look, view.shape[1])
    rows = _span(middle_px[1], half_px[1], look, view.shape[0])
    picture, slopes = streak(look, rows, columns, middle_px, half_px)
    behind = view[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    weight = information(look, behind + flux * picture)
    slopes = flux * np.concatenate([slopes, picture[None]])  # the last: by the flux's logarithm
    fisher = np.einsum("ahw,hw,bhw->ab", slopes, weight, slopes)
    fisher += np.diag([0.0, 0.0, HALF_SD_PX**-2, HALF_SD_PX**-2, FLUX_SD**-2])
    top = np.unravel_index(int(np.argmax(picture)), picture.shape)
    peak = flux * picture[top] / np.sqrt(variance(look, behind[top]))
    return np.linalg.inv(fisher)[:2, :2], float(peak)


def streak(
    look: Look, rows: Floats, columns: Floats, middle_px: Floats, half_px: Floats
) -> tuple[Floats, Floats]:
    """Return the share of the light that each pixel gathers (h, w), and its slopes (4, h, w).

    The slopes are by the middle's x and y and the half vector's x and y.
    """
    length = 2.0 * float(np.linalg.norm(half_px))
    count = max(int(np.ceil(length / (STEP_SIGMAS * look.spot_px))), 1)
    along = (np.arange(count) + 0.5) / count * 2.0 - 1.0
    xy = middle_px + along[:, None] * half_px
    picture = np.zeros((len(rows), len(columns)))
    slopes = np.zeros((4, *picture.shape))
    halo = ((1.0 - look.halo_share, look.spot_px), (look.halo_share, look.halo_px))
    for share, sigma in halo:
        in_x, by_x = _shares(columns, xy[:, 0], sigma)
        in_y, by_y = _shares(rows, xy[:, 1], sigma)
        part = share / count
        picture += part * in_y @ in_x.T
        slopes[0] += part * in_y @ by_x.T
        slopes[1] += part * by_y @ in_x.T
        slopes[2] += part * (in_y * along) @ by_x.T
        slopes[3] += part * (by_y * along) @ in_x.T
    return picture, slopes


def information(look: Look, mean: Floats) -> Floats:
    """Return what one pixel tells of its mean signal: 1 over the variance, less where clipped.

    A normal observation that is cut off at c tells P(a) - a p(a) + p(a)^2/(1 - P(a)) of what a
    whole one would, a = (c - mean)/sigma (A. C. Cohen, "Truncated and Censored Samples", 1991).
    """
    spread = np.sqrt(variance(look, mean))
    told = np.ones_like(mean)
    for room in ((1.0 - mean) / spread, mean / spread):
        a = np.clip(room, -8.0, 8.0)
        p = np.exp(-0.5 * a**2) / np.sqrt(2.0 * np.pi)
        told *= ndtr(a) - a * p + p**2 / ndtr(-a)
    return told / spread**2


def variance(look: Look, mean: Floats) -> Floats:
    """Return the variance of a pixel's signal: shot, read, and rounding to whole luma levels."""
    inside = np.clip(mean, 0.0, 1.0)
    levels = 255.0 if look.full_range else 219.0
    # the slope of the sRGB curve (IEC 61966-2-1)
    steep = 1.055 / 2.4 * np.maximum(inside, 0.0031308) ** (1.0 / 2.4 - 1.0)
    slope = levels * np.where(inside <= 0.0031308, 12.92, steep)
    shot = np.maximum(mean, 0.0) / look.full_well_e
    return np.asarray(shot + (look.read_noise_e / look.full_well_e) ** 2 + 1.0 / 12.0 / slope**2)


def spot_u_px(noise_over_peak: float) -> float:
    """Return u of a well sampled spot's middle in even noise: sqrt(2/pi) of noise over peak."""
    return float(np.sqrt(2.0 / np.pi)) * noise_over_peak


def streak_u_px(noise_over_peak: float) -> float:
    """Return u of a long streak's middle along itself in even noise: that of noise over peak.

    Each end sqrt(2) noise/peak, independently of the other.
    """
    return noise_over_peak


def _span(middle: float, half: float, look: Look, size: int) -> Floats:
    """Return the pixels within reach of the streak and in the picture."""
    reach = REACH_SIGMAS * max(look.spot_px, 0.6 * look.halo_px) + abs(half)
    low = min(max(int(np.floor(middle - reach)), 0), size - 1)
    high = max(min(int(np.ceil(middle + reach)), size - 1), low)
    return np.arange(low, high + 1)


def _shares(pixels: Floats, centre: Floats, sigma: float) -> tuple[Floats, Floats]:
    """Return the share (m, n) of a Gaussian at each centre in each pixel, and its slope."""
    edges = (np.append(pixels - 0.5, pixels[-1] + 0.5)[:, None] - centre) / sigma
    bell = np.exp(-0.5 * edges**2) / np.sqrt(2.0 * np.pi)
    return np.diff(ndtr(edges), axis=0), -np.diff(bell, axis=0) / sigma
