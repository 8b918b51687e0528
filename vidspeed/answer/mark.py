"""The mark: the session's figure from the best two opposite passes that its rules allow.

Its uncertainty comes from the covariance of the passes, never from treating them as independent:
both ways share survey, camera and clock.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from vidspeed.answer.air import reduced_to, wind_of
from vidspeed.answer.contest import (
    Contest,
    Pair,
    contest_of,
    left_out,
    mean_of,
    passes_design,
    speed_of,
    why_none,
    wind_spread,
)
from vidspeed.answer.luck import Field, beats, field_of, lifts
from vidspeed.answer.readings import both_readings, picked, weighted_variance
from vidspeed.answer.scatter import ONE_SIDED
from vidspeed.chance import student_cdf, student_ppf
from vidspeed.motion.coverage import coverage_factor, effective_dof
from vidspeed.values import Air, Floats, Luck, Mark, MarkRules, PassResult, Ruled, Session, Value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decided(Value):
    """The mark, or why there is none: `why_not` None where only a pass of one way is missing.

    `doubts` say which names in `[mark]` no pass has.
    """

    mark: Mark | None
    why_not: str | None = None
    doubts: tuple[str, ...] = ()


def mark_of(
    session: Session, passes: Sequence[PassResult], labels: Sequence[str], covariance: Floats
) -> Decided:
    """Return the mark of a session under its rules; see `decide`."""
    recorded = {clip.name: clip.recorded for clip in session.clips if clip.recorded is not None}
    return decide(passes, labels, covariance, session.mark, recorded=recorded, air=session.air)


def decide(
    passes: Sequence[PassResult],
    labels: Sequence[str],
    covariance: Floats,
    rules: MarkRules | None = None,
    *,
    recorded: Mapping[str, datetime] | None = None,
    air: Air | None = None,
) -> Decided:
    """Return the mark: of the pairs that the rules allow, the one with the highest mean speed.

    Parameters
    ----------
    passes
        All passes of the session; only those with status `measured` are candidates.
    labels, covariance
        The covariance (n, n) of the passes in (m/s)^2, and whose its rows are; a flight line
        whose split is open counts in it as common to all passes.
    rules
        What `[mark]` states.
    recorded
        When each clip began, where that was stated.
    air
        What the session says of the air.

    Notes
    -----
    A pair that meets every rule goes before any of which a rule cannot be decided; one that does
    not meet a rule is never taken.
    """
    contest = contest_of(passes, labels, covariance, rules, recorded or {}, air)
    doubts = _unknown_names(passes, rules)
    if not contest.allowed:
        return Decided(mark=None, why_not=why_none(contest), doubts=doubts)
    pair = max(contest.allowed, key=mean_of)
    block = picked(labels, covariance, pair)
    return Decided(mark=_mark(passes, pair, block, rules, contest, air), doubts=doubts)


def _unknown_names(passes: Sequence[PassResult], rules: MarkRules | None) -> tuple[str, ...]:
    """Say which passes or setups `[mark]` names that are not there."""
    if rules is None:
        return ()
    labels = {row.label for row in passes}
    found = [f'passes names "{name}"' for name in rules.passes or () if name not in labels]
    if rules.setup is not None and rules.setup not in {row.setup for row in passes}:
        found.append(f'setup is "{rules.setup}"')
    return tuple(f"[mark]: {what}, but no pass is so labelled; see the labels" for what in found)


def _mark(
    passes: Sequence[PassResult],
    pair: Pair,
    block: Floats,
    rules: MarkRules | None,
    contest: Contest,
    air: Air | None,
) -> Mark:
    speeds = (speed_of(pair[0]), speed_of(pair[1]))
    speed_mps, u_mps = mean_of(pair), math.sqrt(weighted_variance(pair, (0.5, 0.5), block))
    dof = mean_dof(pair, u_mps)
    factor = coverage_factor(dof)
    by_pair, by_luck = _beats(speed_mps, u_mps, dof, rules, contest)
    to_kgm3 = None if rules is None else rules.density_kgm3
    spread = wind_spread(pair, block, contest.scatter, dof)
    return Mark(
        passes=(pair[0].label, pair[1].label),
        speed_mps=speed_mps,
        speed_u_mps=u_mps,
        speed_U95_mps=factor * u_mps,
        coverage_factor=factor,
        speed_from_mean_time_mps=speed_from_mean_time(*speeds),
        speed_from_mean_time_u_mps=_mean_time_u(pair, block),
        selected_from=_selected_from(contest),
        left_out=left_out(passes, pair, contest),
        beats_probability=None if by_luck is None else by_luck[0],
        beats_at_95=None if by_luck is None else by_luck[1],
        pair_probability=None if by_pair is None else by_pair[0],
        rules=_once(contest.of_pair[pair[0].label, pair[1].label]),
        luck=_luck(contest),
        wind=wind_of(*speeds, u_mps, spread, air),
        reduced=None if to_kgm3 is None else reduced_to(to_kgm3, speed_mps, u_mps, factor, air),
    )


def speed_from_mean_time(one_mps: float, other_mps: float) -> float:
    """Return the speed over the mean of the two times: the harmonic mean of the speeds.

    Along-wind w takes w^2/v off it, which the mean of the speeds keeps.

    Examples
    --------
    >>> round(speed_from_mean_time(436.0, 364.0), 2)
    396.76
    """
    return 2.0 * one_mps * other_mps / (one_mps + other_mps)


def _mean_time_u(pair: Pair, block: Floats) -> float:
    """Return the standard uncertainty of the speed over the mean of the two times."""
    one, other = speed_of(pair[0]), speed_of(pair[1])
    total = (one + other) ** 2
    weights = (2.0 * other**2 / total, 2.0 * one**2 / total)
    return math.sqrt(weighted_variance(pair, weights, block))


def mean_dof(pair: tuple[PassResult, PassResult], u_mps: float) -> float | None:
    """Return the effective degrees of freedom of the mean of two speeds, None for infinite.

    Welch-Satterthwaite (JCGM 100:2008, G.2b). All that has finite degrees of freedom are the
    scatters of each pass's own lights, which two passes do not share. So each pass's sum of
    contribution^4 / dof is its u^4 / dof, and in the mean each contribution is halved.
    """
    parts = [(result.speed_u_mps or 0.0, result.dof) for result in pair]
    return effective_dof(u_mps, [(u / 2.0, dof) for u, dof in parts])


def _selected_from(contest: Contest) -> tuple[int, int]:
    """Return out of how many forward and how many reverse passes the pair was chosen."""
    one, other = ({pair[way].label for pair in contest.allowed} for way in (0, 1))
    return len(one), len(other)


def _once(rows: Sequence[Ruled]) -> tuple[Ruled, ...]:
    """Return a row for each rule: where it was asked of both passes, both details together."""
    found: dict[str, Ruled] = {}
    for row in rows:
        before = found.get(row.rule)
        if before is None:
            found[row.rule] = row
            continue
        order = ("not met", "cannot be decided", "met")
        verdict = min(before.verdict, row.verdict, key=order.index)
        detail = f"{before.detail}; {row.detail}"
        found[row.rule] = Ruled(rule=row.rule, verdict=verdict, detail=detail)
    return tuple(found.values())


def _fields(contest: Contest) -> list[Field]:
    """Return the field that the pair was chosen from, under each reading of what is open."""
    counted = contest.counted
    place = {row.label: number for number, row in enumerate(counted)}
    pairs = [(place[one.label], place[other.label]) for one, other in contest.allowed]
    speeds = np.array([speed_of(row) for row in counted])
    design, dof = passes_design(counted), _least_dof(counted)
    return [
        field_of(speeds, pairs, covariance, design, dof)
        for covariance in both_readings(counted, contest.covariance)
    ]


def _least_dof(passes: Sequence[PassResult]) -> float | None:
    """Return the smallest of the passes' degrees of freedom, None where all are infinite."""
    return min((row.dof for row in passes if row.dof is not None), default=None)


def _luck(contest: Contest) -> Luck:
    alone = _selected_from(contest) == (1, 1)
    fields = [] if alone else _fields(contest)
    return Luck(
        lift_mps=0.0 if alone else max(float(np.mean(lifts(field))) for field in fields),
        scatter_mps=contest.scatter.median_mps,
        scatter_dof=contest.scatter.dof,
    )


def _beats(
    speed_mps: float, u_mps: float, dof: float | None, rules: MarkRules | None, contest: Contest
) -> tuple[tuple[float, bool] | None, tuple[float, bool] | None]:
    """Return probability and claim for the two passes by themselves, and with the luck.

    Where nothing was chosen and nothing is known of the scatter, both are the same.
    """
    if rules is None or rules.earlier_mps is None:
        return None, None
    raised = 1.0 + rules.margin_percent / 100.0
    threshold, threshold_u = raised * rules.earlier_mps, raised * rules.earlier_u_mps
    u_margin_mps = math.hypot(u_mps, threshold_u)
    margin_dof = effective_dof(u_margin_mps, [(u_mps, dof)])
    by_pair = exceeds(speed_mps - threshold, u_margin_mps, margin_dof)
    if len(contest.counted) == 2:
        return by_pair, by_pair
    chances = [beats(field, threshold, threshold_u, speed_mps) for field in _fields(contest)]
    least = min(*chances, by_pair[0])
    return by_pair, (least, least >= ONE_SIDED)


def exceeds(margin: float, u: float, dof: float | None) -> tuple[float, bool]:
    """Return the probability that a quantity is above nought, and whether that holds at 95 %.

    One-sided (JCGM 106:2012): it holds where `margin` is at least t(0.95, dof) times `u`; the
    degrees of freedom are cut to an integer, as for the coverage factor.

    Examples
    --------
    >>> [round(exceeds(1.8, 1.0, dof)[0], 4) for dof in (None, 10.9)]
    [0.9641, 0.949]
    """
    if u == 0.0:
        return (1.0, True) if margin > 0.0 else (0.0, False)
    whole = math.inf if dof is None or not math.isfinite(dof) else max(1, math.floor(dof))
    return float(student_cdf(margin / u, whole)), bool(margin >= student_ppf(0.95, whole) * u)
