"""Judge what is compared with the passes of a session: a warning, or more than chance allows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vidspeed.agreement.causes import Beside, causes
from vidspeed.chance import normal_isf
from vidspeed.values import Check, CrossCheck, PassResult, Problem

NORMAL95 = 1.96
FALSE_ALARM = 0.01  # of sessions in which all is right that get a failed comparison all the same


def fail_limit(comparisons: int) -> float:
    """Return the |E_n| beyond which a session with so many comparisons has a failed one.

    Bonferroni's bound: each is allowed its share of `FALSE_ALARM`.

    Examples
    --------
    >>> round(fail_limit(1), 3), round(fail_limit(20), 3)
    (1.314, 1.776)
    """
    return float(normal_isf(FALSE_ALARM / (2.0 * max(comparisons, 1)))) / NORMAL95


def compared(result: PassResult, row: Beside) -> CrossCheck:
    """Return a figure as a cross-check of a pass.

    What is uncertain of the difference beyond first order is taken from the pass's own interval.
    """
    widening = 1.0
    if result.speed_u_mps and result.speed_U95_mps and result.coverage_factor:
        first = np.sqrt(sum(value**2 for value in row.by_input.values()))
        shared = min(1.0, float(first) / result.speed_u_mps)
        widening = 1.0 + shared * (max(result.coverage_factor, NORMAL95) / NORMAL95 - 1.0)
    return CrossCheck(
        name=row.name,
        speed_mps=row.speed_mps,
        speed_u_mps=row.speed_u_mps,
        e_n=row.away_mps / (NORMAL95 * widening * row.u_mps),
    )


def judged(
    result: PassResult, rows: Sequence[Beside], comparisons: int
) -> tuple[PassResult, list[Problem]]:
    """Return a pass with the verdict on its cross-checks, and what is to be told of them.

    `rows` are what its cross-checks were made of; `comparisons` is how many the session has.
    """
    if not result.cross_checks:
        return result, []
    hints = [compared(result, row) for row in rows if row.hint]
    worst = max((*result.cross_checks, *hints), key=lambda row: abs(row.e_n))
    limit = fail_limit(comparisons)
    if abs(worst.e_n) <= 1.0:
        names = ", ".join(row.name for row in result.cross_checks)
        check = Check(name="agreement", status="ok", detail=f"agrees with {names}")
        return replace(result, checks=(*result.checks, check)), []
    detail = _words(result, rows, worst, limit, comparisons)
    check = Check(
        name="agreement", status="fail" if abs(worst.e_n) > limit else "warn", detail=detail
    )
    where = f"{', '.join(result.clips)}, pass {result.label}"
    told = Problem(level="warn", where=where, message=detail)
    return replace(result, checks=(*result.checks, check)), [told]


def _words(
    result: PassResult,
    rows: Sequence[Beside],
    worst: CrossCheck,
    limit: float,
    comparisons: int,
) -> str:
    """Say what disagrees, by how much, and what would explain it."""
    base = next(row.speed_mps - row.away_mps for row in rows if row.name == worst.name)
    away = 100.0 * (worst.speed_mps / base - 1.0)
    chance = (
        f"more than chance does in {comparisons} comparisons"
        if abs(worst.e_n) > limit
        else f"in {comparisons} comparisons chance may do so"
    )
    name = "the distance by the sound" if worst.name == "distance" else worst.name
    said = f"{name} says {away:+.2g} %, E_n {worst.e_n:+.1f} ({chance})"
    named = causes(result, rows, ", ".join(result.clips))
    if not named:
        return said
    listed = "; ".join(f"{number}. {row.words}" for number, row in enumerate(named, start=1))
    return f"{said}; what would explain it, the likeliest first: {listed}"
