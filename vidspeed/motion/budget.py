"""What the uncertainty of a speed is made of, input by input.

To first order the speed is a sum of inputs times sensitivities, s = grad . Sigma . J^T W (the
least-squares estimator differentiated by its observations and priors, GUM 5.1). Every number
here is for one standard uncertainty of the input, so squares add up to the variance.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np

from vidspeed.values import BudgetRow, Floats, Input, PassResult

TOGETHER = 512  # inputs whose share in the covariances is worked out at once


def budget_rows(inputs: Sequence[Input], sensitivities_mps: Floats) -> tuple[BudgetRow, ...]:
    """Group the signed sensitivities (m,) into rows a person can act on, largest first."""
    groups: dict[tuple[str, str], list[int]] = {}
    for index, entry in enumerate(inputs):
        groups.setdefault((entry.source, entry.owner), []).append(index)
    total = float(sensitivities_mps @ sensitivities_mps)
    rows = []
    for (source, owner), members in groups.items():
        squares = float(np.sum(sensitivities_mps[members] ** 2))
        sizes = {inputs[index].input_u for index in members}
        rows.append(
            BudgetRow(
                source=source,
                owner=owner,
                kind="A" if any(inputs[index].kind == "A" for index in members) else "B",
                assumed=any(inputs[index].assumed for index in members),
                input_u=_common(sizes),
                unit=inputs[members[0]].unit,
                contribution_mps=float(np.sqrt(squares)),
                share=squares / total if total > 0.0 else 0.0,
            )
        )
    return tuple(sorted(rows, key=lambda row: (-row.contribution_mps, row.source, row.owner)))


def _common(sizes: set[float]) -> float | None:
    """Return the input uncertainty of a row, None where its inputs have different ones."""
    low, high = min(sizes), max(sizes)
    return high if high - low <= 1e-9 * max(abs(high), 1e-300) else None


def covariance(passes: Sequence[PassResult]) -> tuple[tuple[str, ...], Floats]:
    """Return labels and covariance (n, n), (m/s)^2, of the speeds of all measured passes.

    Inputs that two passes share are matched by owner and name. A flight line whose split is not
    stated counts as one input of all passes; `answer/readings.py` weighs the other reading too.
    """
    solved = [row for row in passes if row.sensitivities_mps is not None]
    tables = [_table(row) for row in solved]
    counted = Counter(key for table in tables for key in table)
    matrix = np.diag([sum(value**2 for value in table.values()) for table in tables])
    common = [key for key, times in counted.items() if times > 1]
    for at in range(0, len(common), TOGETHER):
        keys = common[at : at + TOGETHER]
        columns = np.array([[table.get(key, 0.0) for key in keys] for table in tables])
        shared = columns @ columns.T
        np.fill_diagonal(shared, 0.0)
        matrix += shared
    return tuple(row.label for row in solved), matrix


def _table(row: PassResult) -> Mapping[tuple[str, str], float]:
    assert row.sensitivities_mps is not None
    table: dict[tuple[str, str], float] = {}
    for entry, value in zip(row.inputs, row.sensitivities_mps, strict=True):
        owner = "session" if entry.split_unknown else entry.owner
        table[owner, entry.name] = table.get((owner, entry.name), 0.0) + float(value)
    return table


def said_of_split(passes: Sequence[PassResult]) -> str | None:
    """Say that the split of the flight line is open, None where it is stated."""
    if not any(entry.split_unknown for row in passes for entry in row.inputs):
        return None
    return (
        "how much of the flight line's error passes have in common is not stated "
        "(offset_shared_u_m, height_shared_u_m): all of it or none, whichever is less sure"
    )
