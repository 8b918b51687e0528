"""Move a pick to the exact place of what was meant: the middle of a lamp, the corner of a board."""

from __future__ import annotations

import cv2
import numpy as np

from vidspeed.errors import CalibrationError
from vidspeed.values import Floats, Picture

REACH_PX = 7  # around the pointer
LEAST_RISE = 12.0  # grey levels that a lamp must stand out by
LEAST_TURN = 6.0  # grey levels that the quarters about a corner must differ by


def snap_lamp(picture: Picture, xy_px: Floats) -> Floats:
    """Return the middle (2,) of the bright spot near `xy_px` (2,), picture frame.

    The brightness above its surroundings is weighed, again and again about the place just found.
    Raises CalibrationError where nothing bright is near.
    """
    place = np.asarray(xy_px, dtype=np.float64)
    for _ in range(20):
        patch, corner = _patch(picture, place)
        dark = float(np.median(patch))
        rise = np.clip(patch - dark - 0.25 * (float(patch.max()) - dark), 0.0, None)
        if float(patch.max()) - dark < LEAST_RISE:
            raise CalibrationError("no lamp near the pointer; point at it more closely")
        y, x = np.indices(patch.shape)
        found = corner + np.array([(rise * x).sum(), (rise * y).sum()]) / rise.sum()
        if np.linalg.norm(found - place) < 0.005:
            break
        place = found
    return np.asarray(found)


def snap_corner(picture: Picture, xy_px: Floats) -> Floats:
    """Return the corner (2,) between light and dark quarters near `xy_px` (2,), picture frame.

    By the gradients around it (W. Foerstner, E. Guelch, ISPRS Intercommission Workshop, 1987).
    Raises CalibrationError where no corner is near.
    """
    patch, _ = _patch(picture, np.asarray(xy_px, dtype=np.float64))
    if float(patch.std()) < LEAST_TURN:
        raise CalibrationError("no corner near the pointer; point at it more closely")
    start = np.array([[xy_px]], dtype=np.float32)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-3)
    found = cv2.cornerSubPix(picture, start, (5, 5), (-1, -1), stop)[0, 0].astype(np.float64)
    if np.linalg.norm(found - xy_px) > REACH_PX:
        raise CalibrationError("no corner near the pointer; point at it more closely")
    return np.asarray(found)


def _patch(picture: Picture, place: Floats) -> tuple[Floats, Floats]:
    """Return the grey levels around a place, and where their first pixel is."""
    height, width = picture.shape
    x, y = np.rint(place).astype(int)
    left, top = max(x - REACH_PX, 0), max(y - REACH_PX, 0)
    patch = picture[top : min(y + REACH_PX + 1, height), left : min(x + REACH_PX + 1, width)]
    if patch.size == 0:
        raise CalibrationError("that is outside the picture")
    return patch.astype(np.float64), np.array([left, top], dtype=np.float64)
