"""A pass solved: one least-squares problem over cameras, markers and lights, then its account.

The lights enter raw, each with its own covariance. Nothing filtered or smoothed comes here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from vidspeed.errors import MotionError
from vidspeed.motion.adjust import Adjustment, adjust
from vidspeed.motion.build import build
from vidspeed.motion.draft import BEYOND, Draft, carried, first_draft, reference_s, weaves
from vidspeed.motion.drag import drag_of
from vidspeed.motion.network import Network
from vidspeed.motion.noise import Noise, noise_of, stamp_covariance
from vidspeed.motion.path import Nominal, places_at, rewritten
from vidspeed.motion.stand import Stand
from vidspeed.motion.start import Sketch, line_places, sketch
from vidspeed.motion.step import Step
from vidspeed.motion.tie import Tie
from vidspeed.motion.traverse import LightsIn, PassIn
from vidspeed.motion.unknowns import State
from vidspeed.motion.wild import tame
from vidspeed.values import Bools, Floats, Input, Ints, Session, Track, Value

OUTLIER = 25.0  # squared distance (2 dof) beyond which a light is not the craft: p = 4e-6
LEAST_LIGHTS = 4
ROUNDS = 8  # of choosing lights and solving; a light at the limit may go in and out for ever
SETTLED, DRAFTED = 1e-6, 1e-3  # of standard uncertainties: what is left to solve, at first more
SAME_NOISE = 0.02  # by which the variance of the lights may differ from one round to the next


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lit(Value):
    """A clip's track as a flight gets it: whose clip, by which stand, from which `step` on late."""

    clip: str
    stand: Stand
    track: Track
    step: Step | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Flight(Value):
    """A solved pass: the adjusted network, and per clip which lights took part and their noise.

    `adjustment` is that of the pass alone; `tie` is what other passes of the same clips add.
    """

    network: Network
    state: State
    adjustment: Adjustment
    lit: tuple[Lit, ...]
    used: tuple[Bools, ...]
    noise: tuple[Noise, ...]
    length_m: float
    tie: Tie | None = None

    @property
    def along(self) -> Floats:
        """Return the coefficients (4,) of x."""
        return np.asarray(self.network.traverses[0].coefficients(self.state)[:, 0])

    @property
    def nominal(self) -> Nominal:
        """Return the traverse that the path is written about."""
        return self.network.traverses[0].nominal

    @property
    def direction(self) -> float:
        """Return +1 from start to finish, -1 the other way."""
        return self.nominal.direction

    @property
    def gate_times_s(self) -> Floats:
        """Return the pass-clock times (2,) at x = 0 and x = length."""
        return self.times_at(np.array([0.0, self.length_m]))

    def times_at(self, x_m: Floats) -> Floats:
        """Return the pass-clock times (n,) at places `x_m` (n,)."""
        xi = places_at(x_m, self.along)
        return np.asarray(self.nominal.middle_s + self.nominal.duration_s * xi)

    def inputs(self) -> list[Input]:
        """Return what the flight rests on, those of widened lights as type A."""
        inputs = self.network.inputs()
        for rows, dof in self.noise_dof():
            if dof is not None:
                inputs[rows] = [replace(entry, kind="A") for entry in inputs[rows]]
        return inputs + list(self.tie.inputs if self.tie is not None else ())

    def sensitivities(self, gradient: Floats) -> Floats:
        """Return how a quantity moves by each of the m inputs, in its standard uncertainties.

        `gradient` (n,) or (n, g) is the derivative of one quantity or several by the unknowns.
        """
        if self.tie is not None:
            return np.asarray(self.tie.by_input.T @ gradient)
        return np.asarray(self.adjustment.jacobian @ (self.adjustment.covariance @ gradient))

    def noise_dof(self) -> list[tuple[slice, float | None]]:
        """Return the rows of each clip's lights and sound, and the dof of their widening."""
        lights = [
            (rows, noise.dof if noise.scale > 1.0 else None)
            for rows, noise in zip(self.network.light_rows()[0], self.noise, strict=True)
        ]
        sounds = zip(self.network.sound_rows(), self.network.sounds, strict=True)
        return lights + [(rows, sound.dof) for rows, sound in sounds]

    def widened(self) -> list[tuple[Ints, float]]:
        """Return the inputs whose size was estimated together, and the degrees of freedom of it.

        The lights of this pass's clips, and of other passes that it is tied to.
        """
        own = [
            (np.arange(rows.start, rows.stop), dof)
            for rows, dof in self.noise_dof()
            if dof is not None
        ]
        if self.tie is None:
            return own
        first = len(self.adjustment.residuals)
        others = np.array([np.nan if dof is None else dof for dof in self.tie.dof])
        return own + [
            (first + np.flatnonzero(others == dof), float(dof))
            for dof in np.unique(others[np.isfinite(others)])
        ]


def solve(session: Session, lit: Sequence[Lit], label: str, *, whole: bool = False) -> Flight:
    """Solve one pass from its clips' tracks; with `whole`, no light near the course is left out.

    Raises MotionError where no flight along the course explains the lights.
    """
    sights = [(row.track, row.stand) for row in lit]
    reasons = []
    for line_m in line_places(session.flight_line, sights, session.course.length_m):
        try:
            return _solve_from(session, lit, label, line_m, whole=whole)
        except MotionError as error:
            reasons.append(str(error))
    raise MotionError(reasons[0])


def _solve_from(
    session: Session, lit: Sequence[Lit], label: str, line_m: tuple[float, float], *, whole: bool
) -> Flight:
    length_m = session.course.length_m
    sketches = [
        sketch(row.track, row.stand, line_m, length_m, row.stand.camera.readout_s or 0.0)
        for row in lit
    ]
    _consistent(sketches)
    covariances = [stamp_covariance(row.track) for row in lit]
    drags = [drag_of(row.track) for row in lit]
    calm = [tame(row.track) for row in lit]
    used = [_near(row.x_m, length_m) & kept for row, kept in zip(sketches, calm, strict=True)]
    noise = [Noise(scale=1.0, correlation=0.0, dof=1.0)] * len(lit)
    entry = first_draft(label, [row.track for row in lit], sketches, line_m, length_m)
    previous: Flight | None = None
    drafted = entry
    for attempt in range(ROUNDS):
        passed = _entry(entry, lit, covariances, drags, used, noise)
        network, state = build(session, [row.stand for row in lit], [passed])
        if previous is not None:
            state = carried(previous.network, previous.state, drafted, network, state, entry)
        state, adjustment = adjust(network, state, tolerance=SETTLED if attempt else DRAFTED)
        flight = Flight(
            network=network,
            state=state,
            adjustment=adjustment,
            lit=tuple(lit),
            used=tuple(used),
            noise=tuple(noise),
            length_m=length_m,
        )
        fresh = _reframed(flight, entry)
        judge = 0 if whole else attempt
        kept = [_kept(flight, order, judge, calm[order]) for order in range(len(lit))]
        heard = _noises(flight, noise)
        settled = (
            attempt > 0
            and all(np.array_equal(a, b) for a, b in zip(kept, used, strict=True))
            and _same_noise(heard, noise)
        )
        if settled:
            return flight
        previous, drafted = flight, entry
        entry, used, noise = fresh, kept, heard
    return flight


def _consistent(sketches: Sequence[Sketch]) -> None:
    """Refuse tracks that do not move along the course, or move in different directions."""
    speeds = [row.speed_mps for row in sketches]
    if not np.all(np.isfinite(speeds)) or min(abs(speed) for speed in speeds) < 1.0:
        raise MotionError("the lights do not move along the course")
    if len({np.sign(speed) for speed in speeds}) > 1:
        raise MotionError("the clips of this pass see flights in opposite directions")


def _near(x_m: Floats, length_m: float) -> Bools:
    """Tell which lights (n,) lie on the course or not far beyond it."""
    with np.errstate(invalid="ignore"):
        near = (x_m > -BEYOND * length_m) & (x_m < (1.0 + BEYOND) * length_m)
    if near.sum() < LEAST_LIGHTS:
        raise MotionError(
            f"{int(near.sum())} lights lie on the course, at least {LEAST_LIGHTS} needed"
        )
    return np.asarray(near)


def _entry(
    entry: Draft,
    lit: Sequence[Lit],
    covariances: Sequence[Floats],
    drags: Sequence[Floats],
    used: Sequence[Bools],
    noise: Sequence[Noise],
) -> PassIn:
    lights = tuple(
        LightsIn(
            clip=row.clip,
            stand=order,
            track=take(row.track, used[order]),
            cov_px2=covariances[order][used[order]] * noise[order].variance_factor,
            reference_s=reference_s(row.track),
            offset_s=float(entry.offsets_s[order]),
            weave=entry.weave[order][used[order]],
            drag_px=drags[order][used[order]],
            step=row.step,
        )
        for order, row in enumerate(lit)
    )
    return PassIn(
        label=entry.label,
        nominal=entry.nominal,
        coefficients=entry.coefficients,
        lights=lights,
    )


def take(track: Track, which: Bools) -> Track:
    """Return the lights of a track that `which` (n,) names."""
    columns: dict[str, Any] = {name: getattr(track, name) for name in Track.__dataclass_fields__}
    for name, row in columns.items():
        if isinstance(row, np.ndarray):
            columns[name] = row[which]
    return Track(**columns)


def _reframed(flight: Flight, entry: Draft) -> Draft:
    """Write the pass about the traverse just found."""
    times = flight.gate_times_s
    traverse = flight.network.traverses[0]
    nominal = Nominal(
        middle_s=float(times.mean()),
        duration_s=float(abs(times[1] - times[0])),
        direction=float(np.sign(times[1] - times[0])),
    )
    offsets = [
        0.0 if clip.offset is None else float(flight.state.theta[clip.offset][0])
        for clip in traverse.clips
    ]
    places = [light_places(flight, order)[:, 0] for order in range(len(flight.lit))]
    return Draft(
        label=entry.label,
        nominal=nominal,
        coefficients=rewritten(traverse.coefficients(flight.state), flight.nominal, nominal),
        offsets_s=np.array(offsets),
        weave=weaves(places, flight.length_m),
    )


def light_times(flight: Flight, order: int) -> Floats:
    """Return pass-clock times (n,) of all lights of a clip's track, used or not."""
    clip = flight.network.traverses[0].clips[order]
    whole = replace(clip, track=flight.lit[order].track)
    return flight.network.light_times(flight.state, whole)


def clip_times(flight: Flight, order: int, time_s: Floats, row: Floats | float = 0.0) -> Floats:
    """Return the clip's own times (n,) at times (n,) of the pass's clock.

    The stamps of frames that show what happened then in a row of the read-out (0 to 1).
    """
    clip = flight.network.traverses[0].clips[order]
    station = flight.network.stations[clip.station]
    offset = 0.0 if clip.offset is None else float(flight.state.theta[clip.offset][0])
    since = time_s - offset - station.readout_at(flight.state) * row
    return np.asarray(since / station.clock_scale(flight.state) + clip.reference_s)


def light_places(flight: Flight, order: int) -> Floats:
    """Return the smooth path (n, 3) at all lights of a clip's track, used or not."""
    return flight.network.traverses[0].smooth(flight.state, light_times(flight, order))


def _kept(flight: Flight, order: int, attempt: int, calm: Bools) -> Bools:
    """Tell which lights of a clip belong to the flight: near the course, and not far from it.

    The first solution judges by place alone, now that the range is known; later ones leave out
    what does not follow the flight.
    """
    near = _near(light_places(flight, order)[:, 0], flight.length_m)
    if attempt == 0:
        return near & calm
    used = flight.used[order]
    distance = np.zeros(len(used))
    distance[used] = np.sum(flight_residuals(flight, order)[0] ** 2, axis=1)
    distance[used] *= flight.noise[order].variance_factor
    typical = float(np.median(distance[used])) / 1.386  # median of chi-square with 2 dof
    kept = near & used & (distance <= OUTLIER * max(1.0, typical))
    if kept.sum() < max(LEAST_LIGHTS, 0.5 * (near & used).sum()):
        raise MotionError("the lights do not follow any one flight along the course")
    return np.asarray(kept)


def flight_residuals(flight: Flight, order: int) -> tuple[Floats, Floats]:
    """Return whitened and pixel residuals (n, 2) of a clip's used lights."""
    rows = flight.network.light_rows()[0][order]
    white = flight.adjustment.residuals[rows].reshape(-1, 2)
    factor = np.linalg.cholesky(flight.network.traverses[0].clips[order].cov_px2)
    return white, np.einsum("nij,nj->ni", factor, white)


def _noises(flight: Flight, noise: Sequence[Noise]) -> list[Noise]:
    """Judge each clip's noise afresh, in units of the pixel noise alone."""
    found = []
    for order, rows in enumerate(flight.network.light_rows()[0]):
        jacobian = flight.adjustment.jacobian[rows]
        leverage = float(np.sum((jacobian @ flight.adjustment.covariance) * jacobian))
        white = flight_residuals(flight, order)[0] * np.sqrt(noise[order].variance_factor)
        found.append(noise_of(white, leverage))
    return found


def _same_noise(first: Sequence[Noise], second: Sequence[Noise]) -> bool:
    return all(
        abs(a.variance_factor / b.variance_factor - 1.0) < SAME_NOISE
        for a, b in zip(first, second, strict=True)
    )
