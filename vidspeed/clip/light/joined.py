"""Leave out of a track what mixes lamps that run together with one of them by itself.

Lamps of a craft that are close in the picture show as one streak, dark in between; its middle is a
place on the craft, but none of a lamp's. Where they part, a track of both jumps by up to half of
their distance, which looks like another speed. Such a track keeps the kind of which it has more.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vidspeed.clip.light.fit import Fit, Pixels, fill_of
from vidspeed.clip.light.profile import HALF_X, HALF_Y
from vidspeed.values import Bools, Floats

LEAST = 3  # lights of either kind
LONGER = 2.0  # times as long as one lamp's streaks
POINT_PX = 1.0  # that a point is taken to be long
PLAIN_SNR, GAPPED = 8.0, 0.6  # brightness within a streak over its bright parts; whole ones 0.8
FAINT_SNR, FAINT_GAPPED = 3.5, 0.4  # the same for faint lights, whose parts scatter


def of_one_kind(pixels: Sequence[Pixels], fits: Sequence[Fit], snr: Floats) -> Bools:
    """Say which lights (n,) of a track show the same: several lamps together, or one by itself.

    All of them where they are not surely of both kinds. `snr` (n,) is their peak over noise.
    """
    fill = np.array(
        [fill_of(part, fit.parameters) for part, fit in zip(pixels, fits, strict=True)],
        dtype=np.float64,
    )
    length = np.array([2.0 * np.linalg.norm(fit.parameters[[HALF_X, HALF_Y]]) for fit in fits])
    gapped = fill < np.where(snr >= PLAIN_SNR, GAPPED, FAINT_GAPPED)
    joined, single = (snr >= FAINT_SNR) & gapped, (snr >= FAINT_SNR) & ~gapped
    every = np.ones(len(fits), dtype=bool)
    if min(joined.sum(), single.sum()) < LEAST:
        return every
    long, short = float(np.median(length[joined])), float(np.median(length[single]))
    if long <= LONGER * short:
        return every
    longer: Bools = length > np.sqrt(long * max(short, POINT_PX))
    return longer if longer.sum() > 0.5 * len(fits) else ~longer
