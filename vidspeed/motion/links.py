"""Which clips of an evening show the same passes, and which passes those are.

Two clips are matched by `vidspeed.motion.match`; here any number of clips of any number of
cameras is sorted out, the surest two first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from vidspeed.motion.match import Known, Pairing, Reel, compatible, pairings, rivals, settled
from vidspeed.values import Sync, Value

FLASH_U_S = 0.01  # half the exposures stand between the lights and a flash
SOUND_MPS = 340.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Link(Value):
    """Passes of two clips, by place among the clips, that are surely one each."""

    first: int
    second: int
    pairing: Pairing


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Matching(Value):
    """What belongs together: links, and per two clips the pairings of which none is sure."""

    links: tuple[Link, ...]
    doubts: tuple[tuple[int, int, tuple[Pairing, ...]], ...]


def known_offset(syncs: Sequence[Sync], first: str, second: str, length_m: float) -> Known | None:
    """Return what the best `[[sync]]` says of two clips' offset, None where none names both."""
    best = None
    for sync in syncs:
        if first not in sync.clips or second not in sync.clips:
            continue
        one, other = sync.clips.index(first), sync.clips.index(second)
        u_s = float(np.hypot(sync.time_u_s[one], sync.time_u_s[other]))
        more = FLASH_U_S if sync.kind == "flash" else length_m / SOUND_MPS
        found = Known(
            at_s=float(sync.time_s[one]),
            offset_s=float(sync.time_s[other] - sync.time_s[one]),
            u_s=float(np.hypot(u_s, more)),
        )
        if best is None or found.u_s < best.u_s:
            best = found
    return best


def match(reels: Sequence[Reel], syncs: Sequence[Sync], length_m: float) -> Matching:
    """Find which passes of clips of different cameras are one.

    The surest two clips are linked first; what they share is then no longer open to a third clip
    of the same camera. Two clips of one pass each are linked where no other is possible.
    """
    open_pairs = [
        (i, j) for i, j in combinations(range(len(reels)), 2) if reels[i].camera != reels[j].camera
    ]
    links: list[Link] = []
    while True:
        offered = {pair: _offered(reels, links, pair, syncs, length_m) for pair in open_pairs}
        sure = [(pair, _sure(reels, links, pair, offered)) for pair in open_pairs]
        best = max(
            ((pair, row) for pair, row in sure if row is not None),
            key=lambda row: row[1].score,
            default=None,
        )
        if best is None:
            break
        (first, second), pairing = best
        links.append(Link(first=first, second=second, pairing=pairing))
        open_pairs.remove(best[0])
    doubts = tuple(
        (*pair, tuple(rivals(found)))
        for pair, found in offered.items()
        if found and not _linked(reels, links, pair)
    )
    return Matching(links=tuple(links), doubts=doubts)


def _offered(
    reels: Sequence[Reel],
    links: Sequence[Link],
    pair: tuple[int, int],
    syncs: Sequence[Sync],
    length_m: float,
) -> list[Pairing]:
    """Return the pairings of two clips' passes that are still open, in the clips' own places."""
    first, second = (reels[index] for index in pair)
    left = [
        [
            place
            for place in range(len(reels[own].passes))
            if not _taken(reels, links, own, other, place)
        ]
        for own, other in (pair, pair[::-1])
    ]
    found = pairings(
        replace(first, passes=tuple(first.passes[place] for place in left[0])),
        replace(second, passes=tuple(second.passes[place] for place in left[1])),
        known_offset(syncs, first.clip, second.clip, length_m),
    )
    return [
        replace(row, pairs=tuple((left[0][i], left[1][j]) for i, j in row.pairs)) for row in found
    ]


def _taken(reels: Sequence[Reel], links: Sequence[Link], clip: int, other: int, place: int) -> bool:
    """Tell whether a pass of a clip is already linked to the other clip's camera."""
    for link in links:
        for own, far, side in ((link.first, link.second, 0), (link.second, link.first, 1)):
            here = own == clip and reels[far].camera == reels[other].camera
            if here and any(pair[side] == place for pair in link.pairing.pairs):
                return True
    return False


def _sure(
    reels: Sequence[Reel],
    links: Sequence[Link],
    pair: tuple[int, int],
    offered: Mapping[tuple[int, int], Sequence[Pairing]],
) -> Pairing | None:
    """Return the pairing of two clips that is sure.

    Clips of one pass each have no interval to tell; they are one where no other is possible.
    """
    best = settled(offered[pair])
    if best is not None or not offered[pair]:
        return best
    if any(len(reels[index].passes) != 1 for index in pair):
        return None
    for own, far in (pair, pair[::-1]):
        one = reels[own].passes[0]
        others = sum(
            compatible(one, other)
            for index, row in enumerate(reels)
            if row.camera == reels[far].camera
            for place, other in enumerate(row.passes)
            if not _taken(reels, links, index, own, place)
        )
        if others != 1:
            return None
    return offered[pair][0]


def _linked(reels: Sequence[Reel], links: Sequence[Link], pair: tuple[int, int]) -> bool:
    """Tell whether either of two clips has found its partner at the other's camera."""
    for link in links:
        for own, far in ((link.first, link.second), (link.second, link.first)):
            for mine, other in (pair, pair[::-1]):
                if own == mine and reels[far].camera == reels[other].camera:
                    return True
    return False
