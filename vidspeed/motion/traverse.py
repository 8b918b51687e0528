"""A pass in the adjustment: its path's unknowns, and the lights of each clip that saw it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.motion.path import Frame, basis, basis_rate, weave_basis
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

    Coefficients (4, 3) of the path are `base` + `slopes` . theta, where drift, climb,
    acceleration, jerk and weave are multiplied by the change of x over its nominal value,
    `along_m`. At the solution that factor is one. It lets these small quantities grow and shrink
    with the path when a single camera tries another range, so that their priors, which are in
    metres, say nothing about how far away the light is.
    """

    label: str
    frame: Frame
    path: slice
    base: Floats  # (4, 3)
    slopes: Floats  # (4, 3, n of path)
    relative: Floats  # (n of path,) one where the factor applies, zero elsewhere
    along_m: float
    weave_u_m: float
    weave_y: slice | None
    weave_z: slice | None
    lamp_u_m: float
    clips: tuple[ClipLights, ...]

    def coefficients(self, state: State) -> Floats:
        """Return the path's coefficients (4, 3) in `state`."""
        theta = state.theta[self.path]
        return np.asarray(self.base + self.slopes @ (theta * self._factors(state)))

    def slopes_at(self, state: State) -> Floats:
        """Return the derivative (4, 3, n) of the coefficients by the path's unknowns."""
        slopes = self.slopes * self._factors(state)
        slopes[:, :, 1] += self.slopes @ (state.theta[self.path] * self.relative) / self.along_m
        return np.asarray(slopes)

    def size(self, state: State) -> float:
        """Return the change of x over its nominal value, one at the solution."""
        return float(state.theta[self.path.start + 1] / self.along_m)

    def _factors(self, state: State) -> Floats:
        return np.asarray(1.0 + self.relative * (self.size(state) - 1.0))

    def smooth(self, state: State, time_s: Floats) -> Floats:
        """Return the smooth path (n, 3) at times (n,) of the pass's clock."""
        return np.asarray(basis(time_s, self.frame) @ self.coefficients(state))

    def velocity(self, state: State, time_s: Floats) -> Floats:
        """Return the smooth path's velocity (n, 3)."""
        return np.asarray(basis_rate(time_s, self.frame) @ self.coefficients(state))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Term(Value):
    """One unknown of the path: what it multiplies, on which axis, and its prior (None: free)."""

    function: int
    axis: int
    size: float
    prior: Input | None


def path_terms(line: FlightLine, label: str, frame: Frame) -> list[Term]:
    """Return the unknowns of a path: free along x in place and speed, all else with a prior."""
    owner = f"pass {label}"
    jerk_u = line.accel_u_mps2 / frame.duration_s
    terms = [
        Term(function=0, axis=0, size=1.0, prior=None),
        Term(function=1, axis=0, size=1.0, prior=None),
    ]
    terms += _level_terms(line, owner, 1, "offset", line.offset_u_m, line.offset_shared_u_m)
    terms += _level_terms(line, owner, 2, "height", line.height_u_m, line.height_shared_u_m)
    for axis, name, size in ((1, "drift", line.drift_u_m), (2, "climb", line.climb_u_m)):
        assumed = f"{name}_u_m" in line.assumed
        prior = entered(owner, name, name, size, "m", assumed=assumed)
        terms.append(Term(function=1, axis=axis, size=size, prior=prior))
    assumed = "accel_u_mps2" in line.assumed
    for axis, letter in enumerate("xyz"):
        for function, name, size, unit in (
            (2, "acceleration", line.accel_u_mps2[axis], "m/s2"),
            (3, "jerk", jerk_u[axis], "m/s3"),
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
        return [Term(function=0, axis=axis, size=FREE_SCALE_M, prior=None)]
    source = f"flight-line {name}"
    if shared_u_m is None:
        prior = entered(owner, name, source, u_m, "m", split_unknown=True)
        return [Term(function=0, axis=axis, size=u_m, prior=prior)]
    own_u_m = float(np.sqrt(max(u_m**2 - shared_u_m**2, 0.0)))
    shared = entered("session", f"shared {name}", source, shared_u_m, "m")
    own = entered(owner, name, source, own_u_m, "m")
    return [
        Term(function=0, axis=axis, size=shared_u_m, prior=shared),
        Term(function=0, axis=axis, size=own_u_m, prior=own),
    ]


def join(
    ledger: Ledger,
    label: str,
    frame: Frame,
    course: Course,
    line: FlightLine,
    lamp_u_m: float,
    along_m: float,
    lights: list[tuple[str, int, Track, Floats, float, Floats]],
) -> Traverse:
    """Enter a pass into the ledger.

    Parameters
    ----------
    along_m
        Nominal change of x from the first gate to the second, signed.
    lights
        A row a clip: name, index of its station, track of the lights that take part, their
        covariance (n, 2, 2), reference time, and the places x (n,) for the weave.
    """
    terms = path_terms(line, label, frame)
    start = ledger.size
    for term in terms:
        if term.prior is None:
            ledger.free(1)
        else:
            ledger.known(term.prior)
    base = np.zeros((4, 3))
    base[0, 1], base[0, 2] = line.offset_m, line.height_m
    slopes = np.zeros((4, 3, len(terms)))
    for index, term in enumerate(terms):
        slopes[term.function, term.axis, index] = term.size
    everywhere = np.concatenate([row[5] for row in lights]) if lights else np.zeros(1)
    functions = weave_basis(everywhere, course.length_m)
    weave_y, weave_z = _weave(ledger, label, line, functions.shape[1])
    bounds = np.cumsum([0, *(len(row[5]) for row in lights)])
    clips = tuple(
        _clip_lights(
            ledger, label, lamp_u_m, row, order, functions[bounds[order] : bounds[order + 1]]
        )
        for order, row in enumerate(lights)
    )
    return Traverse(
        label=label,
        frame=frame,
        path=slice(start, start + len(terms)),
        base=base,
        slopes=slopes,
        relative=np.array([float(t.function > 0 and t.prior is not None) for t in terms]),
        along_m=along_m,
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
    ledger: Ledger,
    label: str,
    lamp_u_m: float,
    row: tuple[str, int, Track, Floats, float, Floats],
    order: int,
    weave: Floats,
) -> ClipLights:
    clip, station, track, cov_px2, reference_s, _ = row
    lamp = None
    if lamp_u_m > 0.0:
        lamp = ledger.known(
            *(
                entered(f"pass {label}", f"lamp {letter} {clip}", "lamp", lamp_u_m, "m")
                for letter in "yz"
            )
        )
    return ClipLights(
        clip=clip,
        station=station,
        track=track,
        cov_px2=cov_px2,
        reference_s=reference_s,
        offset=None if order == 0 else ledger.free(1),
        lamp=lamp,
        weave=weave,
    )
