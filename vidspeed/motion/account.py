"""The account of a solved pass: speed, uncertainty, budget, profile, checks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vidspeed.chance import normal_isf
from vidspeed.errors import MotionError
from vidspeed.motion.budget import budget_rows
from vidspeed.motion.coverage import coverage_factor, effective_dof
from vidspeed.motion.flight import (
    Flight,
    clip_times,
    flight_residuals,
    light_places,
    light_times,
)
from vidspeed.motion.path import basis, crossings, local_speeds, rate_of, stretch_speed
from vidspeed.values import (
    Check,
    Clip,
    Crossing,
    Floats,
    Input,
    PassResult,
    Profile,
    Session,
    Sighted,
)

GATE_GAP_S = 0.25  # a gate is seen where lights on both sides of it are no farther apart
PROFILE_POINTS = 41
MOST_NOISE = 3.0  # sqrt(q) above which the lights' own uncertainty was clearly not the truth
MOST_LEVERAGE = 0.999  # an input that only itself determines cannot be judged
FALSE_ALARM = 0.01  # of passes whose figures are all right that get a warning all the same


def account(session: Session, flight: Flight, clips: Sequence[Clip], label: str) -> PassResult:
    """Return the result of a solved pass."""
    outline = outlined(session, flight, clips, label)
    assert outline.speed_mps is not None and outline.speed_u_mps is not None
    assert outline.sensitivities_mps is not None and outline.stretch_m is not None
    speed, u = outline.speed_mps, outline.speed_u_mps
    inputs, sensitivities = flight.inputs(), outline.sensitivities_mps
    estimated = [(float(np.linalg.norm(sensitivities[at])), dof) for at, dof in flight.widened()]
    dof = effective_dof(u, estimated)
    factor = coverage_factor(dof)
    profile, path = _profile(flight, outline.stretch_m)
    return replace(
        outline,
        speed_U95_mps=factor * u,
        coverage_factor=factor,
        dof=dof,
        interval95_mps=(speed - factor * u, speed + factor * u),
        crossings=tuple(_crossing(flight, order) for order in range(len(flight.lit))),
        profile=profile,
        path_m=path,
        budget=budget_rows(inputs, sensitivities),
        inputs=tuple(inputs),
        checks=(*outline.checks[:2], _check_entered(flight, inputs), *outline.checks[2:]),
        recorded=next((clip.recorded for clip in clips if clip.recorded is not None), None),
    )


def outlined(session: Session, flight: Flight, clips: Sequence[Clip], label: str) -> PassResult:
    """Return of a solved pass what says whether it is the craft's: status, speed and checks.

    Only these checks can fail.
    """
    seen = [_gate_seen(flight, gate) for gate in (0.0, session.course.length_m)]
    measured = all(seen)
    speed, gradient = speed_between(flight, ends_of(flight, "measured" if measured else "partial"))
    sensitivities = flight.sensitivities(gradient)
    u = float(np.linalg.norm(sensitivities))
    return PassResult(
        label=label,
        flight=_common([clip.flight for clip in clips]),
        setup=_common([clip.setup for clip in clips]),
        clips=tuple(clip.name for clip in clips),
        status="measured" if measured else "partial",
        direction="forward" if flight.direction > 0.0 else "reverse",
        speed_mps=speed,
        speed_u_mps=u,
        stretch_m=_stretch(flight),
        sensitivities_mps=sensitivities,
        sightings=tuple(_sighted(flight, order) for order in range(len(flight.lit))),
        checks=(
            _check_gates(seen),
            _check_noise(flight),
            _check_range(session, speed, u),
            _check_one_camera(flight),
        ),
    )


def _common(values: Sequence[str | None]) -> str | None:
    return next((value for value in values if value is not None), None)


def ends_of(flight: Flight, status: str) -> tuple[float, float]:
    """Return between which places the speed is: the gates, or the outermost used lights."""
    return (0.0, flight.length_m) if status == "measured" else _stretch(flight)


def speed_between(flight: Flight, ends: tuple[float, float]) -> tuple[float, Floats]:
    """Return the speed between two places on the course, and its gradient (n,) by the unknowns.

    It is (1 + s) . distance / time, whichever way the craft flew.
    """
    network, state = flight.network, flight.state
    course_speed, by_path = stretch_speed(ends[0], ends[1], flight.along, flight.nominal)
    if not np.isfinite(course_speed):
        raise MotionError("the path turns back before the gate")
    scale = network.scale(state)
    gradient = np.zeros(network.ledger.size)
    gradient[network.traverses[0].path][::3] = scale * by_path  # x of the (4, 3) coefficients
    gradient[network.scale_at] = network.scale_factor * course_speed
    return float(scale * course_speed), gradient


def speeds_from(flight: Flight, first_m: float, ends_m: Floats) -> tuple[Floats, Floats]:
    """Return `speed_between` one place and others (n,): speeds (n,) and gradients (n, unknowns)."""
    network, state, along = flight.network, flight.state, flight.along
    at = crossings(np.append(ends_m, first_m), along)
    if not np.isfinite(at).all():
        raise MotionError("the path turns back before the gate")
    slopes = -basis(at) / rate_of(at, along)[:, None]
    spent = at[:-1] - at[-1]
    course = np.abs((ends_m - first_m) / (spent * flight.nominal.duration_s))
    by_path = (-course / spent)[:, None] * (slopes[:-1] - slopes[-1])
    scale = network.scale(state)
    gradients = np.zeros((len(ends_m), network.ledger.size))
    gradients[:, network.traverses[0].path][:, ::3] = scale * by_path
    gradients[:, network.scale_at] = network.scale_factor * course[:, None]
    return scale * course, gradients


def _stretch(flight: Flight) -> tuple[float, float]:
    """Return the x range of the used lights."""
    used = np.concatenate(
        [light_places(flight, order)[flight.used[order], 0] for order in range(len(flight.lit))]
    )
    return float(used.min()), float(used.max())


def _gate_seen(flight: Flight, gate_m: float) -> bool:
    """Tell whether some camera has used lights on both sides of a gate, close in time."""
    for order in range(len(flight.lit)):
        used = flight.used[order]
        x_m = light_places(flight, order)[used, 0]
        time = light_times(flight, order)[used]
        before, after = time[x_m <= gate_m], time[x_m > gate_m]
        if not len(before) or not len(after):
            continue
        if flight.direction < 0.0:
            before, after = after, before
        if after.min() - before.max() <= GATE_GAP_S:
            return True
    return False


def _profile(flight: Flight, stretch: tuple[float, float]) -> tuple[Profile, Floats]:
    """Return the speed along x from end to end of the used lights, and the path there (n, 3)."""
    traverse = flight.network.traverses[0]
    x_m = np.linspace(stretch[0], stretch[1], PROFILE_POINTS)
    speed, by_path = local_speeds(x_m, flight.along, flight.nominal)
    network = flight.network
    scale = network.scale(flight.state)
    gradient = np.zeros((len(x_m), network.ledger.size))
    gradient[:, traverse.path][:, ::3] = scale * by_path
    gradient[:, network.scale_at] = speed[:, None] * network.scale_factor
    u = np.linalg.norm(flight.sensitivities(gradient.T), axis=0)
    path = traverse.smooth(flight.state, flight.times_at(x_m))
    profile = Profile(x_m=x_m, speed_mps=scale * speed, speed_u_mps=u)
    return profile, path


def _crossing(flight: Flight, order: int) -> Crossing:
    """Return when a clip's own clock saw the gates: the read-out's row is that of its lights."""
    lit = flight.lit[order]
    gates = np.sort(flight.gate_times_s)
    row = np.interp(gates, light_times(flight, order), lit.track.row)
    at = clip_times(flight, order, gates, row)
    return Crossing(
        clip=lit.clip,
        camera=lit.stand.camera.name,
        time_in_s=float(at[0]),
        time_out_s=float(at[1]),
    )


def _sighted(flight: Flight, order: int) -> Sighted:
    lit, used = flight.lit[order], flight.used[order]
    white, left = flight_residuals(flight, order)
    residual = np.full((len(used), 2), np.nan)
    distance = np.full(len(used), np.nan)
    residual[used] = left
    distance[used] = np.linalg.norm(white, axis=1)
    noise = flight.noise[order]
    return Sighted(
        clip=lit.clip,
        camera=lit.stand.camera.name,
        track=lit.track,
        used=used,
        residual_px=residual,
        normalised=distance,
        x_m=light_places(flight, order)[:, 0],
        noise_scale=float(np.sqrt(noise.scale)),
        correlation=noise.correlation,
    )


def _check_gates(seen: Sequence[bool]) -> Check:
    if all(seen):
        return Check(name="gates", status="ok", detail="lights on both sides of both gates")
    missed = " and ".join(
        name for name, there in zip(("start", "finish"), seen, strict=True) if not there
    )
    return Check(
        name="gates",
        status="warn",
        detail=f"no lights close on both sides of the {missed} gate: the speed is that of the "
        "stretch that was seen, and no candidate for the mark",
    )


def _check_noise(flight: Flight) -> Check:
    worst = max(float(np.sqrt(noise.scale)) for noise in flight.noise)
    out = sum(int((~used).sum()) for used in flight.used)
    detail = f"lights scatter {worst:.2f} times their own uncertainty; {out} lights left out"
    return Check(name="lights", status="ok" if worst < MOST_NOISE else "warn", detail=detail)


def _check_entered(flight: Flight, inputs: Sequence[Input]) -> Check:
    """Point out the entered figure that fits worst what was seen, where that is no chance."""
    adjustment = flight.adjustment
    jacobian = adjustment.jacobian
    leverage = np.sum((jacobian @ adjustment.covariance) * jacobian, axis=1)
    spread = np.sqrt(np.maximum(1.0 - leverage, 1e-12))
    off = np.where(leverage < MOST_LEVERAGE, np.abs(adjustment.residuals) / spread, 0.0)
    own = inputs[: len(jacobian)]  # those of other passes that it is tied to come behind
    judged = np.array([entry.source not in ("light positions", "weave") for entry in own])
    worst = int(np.argmax(np.where(judged, off, 0.0)))
    if off[worst] <= normal_isf(FALSE_ALARM / (2.0 * judged.sum())):  # Bonferroni's bound
        return Check(name="entered figures", status="ok", detail="all fit what was seen")
    entry = inputs[worst]
    return Check(
        name="entered figures",
        status="warn",
        detail=f"{entry.owner}: {entry.name} lies {off[worst]:.1f} standard deviations from where "
        f"everything else puts it (entered with u = {entry.input_u:.3g} {entry.unit})",
    )


def _check_range(session: Session, speed: float, u: float) -> Check:
    low, high = session.craft.speed_mps
    inside = low - 2.0 * u <= speed <= high + 2.0 * u
    return Check(
        name="speed range",
        status="ok" if inside else "fail",
        detail=f"the craft's range is {3.6 * low:.0f} to {3.6 * high:.0f} km/h",
    )


def _check_one_camera(flight: Flight) -> Check:
    if len(flight.lit) > 1:
        return Check(name="range", status="ok", detail="several cameras fix the flight line")
    return Check(
        name="range",
        status="ok",
        detail="one camera cannot see how far away the light is: the stated flight line decides",
    )
