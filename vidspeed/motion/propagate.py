"""Propagation of distributions by a Monte Carlo method: the adaptive procedure.

JCGM 101:2008 (GUM Supplement 1): 7.9 (adaptive stop), 7.7 (coverage interval), 8 (comparison
with first order).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from vidspeed.motion.coverage import LEVEL
from vidspeed.values import Floats, Value

DIGITS = 2  # significant digits of u that are to be stable
MOST_BATCHES = 5  # then ends of the interval are good to 1 % of u, whatever its first digits


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Propagated(Value):
    """What many draws say of a quantity; `stable` False where the batches ran out first."""

    mean: float
    u: float
    interval: tuple[float, float]
    draws: int
    stable: bool


def tolerance(u: float, digits: int = DIGITS) -> float:
    """Return the numerical tolerance of `u` at so many significant digits (7.9.2).

    u = c . 10^l with c an integer of `digits` digits gives 10^l / 2.

    Examples
    --------
    >>> tolerance(0.10), tolerance(35.0)
    (0.005, 0.5)
    """
    power = int(np.floor(np.log10(u) + 1e-12)) - (digits - 1)
    return float(0.5 * 10.0**power)


def batch_size(level: float = LEVEL) -> int:
    """Return how many draws make a batch (7.9.4 b): at least 10 000 and 100/(1 - p)."""
    return max(int(np.ceil(100.0 / (1.0 - level))), 10_000)


def propagate(
    draw: Callable[[int], Floats],
    *,
    digits: int = DIGITS,
    level: float = LEVEL,
    most: int | None = None,
) -> Propagated:
    """Draw batches until mean, u and both ends of the interval are stable (7.9.4).

    Parameters
    ----------
    draw
        Gives batch number n of the quantity: (m,) values, m = `batch_size(level)`.
    most
        Batches at most; `MOST_BATCHES` if left out.
    """
    batches: list[Floats] = []
    stable = False
    while not stable and len(batches) < (most or MOST_BATCHES):
        batches.append(draw(len(batches)))
        stable = len(batches) > 1 and _stable(batches, digits, level)
    values = np.concatenate(batches)
    low, high = symmetric_interval(values, level)
    return Propagated(
        mean=float(values.mean()),
        u=float(values.std(ddof=1)),
        interval=(low, high),
        draws=len(values),
        stable=stable,
    )


def _stable(batches: list[Floats], digits: int, level: float) -> bool:
    """Tell whether twice the standard deviation of each figure is below the tolerance (7.9.4 h)."""
    rows = np.array([[b.mean(), b.std(ddof=1), *symmetric_interval(b, level)] for b in batches])
    spread = rows.std(axis=0, ddof=1) / np.sqrt(len(batches))
    limit = tolerance(float(np.concatenate(batches).std(ddof=1)), digits)
    return bool(np.all(2.0 * spread < limit))


def symmetric_interval(values: Floats, level: float = LEVEL) -> tuple[float, float]:
    """Return the probabilistically symmetric coverage interval of draws (7.7)."""
    tail = (1.0 - level) / 2.0
    low, high = np.quantile(values, [tail, 1.0 - tail], method="hazen")
    return float(low), float(high)


def agrees(first_order: tuple[float, float], found: Propagated, digits: int = DIGITS) -> bool:
    """Tell whether a first-order interval is validated by the draws (8.1.2)."""
    limit = tolerance(found.u, digits)
    ends = zip(first_order, found.interval, strict=True)
    return all(abs(mine - drawn) <= limit for mine, drawn in ends)
