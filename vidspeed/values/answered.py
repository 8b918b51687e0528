"""What people ask: the mark under its rules, what luck and wind did to it, and comparisons."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from vidspeed.values.base import Floats, Value
from vidspeed.values.placed import Problem

Verdict = Literal["met", "not met", "cannot be decided"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ruled(Value):
    """One rule of `[mark]`, and whether the two passes met it."""

    rule: str
    verdict: Verdict
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Luck(Value):
    """What choosing the best of several does to a mark.

    `lift_mps` is by how much the best pair of so many passes lies above their common true speed
    by luck alone, on average. `scatter_mps` is the pass-to-pass scatter beside the errors of
    measurement, estimated with `scatter_dof` degrees of freedom; None where it cannot be told.
    """

    lift_mps: float
    scatter_mps: float | None
    scatter_dof: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wind(Value):
    """Wind along the course, from start to finish positive, from two passes at equal throttle.

    The mean of the two speeds is then the airspeed along the course. `scatter_mps` is what the
    pass-to-pass scatter contributes, None where it cannot be told: `along_u_mps` is then that of
    half the difference of the speeds as measured, and knows nothing of unequal throttle.
    `stated_mps` is what the session says of the wind, None where it says nothing.
    """

    along_mps: float
    along_u_mps: float
    along_U95_mps: float
    airspeed_mps: float
    airspeed_u_mps: float
    scatter_mps: float | None
    stated_mps: float | None = None
    stated_u_mps: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reduced(Value):
    """A speed as it would be in air of another density: times (density / to)^exponent.

    `contributions_mps` holds what the speed itself, the density and the exponent make up.
    """

    density_kgm3: float
    density_u_kgm3: float
    to_kgm3: float
    exponent: float
    exponent_u: float
    speed_mps: float
    speed_u_mps: float
    speed_U95_mps: float
    contributions_mps: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mark(Value):
    """The session's figure from two opposite passes."""

    passes: tuple[str, str]
    speed_mps: float
    speed_u_mps: float
    speed_U95_mps: float
    coverage_factor: float
    speed_from_mean_time_mps: float
    selected_from: tuple[int, int]  # forward, reverse
    left_out: tuple[tuple[str, str], ...]  # (pass, why)
    beats_probability: float | None = None
    beats_at_95: bool | None = None
    speed_from_mean_time_u_mps: float | None = None
    pair_probability: float | None = None  # as if these two had not been chosen out of several
    rules: tuple[Ruled, ...] = ()
    luck: Luck | None = None
    wind: Wind | None = None
    reduced: Reduced | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Group(Value):
    """One side of a comparison: its passes, and the mean of the means of both ways.

    `speeds_mps`, `U95_mps` (n,) are of the passes named by `labels`, flown as `directions` say;
    `speed_mps` is the group's, balanced between the ways, `speed_U95_mps` with the scatter.
    """

    name: str
    labels: tuple[str, ...]
    directions: tuple[str, ...]
    speeds_mps: Floats
    U95_mps: Floats
    speed_mps: float
    speed_U95_mps: float
    balanced: bool  # False: flown one way only, the wind is taken off as stated


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Compared(Value):
    """The second group against the first: the difference of their true speeds.

    `faster_probability` is that the second is the faster. Without an estimate of the scatter
    (`scatter_mps` None) no claim is made. `found_if` is the probability with which a true
    difference of `found_if_percent` would have been claimed; `more_passes` how many more each way
    in each group would claim what is seen now 4 times in 5, if it is true (0: it is claimed; None:
    no number of passes would, or it cannot be told). `problems` are the errors of both sides: with
    them passes may be missing.
    """

    first: Group
    second: Group
    difference_mps: float
    difference_u_mps: float
    interval95_mps: tuple[float, float]
    faster_probability: float
    verdict: Literal["faster", "slower", "not shown", "cannot be decided"]
    scatter_mps: float | None
    scatter_dof: int
    measurement_u_mps: float
    shared_u_mps: float  # what more passes do not take away
    found_if_percent: float
    found_if: float | None
    more_passes: int | None
    notes: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()
