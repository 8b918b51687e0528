"""Which passes count for the mark, which pairs of them the rules allow, and why others do not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from vidspeed.answer.air import wind_rule
from vidspeed.answer.readings import picked, weighted_variance
from vidspeed.answer.rules import pair_rules, pass_rules, worst
from vidspeed.answer.scatter import NO_SCATTER, Scatter, Spread, design_of, scatter_of
from vidspeed.values import Air, Floats, MarkRules, PassResult, Ruled, Value

Pair = tuple[PassResult, PassResult]  # forward, reverse
WAYS = ("forward", "reverse")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contest(Value):
    """The passes that count, and the pairs of them that the rules allow.

    `covariance` (n, n) is that of `counted` (n,); `scatter` theirs beside it. `of_pass` are the
    verdicts on each measured pass by its label, `of_pair` all on each pair of those that count.
    """

    counted: tuple[PassResult, ...]
    covariance: Floats
    scatter: Scatter
    allowed: tuple[Pair, ...]
    of_pass: Mapping[str, Sequence[Ruled]]
    of_pair: Mapping[tuple[str, str], Sequence[Ruled]]


def contest_of(
    passes: Sequence[PassResult],
    labels: Sequence[str],
    covariance: Floats,
    rules: MarkRules | None,
    recorded: Mapping[str, datetime],
    air: Air | None,
) -> Contest:
    """Judge every measured pass and every pair; allow those of the best verdict.

    `covariance` (n, n), (m/s)^2, is that of the passes in the order of `labels`.
    """
    measured = [row for row in passes if row.status == "measured" and row.speed_mps is not None]
    of_pass = {row.label: pass_rules(rules, row) for row in measured}
    counted = [row for row in measured if worst(of_pass[row.label]) != "not met"]
    block = picked(labels, covariance, counted)
    scatter = passes_scatter(counted, block)

    def of_both(pair: Pair) -> list[Ruled]:
        own = [row for result in pair for row in of_pass[result.label]]
        wind = _wind_rules(rules, pair, picked(labels, covariance, pair), scatter, air)
        return [*own, *pair_rules(rules, pair, recorded), *wind]

    pairs = [
        (one, other)
        for one in counted
        for other in counted
        if (one.direction, other.direction) == WAYS
    ]
    of_pair = {(pair[0].label, pair[1].label): of_both(pair) for pair in pairs}
    tiers: dict[str, list[Pair]] = {}
    for one, other in pairs:
        tiers.setdefault(worst(of_pair[one.label, other.label]), []).append((one, other))
    return Contest(
        counted=tuple(counted),
        covariance=block,
        scatter=scatter,
        allowed=tuple(tiers.get("met") or tiers.get("cannot be decided") or ()),
        of_pass=of_pass,
        of_pair=of_pair,
    )


def passes_scatter(passes: Sequence[PassResult], covariance: Floats) -> Scatter:
    """Return the scatter of passes beside their setups' speeds and a wind along the course.

    `covariance` (n, n), (m/s)^2, is that of these passes.
    """
    if not passes:
        return NO_SCATTER
    speeds = np.array([speed_of(row) for row in passes])
    return scatter_of(speeds, covariance, passes_design(passes))


def passes_design(passes: Sequence[PassResult]) -> Floats:
    """Return the design (n, p) of passes: a speed of each set-up, one wind along the course."""
    ways = [str(row.direction) for row in passes]
    return design_of([row.setup for row in passes], [None] * len(passes), ways)


def wind_spread(pair: Pair, block: Floats, scatter: Scatter, dof: float | None = None) -> Spread:
    """Return what half the difference of two speeds may be off by, taken for the wind.

    `block` (2, 2), (m/s)^2, is the covariance of the pair.
    """
    fixed = weighted_variance(pair, (0.5, -0.5), block)
    return Spread(scatter=scatter, fixed=fixed, share=0.5, dof=dof)


def _wind_rules(
    rules: MarkRules | None, pair: Pair, block: Floats, scatter: Scatter, air: Air | None
) -> list[Ruled]:
    if rules is None or rules.most_wind_mps is None:
        return []
    along = (speed_of(pair[0]) - speed_of(pair[1])) / 2.0
    spread = wind_spread(pair, block, scatter)
    return [wind_rule(rules.most_wind_mps, along, spread, air)]


def speed_of(result: PassResult) -> float:
    """Return the speed of a measured pass, m/s."""
    assert result.speed_mps is not None
    return result.speed_mps


def mean_of(pair: Pair) -> float:
    """Return the mean of the two speeds, m/s."""
    return (speed_of(pair[0]) + speed_of(pair[1])) / 2.0


def left_out(
    passes: Sequence[PassResult], pair: Pair, contest: Contest
) -> tuple[tuple[str, str], ...]:
    """Return every other pass with the reason why it is not in the mark."""
    others = [row for row in passes if row is not pair[0] and row is not pair[1]]
    return tuple((row.label, _why_left_out(row, pair, contest)) for row in others)


def _why_left_out(result: PassResult, pair: Pair, contest: Contest) -> str:
    if result.status == "none":
        return "nothing was measured"
    if result.status == "partial":
        return "partial: its speed is not from gate to gate"
    broken = [row for row in contest.of_pass[result.label] if row.verdict == "not met"]
    if broken:
        return "; ".join(f"not met: {row.rule} ({row.detail})" for row in broken)
    chosen = pair[0] if result.direction == "forward" else pair[1]
    if any(result in each for each in contest.allowed) and speed_of(result) <= speed_of(chosen):
        return f"not faster than pass {chosen.label}, {result.direction} too"
    if any(result in each for each in contest.allowed):
        return f"faster, but no pair with it is as fast as {pair[0].label} and {pair[1].label}"
    return f"no pair with it meets the rules as well: {_hindrance(result, contest)}"


def _hindrance(result: PassResult, contest: Contest) -> str:
    """Say which rules keep a pass out of every pair."""
    rows = [row for labels, found in contest.of_pair.items() if result.label in labels
            for row in found if row.verdict != "met"]  # fmt: skip
    return "; ".join(dict.fromkeys(f"{row.rule} {row.verdict}" for row in rows)) or "none is there"


def why_none(contest: Contest) -> str | None:
    """Say why the rules allow no pair; None where they are not what is in the way."""
    if contest.of_pair:
        best = max(contest.of_pair, key=lambda labels: _speed_of_labels(labels, contest))
        rows = [row for row in contest.of_pair[best] if row.verdict == "not met"]
        told = "; ".join(dict.fromkeys(f"{row.rule} ({row.detail})" for row in rows))
        two = f"of the fastest two, {best[0]} and {best[1]}"
        return f"no two opposite passes meet the rules; {two}, not met: {told}"
    broken = [
        f"pass {label}: {row.rule} ({row.detail})"
        for label, rows in contest.of_pass.items()
        for row in rows
        if row.verdict == "not met"
    ]
    return f"no pass of each way meets the rules; not met: {'; '.join(broken)}" if broken else None


def _speed_of_labels(labels: tuple[str, str], contest: Contest) -> float:
    return sum(speed_of(row) for row in contest.counted if row.label in labels)
