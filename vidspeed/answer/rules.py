"""The rules of `[mark]`, each `met`, `not met` or `cannot be decided`.

What was measured has an uncertainty, so a limit is met where the probability of being within it is
95 % or more, not met where it is 5 % or less, and between them it cannot be decided (JCGM
106:2012, guard bands on both sides). What is not known at all cannot be decided either.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta

import numpy as np

from vidspeed.answer.scatter import ONE_SIDED
from vidspeed.chance import normal_cdf
from vidspeed.values import Heights, MarkRules, PassResult, Ruled, Verdict

TIME_U_S = 1.0 / np.sqrt(3.0)  # a time of day is stated to the second
MIN_S = 60.0


def verdict_of(probability: float) -> Verdict:
    """Return the verdict on a limit that is kept with this probability."""
    if probability >= ONE_SIDED:
        return "met"
    return "not met" if probability <= 1.0 - ONE_SIDED else "cannot be decided"


def worst(rows: Sequence[Ruled]) -> Verdict:
    """Return the worst verdict, `met` where there is no rule."""
    found: set[Verdict] = {row.verdict for row in rows}
    order: tuple[Verdict, ...] = ("not met", "cannot be decided")
    return next((verdict for verdict in order if verdict in found), "met")


def pass_rules(rules: MarkRules | None, result: PassResult) -> list[Ruled]:
    """Judge what is asked of each pass by itself."""
    if rules is None:
        return []
    found = []
    if rules.passes is not None:
        found.append(_counts("passes that count", result.label, rules.passes))
    if rules.setup is not None:
        found.append(_setup(result, rules.setup))
    if rules.height_m is not None:
        found.append(_window(result, rules.height_m))
    if rules.most_dive_m is not None:
        found.append(_level_entry(result, rules.most_dive_m, rules.approach_m))
    return found


def pair_rules(
    rules: MarkRules | None,
    pair: tuple[PassResult, PassResult],
    recorded: Mapping[str, datetime],
) -> list[Ruled]:
    """Judge what is asked of two passes together; `recorded` says when each clip began."""
    if rules is None:
        return []
    found = []
    if rules.flights != "any":
        found.append(_flights(pair, rules.flights))
    if rules.within_s is not None:
        found.append(_within(pair, rules.within_s, recorded))
    return found


def _counts(rule: str, label: str, allowed: Sequence[str]) -> Ruled:
    listed = ", ".join(allowed) or "none"
    within = label in allowed
    detail = f"pass {label} is {'one' if within else 'none'} of those that count: {listed}"
    return Ruled(rule=rule, verdict="met" if within else "not met", detail=detail)


def _setup(result: PassResult, setup: str) -> Ruled:
    rule = f"setup {setup}"
    if result.setup is None:
        detail = f"pass {result.label} has no setup"
        return Ruled(rule=rule, verdict="cannot be decided", detail=detail)
    same = result.setup == setup
    detail = f"pass {result.label} is of setup {result.setup}"
    return Ruled(rule=rule, verdict="met" if same else "not met", detail=detail)


def _window(result: PassResult, window_m: tuple[float, float]) -> Ruled:
    """Judge the height at both gates by the worse of the two."""
    low, high = window_m
    rule = f"height {low:g} to {high:g} m at both gates"
    if result.heights is None:
        detail = f"the height of pass {result.label} is not known"
        return Ruled(rule=rule, verdict="cannot be decided", detail=detail)
    row = result.heights
    gates = ((row.height_in_m, row.height_in_u_m), (row.height_out_m, row.height_out_u_m))
    kept = min(_between(height, u, low, high) for height, u in gates)
    return Ruled(rule=rule, verdict=verdict_of(kept), detail=height_text(result.label, row))


def height_text(label: str, row: Heights) -> str:
    """Say how high a pass was at both gates."""
    return (
        f"pass {label}: {_metres(row.height_in_m, row.height_in_u_m)} at the first gate, "
        f"{_metres(row.height_out_m, row.height_out_u_m)} at the second"
    )


def _between(value: float, u: float, low: float, high: float) -> float:
    """Return the probability that a quantity lies between two limits."""
    if u == 0.0:
        return 1.0 if low <= value <= high else 0.0
    return float(normal_cdf((high - value) / u) - normal_cdf((low - value) / u))


def _metres(value: float, u: float) -> str:
    return f"{value:.2f} ± {2.0 * u:.2f} m"


def _level_entry(result: PassResult, most_m: float, approach_m: float | None) -> Ruled:
    """Judge how much height was lost on the way to the first gate, as far as that was seen."""
    over = "as far as was seen" if approach_m is None else f"over the last {approach_m:g} m"
    rule = f"level entry: at most {most_m:g} m lost {over}"
    row = result.heights
    if row is None or len(row.before_m) == 0:
        detail = f"nothing was seen of pass {result.label} before its first gate"
        return Ruled(rule=rule, verdict="cannot be decided", detail=detail)
    lost, u, at_m, seen_m = dive(row, approach_m)
    verdict = verdict_of(_between(lost, u, -np.inf, most_m))
    short = approach_m is not None and seen_m < approach_m
    if short and verdict == "met":
        verdict = "cannot be decided"
    seen = f"; only {seen_m:.1f} m of the way were seen" if short else ""
    detail = f"pass {result.label} {_dive_words(lost, u, at_m)}{seen}"
    return Ruled(rule=rule, verdict=verdict, detail=detail)


def dive(row: Heights, approach_m: float | None = None) -> tuple[float, float, float, float]:
    """Return the most height lost on the way to the first gate, and over how much of it.

    Returns
    -------
    lost : metres, below nought where the pass only climbed
    u : its standard uncertainty
    at : how far before the gate the highest place was, metres
    seen : how much of the way was looked at, metres
    """
    seen = float(row.before_m[-1])
    reach = seen if approach_m is None else min(seen, approach_m)
    places = np.append(row.before_m[row.before_m < reach], reach)[1:]
    above = np.interp(places, row.before_m, row.above_m)
    u = np.interp(places, row.before_m, row.above_u_m)
    highest = int(np.argmax(above))
    return float(above[highest]), float(u[highest]), float(places[highest]), reach


def _dive_words(lost_m: float, u_m: float, at_m: float) -> str:
    way = "lost" if lost_m > 0.0 else "gained"
    return f"{way} {_metres(abs(lost_m), u_m)} of height from {at_m:.1f} m before its first gate"


def _flights(pair: tuple[PassResult, PassResult], wanted: str) -> Ruled:
    rule = f"both passes of {'one flight' if wanted == 'same' else 'two flights'}"
    labels = [result.flight for result in pair]
    if None in labels:
        lacking = next(result.label for result in pair if result.flight is None)
        detail = f"pass {lacking} has no flight label"
        return Ruled(rule=rule, verdict="cannot be decided", detail=detail)
    same = labels[0] == labels[1]
    detail = f"flight {labels[0]}" if same else f"flights {labels[0]} and {labels[1]}"
    met = same == (wanted == "same")
    return Ruled(rule=rule, verdict="met" if met else "not met", detail=detail)


def _within(
    pair: tuple[PassResult, PassResult], most_s: float, recorded: Mapping[str, datetime]
) -> Ruled:
    rule = f"within {most_s / MIN_S:g} min"
    span = time_span(pair, recorded)
    if span is None:
        detail = "no time of day that can be trusted: state recorded for a clip of each pass"
        return Ruled(rule=rule, verdict="cannot be decided", detail=detail)
    took_s, u_s = span
    detail = f"{_clock(took_s)} from the first gate of the one to the last gate of the other"
    return Ruled(rule=rule, verdict=verdict_of(_between(took_s, u_s, 0.0, most_s)), detail=detail)


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s"


def time_span(
    pair: tuple[PassResult, PassResult], recorded: Mapping[str, datetime]
) -> tuple[float, float] | None:
    """Return the seconds from entering the course first to leaving it last, and their u.

    One clip that shows both passes tells it by its stamps. Otherwise the moments must be stated at
    which clips began: what a file says of that itself is not trusted. None: cannot be told.
    """
    one, other = (
        {row.clip: (row.time_in_s, row.time_out_s) for row in result.crossings} for result in pair
    )
    for clip in one.keys() & other.keys():
        times = (*one[clip], *other[clip])
        return max(times) - min(times), 0.0
    moments = [_moments(times, recorded) for times in (one, other)]
    if moments[0] is None or moments[1] is None:
        return None
    edges = (*moments[0], *moments[1])
    if len({edge.tzinfo is None for edge in edges}) > 1:
        return None
    return (max(edges) - min(edges)).total_seconds(), float(np.sqrt(2.0) * TIME_U_S)


def _moments(
    times: Mapping[str, tuple[float, float]], recorded: Mapping[str, datetime]
) -> tuple[datetime, datetime] | None:
    """Return when a pass entered and left the course, None where no clip's begin is stated."""
    for clip, (entered_s, left_s) in times.items():
        if clip in recorded:
            began = recorded[clip]
            if began.tzinfo is not None:
                began = began.astimezone(UTC)  # a zone's own clock may be put back in between
            return began + timedelta(seconds=entered_s), began + timedelta(seconds=left_s)
    return None
