"""Veiling glare: a bright lamp's light scattered in the lens over the whole picture.

Dust, smears and the glasses' own surfaces scatter a small share of the light to everywhere, more
of it near the lamp. It is added to the signal, so that the transfer curve lifts dark parts most.
"""

from __future__ import annotations

import numpy as np

from vidspeed.geometry.lens import camera_points
from vidspeed.render.flight import Flight, Wander, position
from vidspeed.render.picture import Patch, lit_share, seen_at
from vidspeed.render.scene import SceneCamera, pose_of
from vidspeed.values import Floats

EVEN = 0.5  # of the veil lies evenly over the picture, the rest about the lamp
WIDE, NEAR_AXIS = 0.3, 0.5  # of the picture's longer side: that rest, and where the veil is strong
TREMBLE = ((17.0, 0.25), (41.0, 0.2))  # Hz and share: the beam swings as the craft shakes


def glare_patch(camera: SceneCamera, flight: Flight | Wander, open_s: float) -> Patch | None:
    """Return the veil of a lamp in the frame whose first row opens at world time `open_s`.

    None where there is none. The lamp may be out of the picture, but not behind the camera.
    """
    look = camera.look
    middle = np.array([open_s + 0.5 * (camera.readout_s + camera.exposure_s)])
    if look.glare <= 0.0 or camera_points(position(flight, middle), pose_of(camera))[0, 2] <= 0.0:
        return None
    (lamp,) = seen_at(camera, pose_of(camera), flight, middle)
    if not np.isfinite(lamp).all():
        return None
    width, height = camera.stored_size_px
    longer = float(max(width, height))
    off_axis = float(np.linalg.norm(lamp - np.array([width, height]) / 2.0)) / longer
    since = middle - flight.epoch_s
    strength = look.glare * float(lit_share(look, since, camera.exposure_s)[0])
    strength *= _trembling(float(since[0])) * float(np.exp(-0.5 * (off_axis / NEAR_AXIS) ** 2))
    across, down = (
        np.exp(-0.5 * ((np.arange(size) - place) / (WIDE * longer)) ** 2)
        for size, place in ((width, lamp[0]), (height, lamp[1]))
    )
    veil: Floats = strength * (EVEN + (1.0 - EVEN) * np.outer(down, across))
    return Patch(top=0, left=0, signal=veil)


def _trembling(since_s: float) -> float:
    """Return how bright the beam is towards the camera, about 1."""
    return 1.0 + float(sum(share * np.sin(2.0 * np.pi * hz * since_s) for hz, share in TREMBLE))
