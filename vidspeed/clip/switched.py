"""Lights of frames in which the lamp went on or off: where it was in the middle of the exposure.

A flashing lamp is lit for a part of the exposure at either end of each flash. What is seen is
then not the middle of the exposure but the middle of the lit part. How large that part is shows
in the light that was gathered, which is smaller than in the frames that were lit throughout; and
which part it is follows from the neighbouring frames: before a dark one the lamp was lit from the
shutter's opening on, after a dark one until it closed. Where both neighbours are dark it cannot
be told, and the light gives no place along its way.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vidspeed.clip.fit import Fit
from vidspeed.clip.profile import PEAK, WIDTH
from vidspeed.values import Floats, Ints

FULL_QUANTILE = 0.75  # of the light gathered in the frames of a flashing lamp: about a whole one
LEAST_U = 0.06  # of the lit part of an exposure, however strong the light
SHORT_RUN = 2  # lit frames, at most, after which no frame need have been lit throughout


def lit_parts(fits: Sequence[Fit], frame: Ints, snr: Floats) -> tuple[Floats, Floats]:
    """Return how large a part (n,) of its exposure each light was lit, at most 1, and u (n,).

    Compared with the next lights within its own run of lit frames, where that is long enough.
    """
    gathered = np.array(
        [max(float(fit.parameters[PEAK]), 1e-9) * float(fit.parameters[WIDTH]) ** 2 for fit in fits]
    )
    usual = np.full(len(fits), float(np.quantile(gathered, FULL_QUANTILE)))
    before, after, run = edges_of(frame)
    for k in np.flatnonzero((before | after) == 1):
        if run[k] > SHORT_RUN:
            inner = gathered[k - 2 : k] if after[k] else gathered[k + 1 : k + 3]
            usual[k] = float(inner.max())
    part = np.minimum(gathered / usual, 1.0)
    return part, np.hypot(LEAST_U, 2.0 / np.maximum(snr, 1.0))


def edges_of(frame: Ints) -> tuple[Ints, Ints, Ints]:
    """Return of each light whether the frame before and the frame after are dark, and its run.

    The run is how many frames in a row are lit. Ends of the chain count as dark.
    """
    joined = np.diff(frame) == 1
    before = np.concatenate([[1], 1 - joined.astype(int)])
    after = np.concatenate([1 - joined.astype(int), [1]])
    run = np.cumsum(before)
    return before, after, np.bincount(run)[run]


def corrections(
    frame: Ints, time_s: Floats, velocity: Floats, exposure_s: float, part: Floats, part_u: Floats
) -> tuple[Floats, Floats]:
    """Return what to add to places (n, 2) and to their covariances (n, 2, 2).

    Nothing where every light has a lit neighbour on each side. `velocity` (n, 2) is in px/s,
    `part` (n,) as from `lit_parts`.
    """
    shift, extra = np.zeros((len(frame), 2)), np.zeros((len(frame), 2, 2))
    before, after, run = edges_of(frame)
    inner = np.count_nonzero(np.diff(frame) > 1)
    if inner == 0:
        return shift, extra
    interval_s = float(np.median(np.diff(time_s) / np.diff(frame)))
    for k in np.flatnonzero((before | after) == 1):
        way = velocity[k] * exposure_s
        if before[k] and after[k]:  # it was lit somewhere within the exposure, which may be longer
            free = velocity[k] * max(interval_s - part[k] * exposure_s, 0.0)
            extra[k] = np.outer(free, free) / 12.0
            continue
        side = 1.0 if after[k] else -1.0
        shift[k] = side * 0.5 * (1.0 - part[k]) * way
        wide = part_u[k] * way if run[k] > SHORT_RUN else velocity[k] * interval_s / np.sqrt(3.0)
        extra[k] = 0.25 * np.outer(wide, wide)
    return shift, extra
