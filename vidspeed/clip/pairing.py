"""Give rows columns, one each, at the least cost: which chain goes on with which spot."""

from __future__ import annotations

import numpy as np

from vidspeed.values import Floats

MUCH = 1e6  # more than all costs together: it keeps as many pairs as there can be


def pairs_of(costs: Floats) -> list[tuple[int, int]]:
    """Return the pairs of row and column of finite costs (m, n): the most, and of these the least.

    Rows that share no possible column, not even through others, are no matter to each other; most
    stand alone. SciPy is asked, and imported, only for the others.
    """
    there = np.isfinite(costs)
    left = set(np.flatnonzero(there.any(axis=1)).tolist())
    found: list[tuple[int, int]] = []
    while left:
        rows = {left.pop()}
        while True:
            columns = there[sorted(rows)].any(axis=0)
            together = set(np.flatnonzero(there[:, columns].any(axis=1)).tolist())
            if together == rows:
                break
            rows = together
        left -= rows
        found += _of_some(costs, sorted(rows), np.flatnonzero(columns).tolist())
    return sorted(found)


def _of_some(costs: Floats, rows: list[int], columns: list[int]) -> list[tuple[int, int]]:
    """Return the pairs of rows and columns that hang together."""
    part = costs[np.ix_(rows, columns)]
    if len(rows) == 1 or len(columns) == 1:
        row, column = divmod(int(np.argmin(part)), len(columns))
        return [(rows[row], columns[column])]
    from scipy.optimize import linear_sum_assignment  # here: slow to import

    taken = linear_sum_assignment(np.where(np.isfinite(part), part, MUCH))
    return [
        (rows[row], columns[column])
        for row, column in zip(*taken, strict=True)
        if np.isfinite(part[row, column])
    ]
