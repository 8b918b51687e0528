"""Taped distances that no points can have: longer than a way round by others of them.

A network without a check cannot tell which of them is wrong, but it is not to be adjusted to a
course that is not there. Distances are compared on the level where heights are stated, and as they
were read where they are not: both obey the triangle inequality.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from vidspeed.values import Floats, Ints, Measured, Taped, Value

BEYOND = 5.0  # standard uncertainties, which chance alone hardly ever gives


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Span(Value):
    """A distance on the level; `squared_u_m2` is the standard uncertainty of its square."""

    row: Taped
    rise_m: float
    level_m: float
    squared_u_m2: float

    @property
    def u_m(self) -> float:
        """Return the standard uncertainty, also of a span that is all height."""
        return self.squared_u_m2 / (2.0 * max(self.level_m, math.sqrt(self.squared_u_m2)))

    @property
    def too_steep(self) -> bool:
        """Tell whether the ends differ more in height than the distance allows, beyond chance."""
        return self.rise_m**2 - self.row.distance_m**2 > BEYOND * self.squared_u_m2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Detour(Value):
    """A span that is longer than a way round between the same points, by `short_m`."""

    span: Span
    legs: tuple[Span, ...]

    @property
    def around_m(self) -> float:
        """Return the length of the way round."""
        return sum(leg.level_m for leg in self.legs)

    @property
    def short_m(self) -> float:
        """Return what the way round lacks."""
        return self.span.level_m - self.around_m

    @property
    def rows(self) -> tuple[Taped, ...]:
        """Return all distances of which one must be wrong."""
        return tuple(span.row for span in (self.span, *self.legs))


def spans(measured: Measured) -> list[Span]:
    """Return the distances on the level, in their order."""
    levels = {level.name: level for level in measured.levels}
    found = []
    for row in measured.taped:
        ends = [levels[name] for name in (row.start, row.end) if name in levels]
        rise_m = abs(ends[0].height_m - ends[1].height_m) if len(ends) == 2 else 0.0
        square = (row.distance_m * row.u_m) ** 2 + sum((rise_m * end.u_m) ** 2 for end in ends)
        found.append(
            Span(
                row=row,
                rise_m=rise_m,
                level_m=math.sqrt(max(row.distance_m**2 - rise_m**2, 0.0)),
                squared_u_m2=2.0 * math.sqrt(square),
            )
        )
    return found


def detours(measured: Measured) -> list[Detour]:
    """Return the distances that contradict others beyond chance, the worst first."""
    names = sorted({name for row in measured.taped for name in (row.start, row.end)})
    index = {name: at for at, name in enumerate(names)}
    all_ = spans(measured)
    direct: dict[tuple[int, int], Span] = {}
    for span in sorted(all_, key=lambda span: -span.level_m):  # of doubles the shortest stays
        ends = index[span.row.start], index[span.row.end]
        direct[ends] = direct[ends[::-1]] = span
    after = _next_points(direct, len(names))
    found = []
    for span in all_:
        legs = _legs(direct, after, index[span.row.start], index[span.row.end])
        detour = Detour(span=span, legs=legs)
        if len(legs) > 1 and detour.short_m > BEYOND * _u_m(measured, detour):
            found.append(detour)
    return sorted(found, key=lambda detour: -detour.short_m)


def _next_points(direct: dict[tuple[int, int], Span], count: int) -> Ints:
    """Return (n, n): where the shortest way from one point to another goes first.

    R. W. Floyd, Communications of the ACM 5 (1962) 345.
    """
    length_m: Floats = np.full((count, count), np.inf)
    np.fill_diagonal(length_m, 0.0)
    after = np.tile(np.arange(count), (count, 1))
    for ends, span in direct.items():
        length_m[ends] = min(span.level_m, length_m[ends])
    for at in range(count):
        through = length_m[:, at, None] + length_m[at]
        after = np.where(through < length_m, after[:, at, None], after)
        length_m = np.minimum(through, length_m)
    return after


def _legs(
    direct: dict[tuple[int, int], Span], after: Ints, start: int, end: int
) -> tuple[Span, ...]:
    legs = []
    while start != end:
        there = int(after[start, end])
        legs.append(direct[start, there])
        start = there
    return tuple(legs)


def _u_m(measured: Measured, detour: Detour) -> float:
    """Return the standard uncertainty of what a way round lacks; each tape has one scale."""
    signed = [(detour.span, 1.0), *((leg, -1.0) for leg in detour.legs)]
    square = sum(span.u_m**2 for span, _ in signed)
    for tape in measured.tapes:
        on_it_m = sum(sign * span.level_m for span, sign in signed if span.row.tape == tape.name)
        square += (1e-6 * tape.scale_u_ppm * on_it_m) ** 2
    return math.sqrt(square)
