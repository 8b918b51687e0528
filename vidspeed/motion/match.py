"""Which passes of clips of several cameras are one pass: by directions and intervals.

The clocks of two clips differ by an unknown offset, and run at slightly different rates. Every
two passes of one direction propose an offset; an offset is judged by how many other passes it
brings together, how closely, and how many it leaves alone. The judgement is Bayes': against
every other offset, and against the clips having nothing in common.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from vidspeed.values import Floats, Value

REACH = 4.0  # standard uncertainties that a difference may have
LEAST_U_S = 1e-3
LAP_HABIT_S = 2.0  # laps repeat within this: a wrong offset may find a pass so nearly in place
LEAST_LAPS = 3  # intervals that show how well laps repeat
OMITTED = 0.3  # how often a camera misses a pass that it could have seen
UNRELATED = 0.02  # how often clips of two cameras have nothing in common
SURE = 0.99
ROUNDS = 6
RIVAL = 0.01  # of the best pairing's weight, above which another one is worth a mention


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Once(Value):
    """A pass as one clip has it: +1 or -1, mid-course time on the clip's clock, speed."""

    direction: float
    middle_s: float
    middle_u_s: float
    speed_mps: float
    speed_u_mps: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reel(Value):
    """A clip with its passes in order of time; `span_s` is when it began and ended."""

    clip: str
    camera: str
    clock_u_ppm: float
    passes: tuple[Once, ...]
    span_s: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Known(Value):
    """What an event says of an offset: second clip's time less the first's, near `at_s`."""

    at_s: float
    offset_s: float
    u_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pairing(Value):
    """Passes of two clips brought together by one offset.

    `pairs` are places in the two clips' passes; `offset_s` is second time less first time at
    `at_s` of the first clip, `drift` its change a second. `probability` is that of these pairs
    among all pairings of the two clips; `sure` has the probability of each pair.
    """

    pairs: tuple[tuple[int, int], ...]
    at_s: float
    offset_s: float
    drift: float
    score: float
    probability: float = 0.0
    sure: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Cells(Value):
    """The (first, second) passes that may be one: their time apart (n,) and what it is worth."""

    first: tuple[int, ...]
    second: tuple[int, ...]
    time_s: Floats  # of the first, less `at_s`
    apart_s: Floats
    u_s: Floats
    at_s: float
    drift_u: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit(Value):
    """Offset and drift (2,) with their covariance (2, 2), and the log of their likelihood."""

    value: Floats
    covariance: Floats
    log_likelihood: float


def compatible(one: Once, other: Once) -> bool:
    """Tell whether two passes may be one: the same way, at speeds that agree.

    An error of the flight line makes one camera's speed too high and an opposite camera's too
    low, so the uncertainties add up as they stand.
    """
    reach = REACH * (one.speed_u_mps + other.speed_u_mps)
    return one.direction == other.direction and abs(one.speed_mps - other.speed_mps) <= reach


def pairings(first: Reel, second: Reel, known: Known | None = None) -> list[Pairing]:
    """Return every pairing of two clips' passes that some offset makes, the best first."""
    cells = _cells(first, second)
    if not len(cells.apart_s):
        return []
    crowd = _crowding(first, second) if known is None else 1.0 / LAP_HABIT_S
    found: dict[tuple[tuple[int, int], ...], Pairing] = {}
    for seed in range(len(cells.apart_s)) if known is None else (None,):
        chosen, fit = _grown(cells, seed, known, crowd)
        pairs = tuple((cells.first[cell], cells.second[cell]) for cell in chosen)
        if not pairs or pairs in found:
            continue
        by_chance = (len(pairs) - (known is None)) * np.log(crowd)
        alike = np.log(len(cells.apart_s)) if known is None else 0.0
        left = _omissions(first, second, pairs, cells.at_s, fit.value)
        found[pairs] = Pairing(
            pairs=pairs,
            at_s=cells.at_s,
            offset_s=float(fit.value[0]),
            drift=float(fit.value[1]),
            score=float(fit.log_likelihood - by_chance - alike + left * np.log(OMITTED)),
        )
    return _weighed(sorted(found.values(), key=lambda row: row.score, reverse=True))


def _cells(first: Reel, second: Reel) -> _Cells:
    both = [
        (i, j)
        for i, one in enumerate(first.passes)
        for j, other in enumerate(second.passes)
        if compatible(one, other)
    ]
    times = [row.middle_s for row in first.passes]
    at_s = float(np.mean(times)) if times else 0.0
    ones = [first.passes[i] for i, _ in both]
    others = [second.passes[j] for _, j in both]
    apart = [b.middle_s - a.middle_s for a, b in zip(ones, others, strict=True)]
    u_s = [max(a.middle_u_s + b.middle_u_s, LEAST_U_S) for a, b in zip(ones, others, strict=True)]
    return _Cells(
        first=tuple(i for i, _ in both),
        second=tuple(j for _, j in both),
        time_s=np.array([row.middle_s - at_s for row in ones]),
        apart_s=np.array(apart),
        u_s=np.array(u_s),
        at_s=at_s,
        drift_u=max(1e-6 * float(np.hypot(first.clock_u_ppm, second.clock_u_ppm)), 1e-9),
    )


def _crowding(first: Reel, second: Reel) -> float:
    """Return how densely (1/s) a wrong offset finds passes nearly in place, by the habit of laps.

    Two intervals that scatter by s about a lap differ by nothing with the density 1/(2 sqrt(pi) s).
    Each clip is judged by its own intervals: those of both agree because the passes are the same.
    """
    crowds = [1.0 / LAP_HABIT_S]
    for reel in (first, second):
        laps = [
            np.diff([row.middle_s for row in reel.passes if row.direction == way])
            for way in (-1.0, 1.0)
        ]
        intervals = np.concatenate(laps)
        if len(intervals) >= LEAST_LAPS:
            spread = 1.4826 * float(np.median(np.abs(intervals - np.median(intervals))))
            crowds.append(0.282 / max(spread, LEAST_U_S))
    return max(crowds)


def _grown(
    cells: _Cells, seed: int | None, known: Known | None, crowd: float
) -> tuple[tuple[int, ...], _Fit]:
    """Return the pairs that an offset brings together, from one pair (or the event) on."""
    chosen: tuple[int, ...] = () if seed is None else (seed,)
    fit = _fitted(cells, chosen, known)
    seen = {chosen}
    for _ in range(ROUNDS):
        chosen = _chain(cells, fit, crowd)
        fit = _fitted(cells, chosen, known) if chosen or known else fit
        if chosen in seen:
            break
        seen.add(chosen)
    return chosen, fit


def _fitted(cells: _Cells, chosen: Sequence[int], known: Known | None) -> _Fit:
    """Fit offset and drift to pairs; the likelihood has both integrated out.

    The offset has no prior (or the event's), the drift that of the two clocks.
    """
    rows = list(chosen)
    time, apart, u_s = cells.time_s[rows], cells.apart_s[rows], cells.u_s[rows]
    if known is not None:
        time = np.append(time, known.at_s - cells.at_s)
        apart, u_s = np.append(apart, known.offset_s), np.append(u_s, known.u_s)
    design = np.column_stack([np.ones_like(time), time]) / u_s[:, None]
    normal = design.T @ design + np.diag([0.0, cells.drift_u**-2])
    covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    value = covariance @ design.T @ (apart / u_s)
    left = apart / u_s - design @ value
    squares = float(left @ left) + float(value[1] / cells.drift_u) ** 2
    freedom = np.log(2.0 * np.pi) + np.log(np.linalg.det(covariance)) - 2.0 * np.log(cells.drift_u)
    log_likelihood = -0.5 * (squares + float(np.sum(np.log(2.0 * np.pi * u_s**2))) - freedom)
    return _Fit(value=value, covariance=covariance, log_likelihood=float(log_likelihood))


def _chain(cells: _Cells, fit: _Fit, crowd: float) -> tuple[int, ...]:
    """Return the cells that together are likeliest at an offset, in order in both clips.

    Dynamic programming over the cells within reach: what a chain is worth is the best chain
    that ends before it, and its own gain.
    """
    design = np.column_stack([np.ones_like(cells.time_s), cells.time_s])
    variance = np.einsum("ni,ij,nj->n", design, fit.covariance, design) + cells.u_s**2
    squares = (cells.apart_s - design @ fit.value) ** 2 / variance
    gains = -0.5 * (squares + np.log(2.0 * np.pi * variance)) - np.log(crowd)
    gains -= 2.0 * np.log(OMITTED)  # neither pass is left alone
    near = [int(cell) for cell in np.flatnonzero((squares <= REACH**2) & (gains > 0.0))]
    near.sort(key=lambda cell: (cells.first[cell], cells.second[cell]))
    best: list[tuple[float, tuple[int, ...]]] = []
    for cell in near:
        before = [
            (worth, chain)
            for worth, chain in best
            if cells.first[chain[-1]] < cells.first[cell]
            and cells.second[chain[-1]] < cells.second[cell]
        ]
        worth, chain = max(before, key=lambda row: row[0], default=(0.0, ()))
        best.append((worth + float(gains[cell]), (*chain, cell)))
    return max(best, key=lambda row: row[0], default=(0.0, ()))[1]


def _omissions(
    first: Reel, second: Reel, pairs: Sequence[tuple[int, int]], at_s: float, value: Floats
) -> int:
    """Return how many passes one clip has while the other was running and has none."""
    begin, end = second.span_s
    alone = 0
    for index, row in enumerate(first.passes):
        there = row.middle_s + value[0] + value[1] * (row.middle_s - at_s)
        alone += begin <= there <= end and index not in {i for i, _ in pairs}
    begin, end = first.span_s
    for index, row in enumerate(second.passes):
        there = row.middle_s - value[0]
        there -= value[1] * (there - at_s)
        alone += begin <= there <= end and index not in {j for _, j in pairs}
    return alone


def _weighed(found: Sequence[Pairing]) -> list[Pairing]:
    """Give each pairing its probability, and each of its pairs that of all that have it."""
    if not found:
        return []
    top = max(found[0].score, np.log(UNRELATED))
    weights = [float(np.exp(row.score - top)) for row in found]
    total = sum(weights) + float(np.exp(np.log(UNRELATED) - top))
    shares: dict[tuple[int, int], float] = {}
    for row, weight in zip(found, weights, strict=True):
        for pair in row.pairs:
            shares[pair] = shares.get(pair, 0.0) + weight / total
    return [
        Pairing(
            pairs=row.pairs,
            at_s=row.at_s,
            offset_s=row.offset_s,
            drift=row.drift,
            score=row.score,
            probability=weight / total,
            sure=tuple(shares[pair] for pair in row.pairs),
        )
        for row, weight in zip(found, weights, strict=True)
    ]


def settled(found: Sequence[Pairing]) -> Pairing | None:
    """Return the sure pairs of the best pairing, None where it has none."""
    if not found:
        return None
    best = found[0]
    kept = [
        (pair, share) for pair, share in zip(best.pairs, best.sure, strict=True) if share >= SURE
    ]
    if not kept:
        return None
    return Pairing(
        pairs=tuple(pair for pair, _ in kept),
        at_s=best.at_s,
        offset_s=best.offset_s,
        drift=best.drift,
        score=best.score,
        probability=best.probability,
        sure=tuple(share for _, share in kept),
    )


def rivals(found: Sequence[Pairing]) -> Iterator[Pairing]:
    """Yield the pairings that fit about as well as the best one, the best one first."""
    for row in found:
        if row.score >= found[0].score + np.log(RIVAL):
            yield row
