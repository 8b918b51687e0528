"""Leave out of a track lights that nothing shows to be its own.

To a lamp's lights noise, or what a coder left, is joined at either end, where a chain of rough
places may go on nearly anywhere. Fitted places are known much better: the longest part of a short
track through which a bent way goes as nearly as they say foretells where the others would have to
lie. A long track is told from its strays before its lights are fitted (`moves.on_its_way`).
"""

from __future__ import annotations

import numpy as np

from vidspeed.clip.spots.moves import even
from vidspeed.values import Bools, Floats, Ints

LEAST, MOST = 6, 14  # lights of a track whose strays are looked for
BEGIN = 4  # lights of one after another by which a part begins
SHARE = 0.6  # of a track's lights, at least, are its own
SURE = 4.0  # standard deviations by which a stray lies off at least
SLACK_PX = 0.6  # by which a light may lie off that is no stray, beside what is said of it
LONG_GAP, FARTHER = 4, 4  # frames, and times as far apart as most: a light stands alone
LOOMS = 6.0  # by how much of the distance from the lights that foretell a place, cubed


def of_one_way(time_s: Floats, xy_px: Floats, cov_px2: Floats, width_px: float) -> Bools:
    """Say which lights (n,) belong to the longest part of a track that has one way.

    `xy_px` (n, 2) with `cov_px2` (n, 2, 2) at times (n,); `width_px` is the picture's longer side,
    over which perspective bends ways. All of a track that is long, or of which too little would be
    left.
    """
    count = len(time_s)
    every = np.ones(count, dtype=bool)
    if not LEAST <= count <= MOST or all(
        _foretold(time_s, xy_px, cov_px2, every, at, width_px) for at in range(count)
    ):
        return every
    parts = [_grown(time_s, xy_px, cov_px2, first, width_px) for first in range(count - BEGIN + 1)]
    best = max(parts, key=lambda part: int(part.sum()))
    return best if best.sum() >= SHARE * count else every


def together(frame: Ints) -> Bools:
    """Say of the lights of frames (n,) whether they are no first or last ones that stand alone.

    Over so long a gap a way may bend by so much that nothing says whether a single light is the
    same lamp's, and so far from the others it turns the whole way. Flashes come evenly.
    """
    near = np.ones(len(frame), dtype=bool)
    if len(frame) < LEAST or even(frame):
        return near
    apart = np.diff(frame)
    alone = apart > max(LONG_GAP, FARTHER * float(np.median(apart)))
    first, last = 0, len(frame) - 1
    while last - first >= BEGIN and alone[first]:
        first += 1
    while last - first >= BEGIN and alone[last - 1]:
        last -= 1
    near[:first] = near[last + 1 :] = False
    return near


def _grown(time_s: Floats, xy_px: Floats, cov_px2: Floats, first: int, width_px: float) -> Bools:
    """Return the part (n,) that a few lights make with what they foretell, nearest first."""
    part = np.zeros(len(time_s), dtype=bool)
    part[first : first + BEGIN] = True
    if any(not _foretold(time_s, xy_px, cov_px2, part, at, width_px) for at in _inner(first)):
        return np.zeros(len(time_s), dtype=bool)
    for step in (1, -1):
        ends = range(first + BEGIN, len(time_s)) if step > 0 else range(first - 1, -1, -1)
        for at in ends:
            part[at] = _foretold(time_s, xy_px, cov_px2, part, at, width_px)
    return part


def _inner(first: int) -> range:
    """Return the lights within those by which a part begins."""
    return range(first + 1, first + BEGIN - 1)


def _foretold(
    time_s: Floats, xy_px: Floats, cov_px2: Floats, part: Bools, at: int, width_px: float
) -> bool:
    """Say whether a light lies where a parabola through the others of a part puts it."""
    others = part.copy()
    others[at] = False
    ahead = time_s[others] - time_s[at]
    scale = max(float(np.abs(ahead).max()), 1e-9)
    basis = np.vander(ahead / scale, 3, increasing=True)
    weight = 1.0 / np.sqrt(np.trace(cov_px2[others], axis1=1, axis2=2) + SLACK_PX**2)
    inverse = np.linalg.pinv(basis * weight[:, None])
    found = inverse @ (xy_px[others] * weight[:, None])
    speed = float(np.linalg.norm(found[1])) / scale
    variance = float(np.sum(inverse[0] ** 2)) + float(np.trace(cov_px2[at]))
    nearest = float(np.abs(ahead).min())
    looms = speed * (speed / width_px) ** 2 * nearest * scale**2 / LOOMS
    off = float(np.linalg.norm(xy_px[at] - found[0]))
    return bool(off <= SURE * np.sqrt(variance) + looms)
