"""How long the shutter is open, by the lights of a flashing lamp and by what is stated.

A light between two lit ones was lit throughout. Of a lamp that is never lit in more than two
frames at a time a pair tells: while both of its lights are cut, at the flash's two ends, one grows
as the other shrinks, and the two together stay as long as they are. Where one stays as long as
the longest of all while the other does not, that one fills its exposure.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from vidspeed.clip.light.flashing import Streaks, edges_of
from vidspeed.values import Bools, Floats

END_PX = 0.15  # standard deviation of a length that no residual shows
NEAR_WHOLE = 0.85  # of the longest exposure: those beyond were lit throughout, too
AGREE = 3  # pairs of lit frames that together prove an exposure
DENIED = 3.0  # standard uncertainties from which lights and a stated exposure deny each other


class Exposure(NamedTuple):
    """How long the shutter is open, in seconds, with u; if not `known`, at least so long."""

    open_s: float
    u_s: float
    known: bool


def exposure_of(
    seen: Streaks, whole: Bools, interval_s: float, stated_s: tuple[float, float] | None = None
) -> Exposure:
    """Return how long the shutter is open.

    By lights that were lit throughout, `whole` (n,), else by pairs; else it is what was stated,
    with its u, if no light is plainly longer and it is no longer than `interval_s` from frame to
    frame. What pairs show goes before what was stated unless it is plainly shorter: a lamp may be
    cut in all its flashes. Without any of these it is as long as the longest light at least.
    """
    open_s, u_s = _lit_s(seen)
    if whole.any():
        near = whole & (open_s >= NEAR_WHOLE * float(np.quantile(open_s[whole], 0.9)))
        return Exposure(float(np.median(open_s[near])), 0.0, True)
    by_pairs = _of_pairs(open_s, u_s, seen)
    least = Exposure(float(open_s.max()), 0.0, False) if by_pairs is None else by_pairs
    if stated_s is None or stated_s[0] > interval_s + DENIED * stated_s[1]:
        return least
    told, told_u = min(stated_s[0], interval_s), stated_s[1]
    seen_s = least.open_s if least.known else float(np.quantile(open_s, 0.9))
    more_s, u = seen_s - told, float(np.hypot(told_u, np.median(u_s)))
    if more_s > DENIED * u or (least.known and more_s > -DENIED * u):
        return least
    return Exposure(told + max(more_s, 0.0) * (told_u / u) ** 2, told_u, True)


def dark_between(seen: Streaks) -> bool:
    """Say whether a lamp was plainly dark in frames between lit ones, or another flash lit them.

    What lies between lit frames is then no longer than some of what lies beside dark ones, or much
    of it is plainly shorter than the longest.
    """
    before, after, _ = edges_of(seen.frame)
    inner = (before | after) == 0
    if not inner.any() or not seen.resolved().all():
        return False
    open_s, u_s = _lit_s(seen)
    longest = float(np.quantile(open_s[inner], 0.9))
    longer = ~inner & (NEAR_WHOLE * open_s > longest + DENIED * u_s)
    shorter = inner & (open_s + DENIED * u_s < NEAR_WHOLE * longest)
    few = np.count_nonzero(longer) < 2 and 4 * np.count_nonzero(shorter) < np.count_nonzero(inner)
    return not few


def _lit_s(seen: Streaks) -> tuple[Floats, Floats]:
    """Return how long each light was lit while the shutter was open, (n,) seconds, and u."""
    speed = np.maximum(np.linalg.norm(seen.velocity, axis=1), 1e-6)
    return seen.length_px / speed, np.hypot(seen.length_u_px, END_PX) / speed


def _of_pairs(open_s: Floats, u_s: Floats, seen: Streaks) -> Exposure | None:
    """Return the exposure that pairs of lit frames show, None where they do not.

    Where both are cut, the shorter of a pair may differ from pair to pair by no more than the
    longer does, which is held to what is near the longest here.
    """
    first = np.flatnonzero(np.diff(seen.frame) == 1)
    if len(first) < AGREE:
        return None
    pairs, pairs_u = (np.stack([each[first], each[first + 1]]) for each in (open_s, u_s))
    longer, shorter = pairs.max(axis=0), pairs.min(axis=0)
    top = longer >= NEAR_WHOLE * longer.max()
    spread = 2.0 * (1.0 - NEAR_WHOLE) * float(longer.max())
    if np.count_nonzero(top) < AGREE:
        return None
    apart_s = DENIED * float(np.median(pairs_u))
    if np.ptp(shorter[top]) < spread + apart_s:
        return None
    full = longer >= float(np.quantile(longer[top], 0.9)) - apart_s
    return Exposure(float(np.median(longer[full])), 0.0, True)
