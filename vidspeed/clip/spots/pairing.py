"""Give rows columns, one each, at the least cost: which chain goes on with which spot."""

from __future__ import annotations

import math

import numpy as np

from vidspeed.values import Floats

MUCH = 1e6  # more than all costs together: it keeps as many pairs as there can be


def pairs_of(costs: Floats) -> list[tuple[int, int]]:
    """Return the pairs of row and column of finite costs (m, n): the most, and of these the least.

    Rows that share no possible column, not even through others, are no matter to each other; most
    stand alone.
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
    filled = np.where(np.isfinite(part), part, MUCH)
    if len(rows) > len(columns):
        taken = [(row, column) for column, row in enumerate(_assigned(filled.T.tolist()))]
    else:
        taken = list(enumerate(_assigned(filled.tolist())))
    return [(rows[row], columns[column]) for row, column in taken if np.isfinite(part[row, column])]


def _assigned(costs: list[list[float]]) -> list[int]:
    """Return a column for each row of a table with no more rows than columns, at the least sum.

    Rows enter one by one along shortest ways through those that are there: H. W. Kuhn, "The
    Hungarian method for the assignment problem", Naval Research Logistics 2 (1955) 83-97, as
    R. Jonker and A. Volgenant order the work (Computing 38 (1987) 325-340). SciPy has it too, but
    takes long to import, and there are few chains at a time.
    """
    count = len(costs[0])
    of_row, of_column = [0.0] * len(costs), [0.0] * (count + 1)  # what each has paid
    owner = [-1] * (count + 1)  # the row of each column; the last is where a row comes in
    for row in range(len(costs)):
        owner[count], at = row, count
        least, way, seen = [math.inf] * count, [count] * count, [False] * (count + 1)
        while owner[at] >= 0:
            seen[at], here = True, owner[at]
            open_ = [column for column in range(count) if not seen[column]]
            for column in open_:
                more = costs[here][column] - of_row[here] - of_column[column]
                if more < least[column]:
                    least[column], way[column] = more, at
            nearest = min(open_, key=lambda column: least[column])
            step = least[nearest]
            for column in range(count + 1):
                if seen[column]:
                    of_row[owner[column]] += step
                    of_column[column] -= step
                elif column < count:
                    least[column] -= step
            at = nearest
        while at != count:
            owner[at], at = owner[way[at]], way[at]
    row_of = {row: column for column, row in enumerate(owner[:count]) if row >= 0}
    return [row_of[row] for row in range(len(costs))]
