"""How the craft moved: a solved pass with its budget, checks and sightings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from vidspeed.values.base import Bools, Floats, Value
from vidspeed.values.heard import Heard
from vidspeed.values.seen import Track


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Input(Value):
    """One thing that was entered or seen, as an observation with a standard uncertainty.

    `owner` is "session", "camera NAME" or "pass LABEL"; (owner, name) identifies it across
    passes. `source` is the row of the budget it belongs to. `split_unknown` marks the part of the
    flight line of which the session does not say how much is common to all passes.
    """

    owner: str
    name: str
    source: str
    kind: Literal["A", "B"]
    assumed: bool
    input_u: float
    unit: str
    split_unknown: bool = False
    distribution: Literal["normal", "rectangular"] = "normal"

    def __post_init__(self) -> None:
        """Do nothing: it has no arrays to freeze, and a pass has hundreds of inputs."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BudgetRow(Value):
    """One row of the budget: `contribution_mps` is a root of squares, `share` of the variance."""

    source: str
    owner: str
    kind: str
    assumed: bool
    input_u: float | None
    unit: str
    contribution_mps: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Check(Value):
    """One check of a pass."""

    name: str
    status: Literal["ok", "warn", "fail"]
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrossCheck(Value):
    """Another estimate of the same speed; `e_n` is the difference over U95 of the difference."""

    name: str
    speed_mps: float
    speed_u_mps: float
    e_n: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profile(Value):
    """Speed along x at places along the course, (n,) each; standard uncertainties."""

    x_m: Floats
    speed_mps: Floats
    speed_u_mps: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crossing(Value):
    """When a clip's own clock saw the craft at the first and the second gate that it passed."""

    clip: str
    camera: str
    time_in_s: float
    time_out_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sighted(Value):
    """The lights of one clip as the solution used them: the track, and what is left of it.

    `used` (n,) bool; `residual_px` (n, 2) seen less computed; `normalised` (n,) distance in
    units of its own standard uncertainty; `x_m` (n,) where on the course the solution puts each.
    """

    clip: str
    camera: str
    track: Track
    used: Bools
    residual_px: Floats
    normalised: Floats
    x_m: Floats
    noise_scale: float  # sqrt(q), how much the pixel noise had to be widened
    correlation: float  # lag-one correlation of the residuals that was allowed for
    dismissed: Bools | None = None  # (n,) which lights the user dismissed; None: none


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeardIn(Value):
    """What was heard of a pass in one clip, where sound may take part in the solution."""

    clip: str
    camera: str
    heard: Heard


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heights(Value):
    """How high a pass was, metres of z, at the first and the second gate that it passed.

    `before_m` (n,), rising from 0, are distances before the first gate as far as lights were seen;
    `above_m` (n,) is how much higher than at the first gate the path was there.
    """

    height_in_m: float
    height_in_u_m: float
    height_out_m: float
    height_out_u_m: float
    climb_m: float  # from the first gate to the second
    climb_u_m: float
    before_m: Floats
    above_m: Floats
    above_u_m: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PassResult(Value):
    """One traverse of the course, or a clip without one (`status` "none": numbers None).

    `sensitivities_mps` (m,) holds, for each of `inputs`, the signed change of the speed for one
    standard uncertainty of that input: its squares add up to `speed_u_mps` squared.
    """

    label: str
    flight: str | None
    setup: str | None
    clips: tuple[str, ...]
    status: Literal["measured", "partial", "none"]
    direction: Literal["forward", "reverse"] | None = None
    speed_mps: float | None = None
    speed_u_mps: float | None = None
    speed_U95_mps: float | None = None
    coverage_factor: float | None = None
    dof: float | None = None  # None: infinite, or Monte Carlo
    method: Literal["first order", "monte carlo"] = "first order"
    interval95_mps: tuple[float, float] | None = None
    stretch_m: tuple[float, float] | None = None
    crossings: tuple[Crossing, ...] = ()
    profile: Profile | None = None
    path_m: Floats | None = None  # (n, 3) course frame, at profile.x_m, for plan views
    budget: tuple[BudgetRow, ...] = ()
    inputs: tuple[Input, ...] = ()
    sensitivities_mps: Floats | None = None
    sightings: tuple[Sighted, ...] = ()
    checks: tuple[Check, ...] = ()
    cross_checks: tuple[CrossCheck, ...] = ()
    recorded: datetime | None = None
    heights: Heights | None = None  # None: not between both gates
    heard: tuple[HeardIn, ...] = ()
