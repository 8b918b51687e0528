"""The mark: the session's figure from the best two opposite passes.

Its uncertainty comes from the covariance of the passes, never from treating them as independent:
both ways share survey, camera and clock.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.stats import t

from vidspeed.motion.coverage import coverage_factor, effective_dof
from vidspeed.values import Floats, Mark, MarkRules, PassResult


def choose_mark(
    passes: Sequence[PassResult],
    labels: Sequence[str],
    covariance: Floats,
    rules: MarkRules | None = None,
) -> Mark | None:
    """Return the mark, None where no measured pass was flown one of the ways.

    Parameters
    ----------
    passes
        All passes of the session; only those with status `measured` are candidates.
    labels, covariance
        The covariance (n, n) of the passes in (m/s)^2, and whose its rows are; a flight line
        whose split is open counts in it as common to all passes.
    rules
        The earlier figure, if there is one to be beaten.

    Notes
    -----
    The best pair is the one with the highest mean of the two speeds, so the fastest each way.
    That the fastest of several is fast partly by luck is not taken off here; `selected_from`
    says from how many it was chosen.
    """
    forward, reverse = _candidates(passes, "forward"), _candidates(passes, "reverse")
    if not forward or not reverse:
        return None
    pair = (max(forward, key=_speed), max(reverse, key=_speed))
    speed_mps = (_speed(pair[0]) + _speed(pair[1])) / 2.0
    u_mps = math.sqrt(mean_variance(pair, labels, covariance))
    dof = mean_dof(pair, u_mps)
    factor = coverage_factor(dof)
    probability, beats = _beats(speed_mps, u_mps, dof, rules)
    return Mark(
        passes=(pair[0].label, pair[1].label),
        speed_mps=speed_mps,
        speed_u_mps=u_mps,
        speed_U95_mps=factor * u_mps,
        coverage_factor=factor,
        speed_from_mean_time_mps=speed_from_mean_time(_speed(pair[0]), _speed(pair[1])),
        selected_from=(len(forward), len(reverse)),
        left_out=_left_out(passes, pair),
        beats_probability=probability,
        beats_at_95=beats,
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


def mean_variance(
    pair: tuple[PassResult, PassResult], labels: Sequence[str], covariance: Floats
) -> float:
    """Return the variance of the mean of two speeds in (m/s)^2, from the passes' covariance.

    The covariance counts a flight line whose split the session left open as common to all passes.
    Each such input counts here as common or as independent, whichever makes the mean less sure.
    """
    at = [list(labels).index(result.label) for result in pair]
    block = np.asarray(covariance)[np.ix_(at, at)]
    return float(block.sum()) / 4.0 + _if_independent(pair)


def _if_independent(pair: tuple[PassResult, PassResult]) -> float:
    """Return what the mean's variance grows by where errors taken as common would cancel.

    Of two sensitivities s, t to one input the mean has ((s + t)/2)^2 if it is common to both
    passes and (s^2 + t^2)/4 if it is not: more by -s t / 2, where they differ in sign.
    """
    one, other = (_open_split(result) for result in pair)
    return sum(max(0.0, -one[name] * other[name] / 2.0) for name in one.keys() & other.keys())


def _open_split(result: PassResult) -> dict[str, float]:
    """Return the signed sensitivity, by name, of the inputs whose split is open."""
    if result.sensitivities_mps is None:
        return {}
    pairs = zip(result.inputs, result.sensitivities_mps.tolist(), strict=True)
    return {item.name: value for item, value in pairs if item.split_unknown}


def mean_dof(pair: tuple[PassResult, PassResult], u_mps: float) -> float | None:
    """Return the effective degrees of freedom of the mean of two speeds, None for infinite.

    Welch-Satterthwaite (JCGM 100:2008, G.2b). All that has finite degrees of freedom are the
    scatters of each pass's own lights, which two passes do not share. So each pass's sum of
    contribution^4 / dof is its u^4 / dof, and in the mean each contribution is halved.
    """
    parts = [(result.speed_u_mps or 0.0, result.dof) for result in pair]
    return effective_dof(u_mps, [(u / 2.0, dof) for u, dof in parts])


def _beats(
    speed_mps: float, u_mps: float, dof: float | None, rules: MarkRules | None
) -> tuple[float | None, bool | None]:
    """Return the probability that the earlier figure is beaten, and whether it is at 95 %."""
    if rules is None or rules.earlier_mps is None:
        return None, None
    raised = 1.0 + rules.margin_percent / 100.0
    margin_mps = speed_mps - raised * rules.earlier_mps
    u_margin_mps = math.hypot(u_mps, raised * rules.earlier_u_mps)
    return exceeds(margin_mps, u_margin_mps, effective_dof(u_margin_mps, [(u_mps, dof)]))


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
    return float(t.cdf(margin / u, whole)), bool(margin >= t.ppf(0.95, whole) * u)


def _candidates(passes: Sequence[PassResult], direction: str) -> list[PassResult]:
    """Return the measured passes of one direction."""
    return [
        result
        for result in passes
        if result.status == "measured"
        and result.direction == direction
        and result.speed_mps is not None
    ]


def _speed(result: PassResult) -> float:
    """Return the speed of a measured pass, m/s."""
    assert result.speed_mps is not None
    return result.speed_mps


def _left_out(
    passes: Sequence[PassResult], pair: tuple[PassResult, PassResult]
) -> tuple[tuple[str, str], ...]:
    """Return every other pass with the reason why it is not in the mark."""
    others = [result for result in passes if result is not pair[0] and result is not pair[1]]
    return tuple((result.label, _why_left_out(result, pair)) for result in others)


def _why_left_out(result: PassResult, pair: tuple[PassResult, PassResult]) -> str:
    """Say why a pass is not in the mark."""
    if result.status == "none":
        return "nothing was measured"
    if result.status == "partial":
        return "partial: its speed is not from gate to gate"
    chosen = pair[0] if result.direction == "forward" else pair[1]
    return f"not faster than pass {chosen.label}, {result.direction} too"
