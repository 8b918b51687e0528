"""Layouts of markers that cannot carry a camera, recognised before anything is fitted."""

from __future__ import annotations

import numpy as np

from vidspeed.values import Floats


def on_one_line(places_m: Floats, u_m: Floats) -> bool:
    """Tell whether markers (n, 3) stand on one line within three of their uncertainties (n,)."""
    spread = _spread(places_m)
    return bool(spread[1] < max(3.0 * float(np.mean(u_m)), 1e-3 * spread[0]))


def _spread(places_m: Floats) -> Floats:
    """Return the RMS extents (3,) of points along their principal axes, metres, largest first."""
    centred = places_m - places_m.mean(axis=0)
    values = np.linalg.svd(centred, compute_uv=False)
    extents = np.zeros(3)
    extents[: len(values)] = values / np.sqrt(len(places_m))
    return extents
