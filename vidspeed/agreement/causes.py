"""What a disagreement may come from: each likely cause, and how large an error of it would do.

Every cause is an error that is larger than was stated of it. How well it explains the differences
of a pass to all that is compared with it is their likelihood with that one error let go (A. Gelman
and others, Bayesian Data Analysis, on comparing models by their marginal likelihood); the causes
are named in that order.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from vidspeed.values import Floats, Input, PassResult, Value

LET_GO = 4.0  # times its stated u that a figure may be wrong, once it is suspected
RATE_U = 0.1  # of a capture rate that is simply wrong
LOG_U = 0.05  # of a log whose clock or filter is wrong
UNLIKELY = {"rate": 2.0, "geometry": 0.0, "own": 1.0, "lag": -12.0}  # -2 log of prior odds
MOST_NAMED = 3
WORTH_NAMING = 12.0  # how much worse than the best a cause may explain, and still be named
LEAST_GAIN = 1.0  # by which it must explain better than chance: nobody errs beyond belief

Key = tuple[str, str]  # owner and name of an input

WORDS = {
    "flight-line offset": "offset_m of the flight line",
    "flight-line height": "height_m of the flight line",
    "drift": "the drift of the path",
    "climb": "the climb of the path",
    "acceleration": "the acceleration of the path",
    "marker survey": "a surveyed figure of the markers",
    "scale": "length_m of the course",
    "tape scale": "the scale of the tape",
    "picks": "the picks",
    "focal length": "the focal length",
    "centre": "the picture's centre",
    "distortion": "the lens's distortion",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Beside(Value):
    """One other figure of a pass's speed, and what its difference to the pass hangs on.

    `by_input` is how the difference (other less pass) moves by one standard uncertainty of each
    input of the solution, `own_u_mps` what is uncertain of it beside them. `by_rate_mps` is how it
    moves, in the limit of small changes, with the true capture rate over the one that is said.
    A `hint` is no speed: it tells of something that the speed hangs on, in its place.
    """

    name: str
    speed_mps: float
    speed_u_mps: float
    away_mps: float
    own_u_mps: float
    by_input: Mapping[Key, float] = field(default_factory=dict)
    by_rate_mps: float = 0.0
    own_words: str = ""
    lag_s: float | None = None
    hint: bool = False

    @property
    def u_mps(self) -> float:
        """Return the standard uncertainty of the difference."""
        return float(np.sqrt(self.own_u_mps**2 + sum(row**2 for row in self.by_input.values())))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cause(Value):
    """What may be wrong, by how much, and how badly it explains what was seen (small is well)."""

    kind: str
    words: str
    cost: float


def independent(result: PassResult, name: str, speed_mps: float, u_mps: float) -> Beside:
    """Return a figure that shares nothing with a pass, as one beside it."""
    assert result.speed_mps is not None
    return Beside(
        name=name,
        speed_mps=speed_mps,
        speed_u_mps=u_mps,
        away_mps=speed_mps - result.speed_mps,
        own_u_mps=u_mps,
        by_input={key: -value for key, value in sensitivities(result).items()},
        by_rate_mps=result.speed_mps,
    )


def by_range(
    result: PassResult, row: Beside, ratio: float, u: float, together: float
) -> tuple[Beside, Beside]:
    """Return a speed and, as a hint, what came with it: how far the craft was over the pictures'.

    A single camera's speed goes with the range, and so with the flight line. `ratio` is the
    distance over that of the pictures, `u` its own standard uncertainty, `together` the
    correlation of its error with that of the speed.
    """
    assert result.speed_mps is not None
    lines = {
        (entry.owner, entry.name)
        for entry in result.inputs
        if entry.source.startswith("flight-line")
    }
    common = ("cross-check", row.name)
    share = together * row.own_u_mps
    rest = float(np.sqrt(max(row.own_u_mps**2 - share**2, 0.0)))
    speed = replace(row, own_u_mps=rest, by_input={**row.by_input, common: share})
    hint = Beside(
        name="distance",
        speed_mps=ratio * result.speed_mps,
        speed_u_mps=u * result.speed_mps,
        away_mps=(ratio - 1.0) * result.speed_mps,
        own_u_mps=0.0,
        by_input={
            **{key: -value for key, value in sensitivities(result).items() if key in lines},
            common: u * result.speed_mps,
        },
        hint=True,
    )
    return speed, hint


def sensitivities(result: PassResult) -> dict[Key, float]:
    """Return how a pass's speed moves by one standard uncertainty of each input."""
    found: dict[Key, float] = {}
    if result.sensitivities_mps is not None:
        for entry, value in zip(result.inputs, result.sensitivities_mps, strict=True):
            key = entry.owner, entry.name
            found[key] = found.get(key, 0.0) + float(value)
    return found


def causes(result: PassResult, rows: Sequence[Beside], clips: str) -> list[Cause]:
    """Return what may be behind the differences of a pass, the likeliest first; none: chance."""
    if all(row.hint for row in rows) or result.speed_mps is None:
        return []
    away = np.array([row.away_mps for row in rows])
    plain = _covariance(rows)
    speeds = np.array([not row.hint for row in rows])
    worst = int(np.argmax(np.where(speeds, np.abs(away) / np.sqrt(np.diag(plain)), -1.0)))
    found = [
        *_of_geometry(result, rows, away, plain, worst),
        _of_rate(rows, away, plain, worst, clips),
        *(_of_own(row, number, away, plain) for number, row in enumerate(rows) if row.own_words),
    ]
    most = _cost(away, plain) - LEAST_GAIN
    kept = sorted((row for row in found if row and row.cost <= most), key=lambda row: row.cost)
    return [row for row in kept if row.cost <= kept[0].cost + WORTH_NAMING][:MOST_NAMED]


def _covariance(rows: Sequence[Beside]) -> Floats:
    """Return the covariance (n, n) of the differences, as everything was stated."""
    whole = np.diag([row.own_u_mps**2 for row in rows])
    for a, left in enumerate(rows):
        for b, right in enumerate(rows):
            whole[a, b] += sum(
                value * right.by_input.get(key, 0.0) for key, value in left.by_input.items()
            )
    return np.asarray(whole + np.eye(len(rows)) * 1e-9)


def _cost(away: Floats, covariance: Floats) -> float:
    """Return -2 log likelihood of the differences (n,), but for a constant."""
    _, size = np.linalg.slogdet(covariance)
    return float(away @ np.linalg.solve(covariance, away) + size)


def _of_geometry(
    result: PassResult, rows: Sequence[Beside], away: Floats, plain: Floats, worst: int
) -> list[Cause]:
    """Return every source of the budget as a cause."""
    groups: dict[str, list[Input]] = {}
    for entry in result.inputs:
        if entry.source in WORDS:
            groups.setdefault(entry.source, []).append(entry)
    own = sensitivities(result)
    found = []
    for source, entries in groups.items():
        keys = {(entry.owner, entry.name) for entry in entries}
        size = float(np.sqrt(sum(own[key] ** 2 for key in keys)))
        if size <= 0.0:
            continue
        effect = np.array(
            [sum(row.by_input.get(key, 0.0) * own[key] for key in keys) / size for row in rows]
        )
        more = (LET_GO**2 - 1.0) * np.outer(effect, effect)
        if abs(effect[worst]) > 1e-9:
            times = float(away[worst] / effect[worst])
            main = max(keys, key=lambda key: abs(own[key]))
            words = f"{WORDS[source]}, {_so_much(entries, times * float(np.sign(own[main])))}"
            cost = _cost(away, plain + more) + UNLIKELY["geometry"]
            found.append(Cause(kind=source, words=words, cost=cost))
    return found


def _so_much(entries: Sequence[Input], times: float) -> str:
    """Say by how much figures are wrong that are wrong by so many of their u."""
    units = {entry.unit for entry in entries}
    u = float(np.sqrt(sum(entry.input_u**2 for entry in entries)))
    if len(entries) > 2 or len(units) > 1 or u <= 0.0:
        return f"wrong by {abs(times):.1f} times what was stated of their uncertainty"
    way = "large" if times > 0.0 else "small"
    return f"too {way} by {abs(times) * u:.2g} {units.pop()} ({abs(times):.1f} of its u)"


def _of_rate(
    rows: Sequence[Beside], away: Floats, plain: Floats, worst: int, clips: str
) -> Cause | None:
    """Return a capture rate that is not what is said as a cause."""
    effect = np.array([row.by_rate_mps for row in rows])
    if effect[worst] == 0.0:
        return None
    share = float(away[worst] / effect[worst])
    more = RATE_U**2 * np.outer(effect, effect)
    words = (
        f"the capture rate of {clips} (rate_hz, or the stamps): {100.0 * abs(share):.2g} % "
        f"{'more' if share > 0.0 else 'fewer'} frames a second than is said"
    )
    return Cause(kind="rate", words=words, cost=_cost(away, plain + more) + UNLIKELY["rate"])


def _of_own(row: Beside, number: int, away: Floats, plain: Floats) -> Cause:
    """Return that the other figure is wrong itself as a cause."""
    size = LET_GO * row.own_u_mps
    if row.name == "log":
        size = max(size, LOG_U * row.speed_mps)
    more = np.zeros_like(plain)
    more[number, number] = size**2
    kind = "lag" if row.lag_s is not None else "own"
    cost = _cost(away, plain + more) + UNLIKELY[kind]
    return Cause(kind=row.name, words=row.own_words, cost=cost)
