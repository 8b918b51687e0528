"""The speed of each pass by a record made on board, which shares no clock with the cameras.

Fast stretches of the record are its runs; runs and passes are told apart by their order, or by
when they were where both know that. Within its run a pass may lie where the rise and fall of the
record's speed fit those that the cameras saw; how far that leaves its mean speed open is part of
its uncertainty. The size of the speed plays no part in the choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from vidspeed.agreement.causes import Beside, independent
from vidspeed.agreement.lag import Lag, lag_of, own_speeds
from vidspeed.values import Floats, Onboard, PassResult, Profile, Value

RUN = 0.6  # of the record's greatest speed: a run is faster
JOIN_S = 1.0  # runs nearer than this are one
MANY, GLITCHES = 200, 0.005  # rows of a record from which on that share of the fastest may be wrong
LEAST_MPS = 1e-3  # slower than any record tells from standing still
STARTS = 200  # places of a pass within its run that are weighed
SHAPE_U = 0.01  # of the speed: rise and fall are not compared finer
TOGETHER_S = 5.0  # a pass and its run are no farther apart, by clocks that agree so far
PLACE_U_M = 0.1  # of a place against its neighbour, where speeds come from places


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Run(Value):
    """A fast stretch of a record: its rows (n,), and when it was in the middle of it."""

    time_s: Floats
    speed_mps: Floats

    @property
    def middle_s(self) -> float:
        """Return when it was fastest, about: the middle weighed by speed."""
        return float(np.average(self.time_s, weights=self.speed_mps**4))


def runs(record: Onboard) -> list[Run]:
    """Return the fast stretches of a record, in order of time."""
    time_s, speed = own_speeds(record)
    top = float(np.quantile(speed, 1.0 - GLITCHES)) if len(speed) > MANY else float(np.max(speed))
    fast = np.flatnonzero(speed >= RUN * top)
    if not top > LEAST_MPS:  # it never moved
        return []
    parts = np.split(fast, np.flatnonzero(np.diff(time_s[fast]) > JOIN_S) + 1)
    return [
        Run(time_s=time_s[rows], speed_mps=speed[rows])
        for rows in (np.arange(part[0], part[-1] + 1) for part in parts)
        if len(rows) >= 2
    ]


def matched(
    record: Onboard, passes: Sequence[PassResult], begins_s: Sequence[float | None]
) -> dict[str, Run]:
    """Return the run of each pass by its label, as far as they can be told.

    `begins_s` are when passes were by the clips' `recorded`, in seconds since 1970; None where
    that is not stated.
    """
    found = runs(record)
    rows = [
        (row, begin)
        for row, begin in zip(passes, begins_s, strict=True)
        if row.speed_mps is not None and (not record.passes or row.label in record.passes)
    ]
    if record.passes:
        rows.sort(key=lambda pair: record.passes.index(pair[0].label))
    known = [begin for _, begin in rows if begin is not None]
    if len(known) == len(rows) and len(rows) > 0 and len(found) != len(rows):
        return _by_clock(found, [row for row, _ in rows], known, known=record.clock)
    if len(found) != len(rows):
        return {}
    return {row.label: run for (row, _), run in zip(rows, found, strict=True)}


def _by_clock(
    found: Sequence[Run], passes: Sequence[PassResult], begins_s: Sequence[float], *, known: bool
) -> dict[str, Run]:
    """Return the runs that passes fall on with the one shift of the clocks that serves most.

    Of shifts that serve as many, the smallest where the record's clock is `known`; else none.
    """
    middles, begins = np.array([run.middle_s for run in found]), np.array(begins_s)
    options: dict[tuple[int, ...], float] = {}
    for first, at in product(range(len(begins)), range(len(middles))):
        shift = float(middles[at] - begins[first])
        away = np.abs(begins[:, None] + shift - middles[None, :])
        fallen = np.where(away.min(axis=1) <= TOGETHER_S, away.argmin(axis=1), -1)
        options.setdefault(tuple(fallen.tolist()), shift)
    most = max((sum(place >= 0 for place in option) for option in options), default=0)
    best = [row for row in options if sum(place >= 0 for place in row) == most]
    if most < min(2, len(passes)) or (len(best) > 1 and not known):
        return {}
    taken = min(best, key=lambda option: abs(options[option]))
    return {row.label: found[place] for row, place in zip(passes, taken, strict=True) if place >= 0}


def beside_record(
    record: Onboard, passes: Sequence[PassResult], begins_s: Sequence[float | None]
) -> tuple[dict[str, Beside], Lag | None]:
    """Return what a record says of each pass, by its label, and the lag of its speeds."""
    lag = lag_of(record)
    found, by_label = {}, matched(record, passes, begins_s)
    for row in passes:
        run = by_label.get(row.label)
        if run is None or row.profile is None or row.speed_mps is None:
            continue
        speed, u = _over_the_stretch(record, run, row)
        beside = independent(row, "log", *_along_x(row, speed, u))
        found[row.label] = _explained(beside, record, lag)
    return found, lag


def _along_x(result: PassResult, speed_mps: float, u_mps: float) -> tuple[float, float]:
    """Return a speed over ground as its component along the course."""
    part = 1.0
    if result.path_m is not None and len(result.path_m) > 1:
        way = np.abs(result.path_m[-1, :2] - result.path_m[0, :2])
        part = float(way[0] / np.hypot(*way)) if np.hypot(*way) > 0.0 else 1.0
    return part * speed_mps, part * u_mps


def _over_the_stretch(record: Onboard, run: Run, result: PassResult) -> tuple[float, float]:
    """Return a run's mean speed over as long as the pass took, and its standard uncertainty."""
    assert result.profile is not None
    since_s, shape = _shape(result.profile, result.direction == "forward")
    lasts = float(since_s[-1])
    spare = float(run.time_s[-1] - run.time_s[0]) - lasts
    starts = run.time_s[0] + max(spare, 0.0) * np.linspace(0.0, 1.0, STARTS)
    beside = np.array([np.interp(start + since_s, run.time_s, run.speed_mps) for start in starts])
    means = np.trapezoid(beside, since_s, axis=1) / lasts
    u = max(SHAPE_U, record.speed_u_mps / float(np.max(means)))
    misfit = np.mean((beside / means[:, None] - shape) ** 2, axis=1) / u**2
    rows = max(1.0, len(run.time_s) * lasts / max(float(np.ptp(run.time_s)), lasts))
    weights = np.exp(-0.5 * rows * (misfit - misfit.min()))
    mean = float(np.average(means, weights=weights))
    spread = float(np.sqrt(np.average((means - mean) ** 2, weights=weights)))
    own = _row_u_mps(record, run) / np.sqrt(rows)
    between = 0.5 * float(np.std(np.diff(run.speed_mps))) if rows < 4.0 else 0.0
    return mean, float(np.sqrt(spread**2 + own**2 + between**2))


def _row_u_mps(record: Onboard, run: Run) -> float:
    """Return the standard uncertainty of one speed of a run."""
    if record.speed_mps is not None:
        return record.speed_u_mps
    step_s = float(np.median(np.diff(run.time_s)))
    return float(np.hypot(record.speed_u_mps, np.sqrt(2.0) * PLACE_U_M / step_s))


def _shape(profile: Profile, forward: bool) -> tuple[Floats, Floats]:
    """Return times since the first end (n,) and speeds over their mean (n,), in order of time."""
    speed = profile.speed_mps if forward else profile.speed_mps[::-1]
    steps = np.abs(np.diff(profile.x_m)) if forward else np.abs(np.diff(profile.x_m))[::-1]
    since = np.concatenate([[0.0], np.cumsum(steps * 2.0 / (speed[1:] + speed[:-1]))])
    mean = float(np.trapezoid(speed, since) / since[-1])
    return since, np.asarray(speed / mean)


def _explained(beside: Beside, record: Onboard, lag: Lag | None) -> Beside:
    """Return a log's figure with what would have to be wrong of it."""
    share = 100.0 * (beside.away_mps / beside.speed_mps)
    told = lag is not None and lag.told
    words = f"the record {record.file}: its clock or scale, by {share:+.2g} %"
    if told and lag is not None:
        words = (
            f"the record {record.file}: its speeds come {lag.lag_s:.2f} s later than its own "
            "places say (a filter), and a short fast stretch comes out wrong"
        )
    return replace(beside, own_words=words, lag_s=lag.lag_s if told and lag is not None else None)
