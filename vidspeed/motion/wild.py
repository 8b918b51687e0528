"""Lights far off the way that their neighbours take: left out before anything is solved.

A slip of the hand or a light of something else, hundreds of standard uncertainties off, would
bend the path until the solution does not settle, or until good lights look false. Small errors
are none of this: the solution judges them (`flight.py`).
"""

from __future__ import annotations

import numpy as np

from vidspeed.values import Bools, Floats, Ints, Track

NEIGHBOURS = 4  # whose cubic a light is compared with
WILD = 30.0  # standard uncertainties of that comparison, at least,
WILD_STEP = 0.3  # and so much of the way from light to light
MOST_SHARE = 0.1  # of a track; where more are wild it is no single slip


def tame(track: Track) -> Bools:
    """Tell which lights (n,) of a track lie where their neighbours let expect them."""
    kept = np.ones(len(track), dtype=bool)
    for _ in range(int(MOST_SHARE * len(track)) + 1):
        there = np.flatnonzero(kept)
        if len(there) <= NEIGHBOURS + 2:
            break
        wildness = _wildness(track.time_s[there], track.xy_px[there], track.cov_px2[there])
        worst = int(np.argmax(wildness))
        if wildness[worst] <= 1.0:
            return kept
        kept[there[worst]] = False
    return np.ones(len(track), dtype=bool)


def _wildness(time_s: Floats, xy_px: Floats, cov_px2: Floats) -> Floats:
    """Return how far each light (n,) is off its neighbours' cubic, over what is allowed."""
    around = _around(len(time_s))
    weights = _lagrange(time_s, time_s[around])
    off = np.linalg.norm(xy_px - np.einsum("nk,nkd->nd", weights, xy_px[around]), axis=1)
    spread = np.trace(cov_px2, axis1=1, axis2=2) / 2.0
    u_px = np.sqrt(spread + np.sum(weights**2 * spread[around], axis=1))
    steps = np.linalg.norm(np.diff(xy_px[around], axis=1), axis=2)
    step = np.median(steps, axis=1) * np.maximum(np.abs(weights).sum(axis=1), 1.0)
    return np.asarray(off / np.maximum(WILD * u_px, WILD_STEP * step))


def _around(count: int) -> Ints:
    """Return the places (n, 4) of each light's nearest neighbours, two on each side if possible."""
    first = np.clip(np.arange(count) - NEIGHBOURS // 2, 0, count - NEIGHBOURS - 1)
    around = first[:, None] + np.arange(NEIGHBOURS)
    return np.asarray(around + (around >= np.arange(count)[:, None]))


def _lagrange(at_s: Floats, time_s: Floats) -> Floats:
    """Return the weights (n, 4) of values at times (n, 4) in their cubic's value at `at_s` (n,)."""
    weights = np.ones_like(time_s)
    for one in range(NEIGHBOURS):
        for other in range(NEIGHBOURS):
            if one != other:
                apart = time_s[:, one] - time_s[:, other]
                weights[:, one] *= (at_s - time_s[:, other]) / apart
    return weights
