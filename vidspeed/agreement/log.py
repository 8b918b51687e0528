"""The speed that a record made on board gives: from places, or from speeds, along its own time.

A record and a camera share no clock. Places need none: the time between the two gates is the
record's own. Speeds are laid beside the measured profile where their rise and fall fit it, and
how far that leaves them open is part of their uncertainty; where the speed is steady it does not
matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.errors import ClipError
from vidspeed.values import Floats, Log, Profile, Value

NEAR = 0.1  # of the course: rows on both sides of a gate may be this far apart
SHIFTS = 400  # starts that are tried for a record of speeds
LEAST_ROWS = 4  # of a record of speeds within a drive
FLOOR = 1e-3  # of the speed: a fit of rise and fall is not believed to be better than this


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Logged(Value):
    """A mean speed between the gates and its standard uncertainty."""

    speed_mps: float
    speed_u_mps: float


def usual_speed_mps(log: Log) -> float:
    """Return about how fast a record says that it was, to look for it in a picture."""
    if log.speed_mps is not None:
        moving = np.abs(log.speed_mps)
        return float(np.median(moving[moving >= 0.5 * moving.max()]))
    assert log.x_m is not None
    steps = np.abs(np.diff(log.x_m)) / np.diff(log.time_s)
    lasting = np.diff(log.time_s)
    moving = steps >= 0.5 * steps.max()
    return float(np.average(steps[moving], weights=lasting[moving]))


def logged(
    log: Log, *, length_m: float, duration_s: float, profile: Profile, forward: bool
) -> Logged:
    """Return the record's mean speed between the gates.

    Parameters
    ----------
    duration_s, profile
        The measured time between the gates, and speeds along the course: where a record of
        speeds belongs. Their size is not used, only how the speed rose and fell.

    Raises
    ------
    ClipError
        Where the record does not hold the drive, or more than one.
    """
    if log.x_m is not None:
        found = _by_places(log, length_m, forward)
    else:
        found = _by_speeds(log, duration_s, *_along(profile, length_m, forward))
    common = log.common_u * found.speed_mps
    return Logged(speed_mps=found.speed_mps, speed_u_mps=float(np.hypot(found.speed_u_mps, common)))


def _by_places(log: Log, length_m: float, forward: bool) -> Logged:
    """Return length over the time between the gates, and its u from both crossings' own."""
    assert log.x_m is not None
    gates = (0.0, length_m) if forward else (length_m, 0.0)
    first, second = (_crossing(log, gate, length_m, forward) for gate in gates)
    lasted_s = second[0] - first[0]
    if lasted_s <= 0.0:
        raise ClipError(f"{log.file}: passes the second gate before the first; one drive is needed")
    speed = length_m / lasted_s
    away_m = np.hypot(first[1], second[1]) / speed  # u of x_m in seconds
    u_s = np.sqrt(first[2] ** 2 + second[2] ** 2 + away_m**2)
    return Logged(speed_mps=float(speed), speed_u_mps=float(speed * u_s / lasted_s))


def _crossing(
    log: Log, gate_m: float, length_m: float, forward: bool
) -> tuple[float, float, float]:
    """Return when a record passes a gate, and u of its place (m) and time (s) there."""
    assert log.x_m is not None
    since = (log.x_m - gate_m) * (1.0 if forward else -1.0)
    at = np.flatnonzero((since[:-1] <= 0.0) & (since[1:] > 0.0))
    if not len(at) and since[-1] == 0.0:
        at = np.array([len(since) - 2])  # the last row stands on the gate
    if len(at) != 1:
        raise ClipError(
            f"{log.file}: passes x = {gate_m:g} m {len(at)} times in the direction of the clip, "
            "once is needed; keep the rows of this one drive"
        )
    rows = slice(int(at[0]), int(at[0]) + 2)
    before, after = log.x_m[rows]
    part = float((gate_m - before) / (after - before))
    if abs(after - before) > NEAR * length_m and 0.0 < part < 1.0:
        raise ClipError(
            f"{log.file}: its rows beside x = {gate_m:g} m are at {before:g} and {after:g} m; rows "
            f"no more than {NEAR * length_m:g} m apart, or one at the gate, are needed"
        )
    time_s = float(np.interp(part, (0.0, 1.0), log.time_s[rows]))
    return time_s, float(log.x_u_m[rows].max()), float(log.time_u_s[rows].max())


def _along(profile: Profile, length_m: float, forward: bool) -> tuple[Floats, Floats]:
    """Return times (n,) since the first gate and speeds (n,) there, in order of time."""
    x_m = np.linspace(0.0, length_m, len(profile.x_m))
    speed = np.interp(x_m, profile.x_m, profile.speed_mps)
    if not forward:
        speed = speed[::-1]
    slowness = 1.0 / speed
    steps = (slowness[1:] + slowness[:-1]) / 2.0 * (x_m[1] - x_m[0])
    return np.concatenate([[0.0], np.cumsum(steps)]), speed


def _by_speeds(log: Log, duration_s: float, since_s: Floats, profile_mps: Floats) -> Logged:
    """Return the mean of a record of speeds over so long, begun where its shape fits best.

    Every start is weighed by how well rise and fall fit there; the weighted spread of the means is
    what the missing clock leaves open.
    """
    assert log.speed_mps is not None
    speeds = np.abs(log.speed_mps)
    spare_s = float(log.time_s[-1] - log.time_s[0]) - duration_s
    if spare_s < 0.0:
        raise ClipError(
            f"{log.file}: holds {duration_s + spare_s:.2f} s, the drive between the gates took "
            f"{duration_s:.2f} s; keep all of its rows"
        )
    starts = log.time_s[0] + spare_s * np.linspace(0.0, 1.0, SHIFTS)
    means = np.array([_mean(log.time_s, speeds, start, duration_s) for start in starts])
    beside = np.array([np.interp(start + since_s, log.time_s, speeds) for start in starts])
    usual = np.trapezoid(profile_mps, since_s) / since_s[-1]
    shape = beside / np.maximum(means, 1e-9)[:, None] - profile_mps / usual
    misfit = np.mean(shape**2, axis=1)
    rows = int(len(speeds) * duration_s / (duration_s + spare_s))
    if rows < LEAST_ROWS:
        raise ClipError(f"{log.file}: {rows} rows in a drive, at least {LEAST_ROWS} are needed")
    best = max(float(misfit.min()), FLOOR**2)
    weights = np.exp(-0.5 * rows * np.maximum(misfit / best - 1.0, 0.0))
    mean = float(np.average(means, weights=weights))
    open_mps = float(np.sqrt(np.average((means - mean) ** 2, weights=weights)))
    own_mps = float(np.sqrt(np.mean(log.speed_u_mps**2) / rows))
    return Logged(speed_mps=mean, speed_u_mps=float(np.hypot(open_mps, own_mps)))


def _mean(time_s: Floats, speed_mps: Floats, start_s: float, duration_s: float) -> float:
    """Return the mean in time of speeds that are joined by straight lines."""
    ends = (start_s, start_s + duration_s)
    inner = time_s[(time_s > ends[0]) & (time_s < ends[1])]
    at = np.concatenate([[ends[0]], inner, [ends[1]]])
    return float(np.trapezoid(np.interp(at, time_s, speed_mps), at) / duration_s)
