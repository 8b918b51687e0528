"""Which points of a network of distances could as well stand mirrored.

Points that are tied to the rest through two others only can be folded over about the line of
these two without any distance changing (B. Hendrickson, SIAM J. Computing 21 (1992) 65-84). The
posts alone are such a pair for everything else: the whole figure can be folded about the course.
A stated side of one of the points settles it.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from vidspeed.values import Floats, Ints

SAME_M = 0.05  # a fold that moves no point by more changes nothing that matters
IN_LINE_M = 0.05  # points this near a line are as good as on it: they do not stop a fold


def mirrored_sets(
    pairs: Ints, side: Floats, places_m: Floats, posts: tuple[int, int]
) -> list[tuple[int, ...]]:
    """Return the smallest sets of points that could be folded over and whose side is not stated.

    `pairs` (d, 2) the measured distances, `side` (n,) +1, -1 or 0 (not stated), `places_m`
    (n, 3) as adjusted, `posts` the start and the finish post. The start post stays where it is.
    """
    flat, count = places_m[:, :2], len(side)
    found: set[frozenset[int]] = set()
    if not np.any(side):
        found.add(frozenset(int(at) for at in np.flatnonzero(np.abs(flat[:, 1]) > IN_LINE_M)))
    for first, second in combinations(range(count), 2):
        base = flat[second] - flat[first]
        length = float(np.hypot(*base))
        if length < SAME_M:
            continue
        along = base / length
        away = flat - flat[first]
        folded = flat[first] + 2.0 * (away @ along)[:, None] * along - away
        off = np.linalg.norm(folded - flat, axis=1) / 2.0
        on_line = {int(at) for at in np.flatnonzero(off < IN_LINE_M)} | {first, second}
        for group in _pieces(pairs, on_line, count):
            whole = len(group | on_line) == count and not {*posts} <= on_line
            if not whole and posts[0] not in group and _is_open(group, side, folded):
                found.add(frozenset(group))
    smallest = [group for group in found if group and not any(o < group for o in found if o)]
    return sorted(tuple(sorted(group)) for group in smallest)


def _pieces(pairs: Ints, without: set[int], count: int) -> list[set[int]]:
    """Return the connected pieces of the network once some points are taken away."""
    from scipy.sparse import coo_array  # here: slow to import
    from scipy.sparse.csgraph import connected_components

    gone = np.isin(pairs, list(without)).any(axis=1)
    first, second = pairs[~gone].T
    links = coo_array((np.ones(len(first)), (first, second)), shape=(count, count))
    number, label = connected_components(links, directed=False)
    pieces = [set(np.flatnonzero(label == each).tolist()) - without for each in range(number)]
    return [piece for piece in pieces if piece]


def _is_open(group: set[int], side: Floats, folded: Floats) -> bool:
    """Tell whether no stated side speaks against folding a group of points.

    A side speaks against it where the folded point would stand on the other one.
    """
    return all(side[at] == 0.0 or side[at] * folded[at, 1] > 0.0 for at in group)
