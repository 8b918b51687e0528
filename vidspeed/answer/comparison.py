"""Was the second faster than the first: two evenings, or two set-ups of one.

Each side's speed is the mean of its mean forward and its mean reverse, so that a steady wind
cancels however many passes were flown each way. The difference has the joint covariance of all
passes, and the scatter from pass to pass that they show themselves: that a craft is timed to a
tenth of a per cent does not mean that it repeats to a tenth of a per cent.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from vidspeed.air import density_of
from vidspeed.answer.air import EXPONENT, EXPONENT_U
from vidspeed.answer.joint import Flown, Joint, joint
from vidspeed.answer.scatter import (
    ONE_SIDED,
    Scatter,
    Spread,
    chance_to_claim,
    design_of,
    scatter_of,
)
from vidspeed.errors import VidspeedError
from vidspeed.motion.budget import said_of_split
from vidspeed.motion.coverage import effective_dof
from vidspeed.values import Air, Compared, Floats, Group, PassResult, Session, Value

FOUND_IF = 1.0  # per cent
OFTEN = 0.8  # how likely "would settle it" must come true
MOST_MORE = 60  # passes each way that are thought of
SEA_LEVEL_KGM3 = 1.225  # ISO 2533, to which speeds are reduced


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Side(Value):
    """One of the two: its name, its session, the passes of it that were measured."""

    name: str
    session: Session
    passes: tuple[PassResult, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sum(Value):
    """The difference as a weighted sum: weights (n,), and what comes beside the passes.

    `beside_mps` is added, its variance `beside_variance`.
    """

    flown: tuple[Flown, ...]
    sides: tuple[int, ...]  # 0 or 1 for each pass
    weights: Floats
    beside_mps: float
    beside_variance: float
    balanced: tuple[bool, bool]
    notes: tuple[str, ...]


def compare(first: Side, second: Side, *, same_air: bool = False) -> Compared:
    """Compare two sides: the second less the first.

    Parameters
    ----------
    same_air
        Reduce both to air of one density, from the `[air]` of each session.

    Raises
    ------
    VidspeedError
        Where a side has no measured pass, both are the same passes, or the air is not known.
    """
    _refuse(first, second)
    total = _sum(first, second, same_air)
    spreads = [_spread(total, row) for row in joint(total.flown)]
    at = max(range(len(spreads)), key=lambda index: spreads[index].half())
    errors, spread = joint(total.flown)[at], spreads[at]
    speeds = np.array([_speed(row) for row in total.flown])
    difference = float(total.weights @ speeds) + total.beside_mps
    half, faster = spread.half(), spread.below(difference)
    groups = [
        _group(side, index, total, errors, spread) for index, side in enumerate((first, second))
    ]
    shared = spread.fixed - float(total.weights**2 @ errors.own)
    claimed = _verdict(faster, spread.scatter)
    return Compared(
        first=groups[0],
        second=groups[1],
        difference_mps=difference,
        difference_u_mps=spread.u,
        interval95_mps=(difference - half, difference + half),
        faster_probability=faster,
        verdict=claimed,
        scatter_mps=spread.scatter.median_mps,
        scatter_dof=spread.scatter.dof,
        measurement_u_mps=math.sqrt(spread.fixed),
        shared_u_mps=math.sqrt(max(shared, 0.0)),
        found_if_percent=FOUND_IF,
        found_if=None
        if spread.scatter.dof == 0
        else chance_to_claim(FOUND_IF / 100.0 * groups[0].speed_mps, spread),
        more_passes=0
        if claimed in ("faster", "slower")
        else _more(difference, total, errors, spread),
        notes=total.notes,
    )


def _refuse(first: Side, second: Side) -> None:
    for side in (first, second):
        if not side.passes:
            raise VidspeedError(
                f"{side.name}: no measured pass to compare; partial passes do not count, they are "
                "not from gate to gate"
            )
    same = first.session.folder == second.session.folder
    both = {row.label for row in first.passes} & {row.label for row in second.passes}
    if same and both:
        raise VidspeedError(
            f"{first.name} and {second.name}: pass {sorted(both)[0]} is on both sides; compare two "
            "sessions, or two setups of one"
        )


def _verdict(
    faster: float, scatter: Scatter
) -> Literal["faster", "slower", "not shown", "cannot be decided"]:
    if scatter.dof == 0:
        return "cannot be decided"
    if faster >= ONE_SIDED:
        return "faster"
    return "slower" if faster <= 1.0 - ONE_SIDED else "not shown"


def _speed(row: Flown) -> float:
    assert row.result.speed_mps is not None
    return row.scale * row.result.speed_mps


def _sum(first: Side, second: Side, same_air: bool) -> _Sum:
    """Return the difference of two sides as a weighted sum of their passes."""
    sides, notes = (first, second), []
    one_evening = first.session.folder == second.session.folder
    ways = [_ways(side) for side in sides]
    if one_evening and ways[0] != ways[1] and ways[0] & ways[1]:
        ways = [ways[0] & ways[1]] * 2
        notes.append(f"only {next(iter(ways[0]))} passes are compared: not both flew both ways")
    weights, flown, of_side = [], [], []
    beside, wind = 0.0, {side.session.folder: 0.0 for side in sides}
    for number, (side, own) in enumerate(zip(sides, ways, strict=True)):
        sign = 1.0 if number else -1.0
        counts = {way: sum(row.direction == way for row in side.passes) for way in own}
        for row in side.passes:
            if row.direction in own:
                weights.append(sign / (len(own) * counts[str(row.direction)]))
                flown.append(Flown(result=row, session=side.session))
                of_side.append(number)
        if len(own) == 1:
            wind[side.session.folder] -= sign * (1.0 if "forward" in own else -1.0)
    split = said_of_split([row.result for row in flown])
    if split is not None:
        notes.append(split)
    variance = 0.0
    for side in {side.session.folder: side for side in sides}.values():
        share = wind[side.session.folder]
        along, u = _wind(side.session.air)
        beside += share * along
        variance += (share * u) ** 2
        if share:
            notes.append(
                f"{side.name} was flown one way only: wind of {along:+.1f} ± {2.0 * u:.1f} m/s "
                "along the course (k = 2) was taken off; fly both ways"
            )
    found = _Sum(
        flown=tuple(flown),
        sides=tuple(of_side),
        weights=np.array(weights),
        beside_mps=beside,
        beside_variance=variance,
        balanced=(len(ways[0]) == 2, len(ways[1]) == 2),
        notes=tuple(notes),
    )
    return _same_air(found, sides) if same_air else found


def _ways(side: Side) -> set[str]:
    return {str(row.direction) for row in side.passes}


def _wind(air: Air | None) -> tuple[float, float]:
    """Return the wind along the course and its u, nought and what is usual where not stated."""
    found = air or Air()
    return found.wind_along_mps, found.wind_u_mps


def _same_air(total: _Sum, sides: Sequence[Side]) -> _Sum:
    """Return the sum with every speed as in air of one density.

    Densities of two evenings are taken as independent, the exponent is one for both.
    """
    scales, grown, by_exponent = [], 0.0, 0.0
    for number, side in enumerate(sides):
        found = density_of(side.session.air)
        if found is None:
            raise VidspeedError(
                f"{side.name}: the density of the air does not follow from [air] of its "
                "session.toml; state temperature_c and pressure_hpa there"
            )
        density, u = found
        scale = (density / SEA_LEVEL_KGM3) ** EXPONENT
        mine = [at for at, own in enumerate(total.sides) if own == number]
        speed = sum(total.weights[at] * _speed(total.flown[at]) for at in mine) * scale
        if sides[0].session.folder != sides[1].session.folder:
            grown += (EXPONENT * speed * u / density) ** 2
        by_exponent += speed * math.log(density / SEA_LEVEL_KGM3)
        scales.append(scale)
    return replace(
        total,
        flown=tuple(
            replace(row, scale=scales[number])
            for row, number in zip(total.flown, total.sides, strict=True)
        ),
        beside_variance=total.beside_variance + grown + (by_exponent * EXPONENT_U) ** 2,
        notes=(
            *total.notes,
            f"both as in air of {SEA_LEVEL_KGM3:g} kg/m³, speed taken as density to the power of "
            "−1/3 (anything from 0 to −1/2 allowed for)",
        ),
    )


def _spread(total: _Sum, errors: Joint) -> Spread:
    """Return what the difference may be off by, under one reading of what the passes share."""
    results = [row.result for row in total.flown]
    evenings = [row.session.folder for row in total.flown]
    ways = [str(row.direction) for row in results]
    design = design_of(total.sides, evenings, ways)
    speeds = np.array([_speed(row) for row in total.flown])
    fixed = errors.variance(total.weights) + total.beside_variance
    parts = [
        (abs(weight) * (row.speed_u_mps or 0.0), row.dof)
        for weight, row in zip(total.weights.tolist(), results, strict=True)
    ]
    return Spread(
        scatter=scatter_of(speeds, errors.covariance, design),
        fixed=fixed,
        share=float(total.weights @ total.weights),
        dof=effective_dof(math.sqrt(fixed), parts),
    )


def _group(side: Side, number: int, total: _Sum, errors: Joint, spread: Spread) -> Group:
    """Return one side's passes and its balanced mean with its interval."""
    mine = np.array([own == number for own in total.sides])
    weights = np.where(mine, np.abs(total.weights), 0.0)
    flown = [row for row, own in zip(total.flown, mine, strict=True) if own]
    speeds = np.array([_speed(row) for row in flown])
    wind = 0.0
    variance = errors.variance(weights)
    if not total.balanced[number]:
        along, u = _wind(side.session.air)
        wind = -along if flown[0].result.direction == "forward" else along
        variance += u**2
    own_spread = replace(spread, fixed=variance, share=float(weights @ weights), dof=None)
    return Group(
        name=side.name,
        labels=tuple(row.result.label for row in flown),
        directions=tuple(str(row.result.direction) for row in flown),
        speeds_mps=speeds,
        U95_mps=np.array([row.scale * (row.result.speed_U95_mps or 0.0) for row in flown]),
        speed_mps=float(weights[mine] @ speeds) + wind,
        speed_U95_mps=own_spread.half(),
        balanced=total.balanced[number],
    )


def _more(difference: float, total: _Sum, errors: Joint, spread: Spread) -> int | None:
    """Return how many more passes each way on each side would claim what is seen, if true.

    Later passes are taken to be as sure as these, with what these share shared on.
    """
    if spread.scatter.dof == 0 or difference == 0.0:
        return None
    squares = total.weights**2
    shared = max(spread.fixed - float(squares @ errors.own), 0.0)
    counts = {
        (side, row.result.direction): sum(
            other == side and each.result.direction == row.result.direction
            for each, other in zip(total.flown, total.sides, strict=True)
        )
        for row, side in zip(total.flown, total.sides, strict=True)
    }
    keys = [
        (side, row.result.direction) for row, side in zip(total.flown, total.sides, strict=True)
    ]
    for more in range(1, MOST_MORE + 1):
        shrunk = np.array([counts[key] / (counts[key] + more) for key in keys])
        later = replace(
            spread,
            fixed=shared + float((squares * shrunk) @ errors.own),
            share=float(squares @ shrunk),
            scatter=replace(spread.scatter, dof=spread.scatter.dof + more * len(counts)),
        )
        if chance_to_claim(abs(difference), later) >= OFTEN:
            return more
    return None
