"""What a video coder does to a slow light: it holds it back, in every frame by about the same.

A coder that predicts a frame from the one before moves blocks by whole pixels and drops what is
left where that is small. A light that moves by d pixels a frame along an axis of the picture is
then off by a nearly constant amount against the sign of d less the nearest whole number. As that
error stays for as long as the sign does, no scatter shows it. Measured: `tests/bench/drag.py`.
"""

from __future__ import annotations

import numpy as np

from vidspeed.values import Floats, Track

HELD_STEP_PX = (14.0, 18.0)  # a frame: fully held below the first, no more above the second
SOFT_PX = 0.02  # a frame: nearer to a whole or half number the sign is not sure
DEGREE = 6  # of the polynomial that gives the motion


def drag_of(track: Track) -> Floats:
    """Return how two deviates of the coder's drag move the lights, (n, 2, 2), or (n, 2, 0).

    One for each axis of the picture, `drag_u_px` in size.
    """
    if track.drag_u_px == 0.0 or len(track) < 3:
        return np.zeros((len(track), 2, 0))
    step = _steps(track)
    low, high = HELD_STEP_PX
    held = np.clip((high - np.linalg.norm(step, axis=1)) / (high - low), 0.0, 1.0)
    past = step - np.rint(step)
    edge = np.minimum(np.abs(past), 0.5 - np.abs(past)) / SOFT_PX
    lag = -np.sign(past) * np.clip(edge, 0.0, 1.0) * held[:, None]
    return np.asarray(track.drag_u_px * lag[:, :, None] * np.eye(2))


def _steps(track: Track) -> Floats:
    """Return the smooth motion (n, 2) of the lights, pixels a frame."""
    degree = min(DEGREE, len(track) // 3)
    frame = track.frame.astype(np.float64)
    fits = [np.polynomial.Polynomial.fit(frame, xy, degree) for xy in track.xy_px.T]
    return np.column_stack([fit.deriv()(frame) for fit in fits])
