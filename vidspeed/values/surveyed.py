"""How the course was measured: tapes, levels, satellites, and what that says of the markers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from vidspeed.values.base import Floats, Value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Taped(Value):
    """One slope distance between two points; `tape` names the tape it was read from."""

    start: str
    end: str
    distance_m: float
    u_m: float
    tape: str

    @property
    def name(self) -> str:
        """Return how messages and tables name the distance."""
        return f"{self.start} to {self.end}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Level(Value):
    """The height of a point (z of the course frame), and on which side of the course it stands."""

    name: str
    height_m: float
    u_m: float
    side: Literal["left", "right"] | None = None
    use: Literal["fit", "check"] = "fit"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tape(Value):
    """A tape: how far its metres may be from true ones, the same for all that it measured."""

    name: str
    scale_u_ppm: float
    assumed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SatelliteFix(Value):
    """A point by satellite: `u_m` of east and of north, `u_up_m` of the ellipsoidal height.

    The uncertainties are what remains beside a shift that all points of the day share.
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    height_m: float
    u_m: float
    u_up_m: float
    use: Literal["fit", "check"] = "fit"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured(Value):
    """The survey as it was written down: tapes and levels, satellites, or satellites and tapes."""

    start_post: str
    finish_post: str
    taped: tuple[Taped, ...] = ()
    levels: tuple[Level, ...] = ()
    tapes: tuple[Tape, ...] = ()
    fixes: tuple[SatelliteFix, ...] = ()
    stated_length_m: float | None = None  # compared with what comes out, nothing else
    stated_length_u_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurveyInput(Value):
    """One figure of the survey, as an observation with a standard uncertainty `u`."""

    name: str
    source: str  # the row of the budget: "marker survey", "tape scale"
    u: float
    unit: str
    assumed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurveyFactor(Value):
    """What is known of the markers and of the scale together.

    True place of the markers in the course frame (3 m numbers, x, y, z of one after the other)
    less their stated place = `markers_m` (3 m, k) @ eta, and the common scale s = `scale` (k,)
    @ eta, where eta are k independent standard normal unknowns of the session, one for each of
    `inputs`.
    """

    markers_m: Floats
    scale: Floats
    inputs: tuple[SurveyInput, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurveyTest(Value):
    """One figure of the survey held against all the others (W. Baarda, 1968).

    `residual` is stated less adjusted, in `unit`; `redundancy` between 0 (checked by no other
    figure) and 1; `normalised` the residual over its own standard uncertainty, None where there
    is nothing to test, and `detectable` the smallest error that would be named with 95 %, None
    where nothing checks it. `length_m` is what such an error would do to the course length.
    """

    name: str
    kind: Literal["tape", "level", "scale", "satellite"]
    stated: float
    residual: float
    u: float
    unit: str
    redundancy: float
    normalised: float | None
    detectable: float | None
    length_m: float | None
    named: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surveyed(Value):
    """An adjusted survey: places in true metres about the course's own axes.

    `names` (n,), `places_m` (n, 3), `covariance_m2` (3 n, 3 n); x runs from the start post to the
    finish post, `length_m` is their horizontal distance. `by_input` (3 n, k) moves the places
    by one standard uncertainty of each of `inputs`, so that by_input @ by_input.T is the
    covariance. `loose` names points whose place is not fixed, `mirrored` sets of points (by
    index) that could stand on the other side as well. `chi2` and `dof` are of the adjustment
    (dof 0: nothing is checked).
    """

    names: tuple[str, ...]
    uses: tuple[Literal["fit", "check"], ...]
    places_m: Floats
    by_input: Floats
    inputs: tuple[SurveyInput, ...]
    start: int
    finish: int
    tests: tuple[SurveyTest, ...] = ()
    chi2: float = 0.0
    dof: int = 0
    loose: tuple[str, ...] = ()
    mirrored: tuple[tuple[int, ...], ...] = ()
    lines: tuple[tuple[int, int], ...] = ()  # pairs of points between which a tape was laid

    @property
    def covariance_m2(self) -> Floats:
        """Return the covariance (3 n, 3 n) of the places."""
        return self.by_input @ self.by_input.T

    @property
    def length_m(self) -> float:
        """Return the horizontal distance of the two posts."""
        return float(self.places_m[self.finish, 0])

    @property
    def length_u_m(self) -> float:
        """Return the standard uncertainty of the length."""
        row = self.by_input[3 * self.finish]
        return float((row @ row) ** 0.5)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Gain(Value):
    """A distance that was not measured, and what it would bring.

    Standard uncertainty of the length and of the least known point (major axis of its ellipse),
    figures that nothing would check then, and U95 over the speed of a pass (None: no forecast).
    """

    start: str
    end: str
    distance_m: float
    length_u_m: float
    worst_u_m: float
    unchecked: int
    relative_U95: float | None
