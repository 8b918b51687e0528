"""A pass in the adjustment: its path's unknowns, and the lights of each clip that saw it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.motion.path import (
    BEND,
    CHANGE,
    GATE_BEND,
    MEAN,
    TWIST,
    Along,
    Nominal,
    Shape,
    shape,
    weave_basis,
)
from vidspeed.motion.unknowns import Ledger, State, entered
from vidspeed.values import Course, FlightLine, Floats, Input, Track, Value

FREE_SCALE_M = 10.0  # step size for an offset or height of which nothing is known


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClipLights(Value):
    """The lights of one clip that take part: `track` holds only these, n of them.

    `cov_px2` (n, 2, 2) is what the adjustment weighs with. The clip's time counts from
    `reference_s`; `offset` is its place in theta, None for the pass's first clip, whose clock
    is the pass's clock. `weave` (n, m) are the weave's functions at the lights.
    """

    clip: str
    station: int
    track: Track
    cov_px2: Floats
    reference_s: float
    offset: slice | None
    lamp: slice | None
    weave: Floats

    def whitening(self) -> Floats:
        """Return (n, 2, 2) matrices that turn residuals into standard normal ones."""
        return np.asarray(np.linalg.inv(np.linalg.cholesky(self.cov_px2)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Traverse(Value):
    """A pass's places in theta.

    The first two unknowns of `path` move the traverse (see `vidspeed.motion.path`); the others
    make the coefficients (5, 3), `base` + `slopes` . theta.
    """

    label: str
    nominal: Nominal
    path: slice
    base: Floats  # (5, 3)
    slopes: Floats  # (5, 3, n of path), zero for the first two
    weave_u_m: float
    weave_y: slice | None
    weave_z: slice | None
    lamp_u_m: float
    clips: tuple[ClipLights, ...]

    def coefficients(self, state: State) -> Floats:
        """Return the path's coefficients (5, 3) in `state`."""
        return np.asarray(self.base + self.slopes @ state.theta[self.path])

    def moved_by(self, state: State) -> tuple[float, float]:
        """Return `shift_s` and w of the traverse in `state`."""
        shift_s, growth = state.theta[self.path.start : self.path.start + 2]
        return float(shift_s), float(1.0 + growth)

    def shape(self, state: State, time_s: Floats) -> Shape:
        """Return the path's functions at times (n,) of the pass's clock."""
        return shape(time_s, self.nominal, *self.moved_by(state))

    def smooth(self, state: State, time_s: Floats) -> Floats:
        """Return the smooth path (n, 3) at times (n,) of the pass's clock."""
        return np.asarray(self.shape(state, time_s).value @ self.coefficients(state))

    def along(self, state: State) -> Along:
        """Return x of the pass."""
        shift_s, w = self.moved_by(state)
        return Along(
            coefficients=self.coefficients(state)[:, 0],
            slopes=self.slopes[:, 0, :],
            nominal=self.nominal,
            shift_s=shift_s,
            w=w,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Term(Value):
    """One unknown of the path: what it multiplies, on which axis, and its prior (None: free)."""

    function: int
    axis: int
    size: float
    prior: Input | None


def path_terms(line: FlightLine, label: str, nominal: Nominal) -> list[Term]:
    """Return the unknowns of a path beside the two that move the traverse."""
    owner = f"pass {label}"
    terms = _level_terms(line, owner, 1, "offset", line.offset_u_m, line.offset_shared_u_m)
    terms += _level_terms(line, owner, 2, "height", line.height_u_m, line.height_shared_u_m)
    for axis, name, size in ((1, "drift", line.drift_u_m), (2, "climb", line.climb_u_m)):
        assumed = f"{name}_u_m" in line.assumed
        prior = entered(owner, name, name, size, "m", assumed=assumed)
        terms.append(Term(function=CHANGE, axis=axis, size=size, prior=prior))
    jerk_u = line.accel_u_mps2 / nominal.duration_s
    assumed = "accel_u_mps2" in line.assumed
    for axis, letter in enumerate("xyz"):
        bend = GATE_BEND if axis == 0 else BEND
        for function, name, size, unit in (
            (bend, "acceleration", line.accel_u_mps2[axis], "m/s2"),
            (TWIST, "jerk", jerk_u[axis], "m/s3"),
        ):
            prior = entered(
                owner, f"{name} {letter}", "acceleration", float(size), unit, assumed=assumed
            )
            terms.append(Term(function=function, axis=axis, size=float(size), prior=prior))
    return terms


def _level_terms(
    line: FlightLine, owner: str, axis: int, name: str, u_m: float, shared_u_m: float | None
) -> list[Term]:
    """Return the unknowns of mean offset or height: one, or a shared and an own part."""
    if not line.stated:
        return [Term(function=MEAN, axis=axis, size=FREE_SCALE_M, prior=None)]
    source = f"flight-line {name}"
    if shared_u_m is None:
        prior = entered(owner, name, source, u_m, "m", split_unknown=True)
        return [Term(function=MEAN, axis=axis, size=u_m, prior=prior)]
    own_u_m = float(np.sqrt(max(u_m**2 - shared_u_m**2, 0.0)))
    shared = entered("session", f"shared {name}", source, shared_u_m, "m")
    own = entered(owner, name, source, own_u_m, "m")
    return [
        Term(function=MEAN, axis=axis, size=shared_u_m, prior=shared),
        Term(function=MEAN, axis=axis, size=own_u_m, prior=own),
    ]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LightsIn(Value):
    """A clip's lights as they enter a pass; `offset_s` is where its time offset begins.

    `weave_x_m` (n,) are the places at which the weave is taken.
    """

    clip: str
    stand: int
    track: Track
    cov_px2: Floats
    reference_s: float
    offset_s: float
    weave_x_m: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PassIn(Value):
    """A pass as it enters the adjustment; `direction` is +1 from start to finish, else -1."""

    label: str
    nominal: Nominal
    direction: float
    lights: tuple[LightsIn, ...]


def join(
    ledger: Ledger, entry: PassIn, course: Course, line: FlightLine, lamp_u_m: float
) -> Traverse:
    """Enter a pass into the ledger."""
    terms = path_terms(line, entry.label, entry.nominal)
    start = ledger.free(2).start
    for term in terms:
        if term.prior is None:
            ledger.free(1)
        else:
            ledger.known(term.prior)
    base = np.zeros((5, 3))
    base[MEAN] = course.length_m / 2.0, line.offset_m, line.height_m
    base[CHANGE, 0] = entry.direction * course.length_m
    slopes = np.zeros((5, 3, 2 + len(terms)))
    for index, term in enumerate(terms):
        slopes[term.function, term.axis, 2 + index] = term.size
    places = [row.weave_x_m for row in entry.lights]
    functions = weave_basis(np.concatenate(places), course.length_m)
    weave_y, weave_z = _weave(ledger, entry.label, line, functions.shape[1])
    parts = np.split(functions, np.cumsum([len(row) for row in places])[:-1])
    clips = tuple(
        _clip_lights(ledger, entry.label, lamp_u_m, row, part, first=row is entry.lights[0])
        for row, part in zip(entry.lights, parts, strict=True)
    )
    return Traverse(
        label=entry.label,
        nominal=entry.nominal,
        path=slice(start, start + 2 + len(terms)),
        base=base,
        slopes=slopes,
        weave_u_m=line.weave_u_m,
        weave_y=weave_y,
        weave_z=weave_z,
        lamp_u_m=lamp_u_m,
        clips=clips,
    )


def _weave(
    ledger: Ledger, label: str, line: FlightLine, count: int
) -> tuple[slice | None, slice | None]:
    if line.weave_u_m == 0.0:
        return None, None
    assumed = "weave_u_m" in line.assumed
    places = [
        ledger.known(
            *(
                entered(
                    f"pass {label}",
                    f"weave {letter} {number}",
                    "weave",
                    line.weave_u_m,
                    "m",
                    assumed=assumed,
                )
                for number in range(count)
            )
        )
        for letter in "yz"
    ]
    return places[0], places[1]


def _clip_lights(
    ledger: Ledger, label: str, lamp_u_m: float, row: LightsIn, weave: Floats, *, first: bool
) -> ClipLights:
    lamp = None
    if lamp_u_m > 0.0:
        lamp = ledger.known(
            *(
                entered(f"pass {label}", f"lamp {letter} {row.clip}", "lamp", lamp_u_m, "m")
                for letter in "yz"
            )
        )
    return ClipLights(
        clip=row.clip,
        station=row.stand,
        track=row.track,
        cov_px2=row.cov_px2,
        reference_s=row.reference_s,
        offset=None if first else ledger.free(1),
        lamp=lamp,
        weave=weave,
    )
