"""Parts of one track that a pole, a tree or a lost frame broke are put together again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np

from vidspeed.values import PassResult, Track

MOST_GAP_S = 0.3
NEAR = 8  # lights on each side of a gap that say whether the way goes on
LEAST_NEAR = 3
ROUGH_PX, ROUGH = (
    1.5,
    0.01,
)  # RMS about a smooth way, and of the way meanwhile, beyond lights' own u
ALIKE_SPEED = 0.1  # of two parts of one flight, each solved by itself

COLUMNS = (
    "frame", "time_s", "xy_px", "cov_px2", "row", "time_u_s", "streak_px", "streak_u_px",
    "streak_angle_rad", "peak", "snr",
)  # fmt: skip


def joined(tracks: Sequence[Track]) -> list[Track]:
    """Return the tracks that are made of several which follow each other on one way.

    Each part is followed by the one that continues it best, and follows at most one.
    """
    fits = sorted(
        (off, number, after)
        for number, one in enumerate(tracks)
        for after, other in enumerate(tracks)
        if (off := _off(one, other)) is not None
    )
    follower: dict[int, int] = {}
    for _, number, after in fits:
        if number not in follower and after not in follower.values():
            follower[number] = after
    return [together([tracks[number] for number in chain]) for chain in chains(follower)]


def chains(follower: Mapping[int, int]) -> list[list[int]]:
    """Return what follows on each other, from the first to the last, by what follows on what."""
    found = [[number] for number in follower if number not in follower.values()]
    for chain in found:
        while chain[-1] in follower:
            chain.append(follower[chain[-1]])
    return found


def is_part(one: Track, whole: Track) -> bool:
    """Tell whether all lights of a track are among those of another."""
    if one is whole or len(one) > len(whole):
        return one is whole
    at = np.searchsorted(whole.time_s, one.time_s).clip(max=len(whole) - 1)
    same = (whole.time_s[at] == one.time_s) & np.all(whole.xy_px[at] == one.xy_px, axis=1)
    return bool(same.all())


def one_flight(first: PassResult, second: PassResult) -> bool:
    """Tell whether two solutions may rest on parts of one flight that follow each other.

    In every clip that both were seen in, one ends before the other begins, soon; they fly one way,
    alike fast.
    """
    if first.direction != second.direction or not first.speed_mps or not second.speed_mps:
        return False
    theirs = {(row.camera, row.clip): row.track for row in second.sightings}
    pairs = [(row.track, theirs.get((row.camera, row.clip))) for row in first.sightings]
    apart = [pair for pair in pairs if pair[1] is not None and pair[0] is not pair[1]]
    alike = abs(first.speed_mps / second.speed_mps - 1.0) <= ALIKE_SPEED
    return (
        alike
        and bool(apart)
        and all(
            other is not None and 0.0 < max(gap_s(one, other), gap_s(other, one)) <= MOST_GAP_S
            for one, other in apart
        )
    )


def gap_s(one: Track, other: Track) -> float:
    """Return the time from the end of a track to the beginning of another; negative: overlap."""
    return float(other.time_s[0] - one.time_s[-1])


def _off(one: Track, other: Track) -> float | None:
    """Return how far two tracks lie from one smooth way across their gap; None: they are not."""
    if not 0.0 < gap_s(one, other) <= MOST_GAP_S or min(len(one), len(other)) < LEAST_NEAR:
        return None
    time_s = np.concatenate([one.time_s[-NEAR:], other.time_s[:NEAR]])
    xy_px = np.concatenate([one.xy_px[-NEAR:], other.xy_px[:NEAR]])
    variance = np.concatenate([one.cov_px2[-NEAR:], other.cov_px2[:NEAR]])
    tau = (time_s - time_s.mean()) / max(float(np.ptp(time_s)), 1e-9)
    basis = np.vander(tau, 3, increasing=True)
    left = xy_px - basis @ np.linalg.lstsq(basis, xy_px, rcond=None)[0]
    off = float(np.sqrt(np.mean(np.sum(left**2, axis=1))))
    own = float(np.sqrt(np.mean(np.trace(variance, axis1=1, axis2=2))))
    way = float(np.linalg.norm(xy_px[-1] - xy_px[0]))
    forth = float((one.xy_px[-1] - one.xy_px[0]) @ (other.xy_px[-1] - other.xy_px[0])) > 0.0
    return off if forth and off <= ROUGH_PX + ROUGH * way + 2.0 * own else None


def together(parts: Sequence[Track]) -> Track:
    """Put tracks that follow each other into one."""
    columns: dict[str, Any] = {
        name: np.concatenate([getattr(part, name) for part in parts]) for name in COLUMNS
    }
    fills = [np.full(len(part), np.nan) if part.fill is None else part.fill for part in parts]
    known = any(part.fill is not None for part in parts)
    assert all(one.time_s[-1] < other.time_s[0] for one, other in pairwise(parts))
    return replace(parts[0], **columns, fill=np.concatenate(fills) if known else None)
