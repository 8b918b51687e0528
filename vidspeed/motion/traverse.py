"""A pass in the adjustment: its path's unknowns, and the lights of each clip that saw it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from vidspeed.motion.path import KNOWN, ORDERS, Nominal, basis, growth
from vidspeed.motion.step import Step
from vidspeed.motion.unknowns import Ledger, State, entered
from vidspeed.values import Course, FlightLine, Floats, Input, Track, Value

LEAST_U = 1e-5  # metres (or m/s2, m/s3): a figure stated as certain is taken this closely


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClipLights(Value):
    """The lights of one clip that take part: `track` holds only these, n of them.

    `cov_px2` (n, 2, 2) is what the adjustment weighs with; `white` (n, 2, 2) turn residuals into
    standard normal ones. The clip's time counts from
    `reference_s`; `offset` is its place in theta, None for the pass's first clip, whose clock
    is the pass's clock. `weave` (n, m) are the weave's functions at the lights,
    `drag_px` (n, 2, k) how the k deviates of the coder's drag move them. `late` is the place of the
    deviate of `step`, where the clip has one.
    """

    clip: str
    station: int
    track: Track
    cov_px2: Floats
    white: Floats
    reference_s: float
    offset: slice | None
    lamp: slice | None
    weave: Floats
    drag: slice
    drag_px: Floats
    step: Step | None = None
    late: slice | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Foreknown(Value):
    """One thing that the flight line says of a path: quantity `number` of `known_of`.

    It was stated as `stated`, with the standard uncertainty `u` (never below `LEAST_U`) of one
    pass; `shared` is the place of a deviate that all passes share, `shared_u` its size.
    """

    number: int
    stated: float
    u: float
    input: Input
    shared: slice | None = None
    shared_u: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Traverse(Value):
    """A pass's places in theta: `path` holds the coefficients (4, 3), unravelled, in metres."""

    label: str
    nominal: Nominal
    length_m: float
    path: slice
    known: tuple[Foreknown, ...]
    weave_u_m: float
    weave_y: slice | None
    weave_z: slice | None
    lamp_u_m: float
    clips: tuple[ClipLights, ...]

    def coefficients(self, state: State) -> Floats:
        """Return the path's coefficients (..., 4, 3) in `state`."""
        path = state.theta[..., self.path]
        return path.reshape(*path.shape[:-1], ORDERS, 3)

    def smooth(self, state: State, time_s: Floats) -> Floats:
        """Return the smooth path (n, 3) at times (n,) of the pass's clock."""
        return np.asarray(basis(self.nominal.xi(time_s)) @ self.coefficients(state))

    def growth(self, state: State) -> Floats:
        """Return how much faster than nominal the path is."""
        return growth(self.coefficients(state), self.length_m)


def foreknown(
    ledger: Ledger, line: FlightLine, label: str, nominal: Nominal
) -> Iterator[Foreknown]:
    """Yield what the flight line says of a pass, in the order of `KNOWN`."""
    if line.stated:
        yield _level(ledger, label, 0, line.offset_m, line.offset_u_m, line.offset_shared_u_m)
        yield _level(ledger, label, 1, line.height_m, line.height_u_m, line.height_shared_u_m)
    jerk_u = line.accel_u_mps2 / nominal.duration_s
    sizes = (line.drift_u_m, line.climb_u_m, *line.accel_u_mps2, *jerk_u)
    sources = ("drift", "climb", *6 * ("acceleration",))
    keys = ("drift_u_m", "climb_u_m", *6 * ("accel_u_mps2",))
    units = ("m", "m", *3 * ("m/s2",), *3 * ("m/s3",))
    for number, row in enumerate(zip(sizes, sources, keys, units, strict=True), start=2):
        u, source, key, unit = row
        entry = entered(
            f"pass {label}", KNOWN[number], source, float(u), unit, assumed=key in line.assumed
        )
        yield Foreknown(number=number, stated=0.0, u=max(float(u), LEAST_U), input=entry)


def _level(
    ledger: Ledger, label: str, number: int, stated_m: float, u_m: float, shared_u_m: float | None
) -> Foreknown:
    """Return mean offset or height: as one input, or with a part that all passes share."""
    name, owner = KNOWN[number], f"pass {label}"
    source = f"flight-line {name}"
    if shared_u_m is None:
        entry = entered(owner, name, source, u_m, "m", split_unknown=True)
        return Foreknown(number=number, stated=stated_m, u=max(u_m, LEAST_U), input=entry)
    own_u_m = float(np.sqrt(max(u_m**2 - shared_u_m**2, 0.0)))
    return Foreknown(
        number=number,
        stated=stated_m,
        u=max(own_u_m, LEAST_U),
        input=entered(owner, name, source, own_u_m, "m"),
        shared=ledger.known(entered("session", f"shared {name}", source, shared_u_m, "m")),
        shared_u=shared_u_m,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LightsIn(Value):
    """A clip's lights as they enter a pass; `offset_s` is where its time offset begins.

    `weave` (n, m) are the weave's functions at the lights, of the same m for every clip;
    `drag_px` (n, 2, k) says how the coder's drag moves them, `step` from where on they are later.
    """

    clip: str
    stand: int
    track: Track
    cov_px2: Floats
    reference_s: float
    offset_s: float
    weave: Floats
    drag_px: Floats
    step: Step | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PassIn(Value):
    """A pass as it enters the adjustment; its path begins with `coefficients` (4, 3)."""

    label: str
    nominal: Nominal
    coefficients: Floats
    lights: tuple[LightsIn, ...]


def join(
    ledger: Ledger,
    entry: PassIn,
    course: Course,
    line: FlightLine,
    lamp_u_m: float,
    cameras: Sequence[str],
) -> Traverse:
    """Enter a pass into the ledger; `cameras` are the names of the stands' cameras."""
    path = ledger.free(3 * ORDERS)
    weave_y, weave_z = _weave(ledger, entry.label, line, entry.lights[0].weave.shape[1])
    clips = tuple(
        _clip_lights(
            ledger,
            entry.label,
            lamp_u_m,
            row,
            camera=cameras[row.stand],
            first=row is entry.lights[0],
        )
        for row in entry.lights
    )
    return Traverse(
        label=entry.label,
        nominal=entry.nominal,
        length_m=course.length_m,
        path=path,
        known=tuple(foreknown(ledger, line, entry.label, entry.nominal)),
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
    ledger: Ledger, label: str, lamp_u_m: float, row: LightsIn, *, camera: str, first: bool
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
        white=np.linalg.inv(np.linalg.cholesky(row.cov_px2)),
        reference_s=row.reference_s,
        offset=None if first else ledger.free(1),
        lamp=lamp,
        weave=row.weave,
        drag=ledger.known(*_drag_inputs(camera, row)),
        drag_px=row.drag_px,
        step=row.step,
        late=None if row.step is None else ledger.known(row.step.input(label, row.clip)),
    )


def _drag_inputs(camera: str, row: LightsIn) -> list[Input]:
    """Return the inputs of a coder's drag; it is the camera's, alike in all its passes."""
    size = row.track.drag_u_px
    return [
        entered(f"camera {camera}", f"drag {axis}", "video coding", size, "px", assumed=True)
        for axis in "xy"[: row.drag_px.shape[2]]
    ]
