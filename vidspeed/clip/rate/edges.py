"""The rate of a camera's clock from a slow lamp: when it goes on and off (`clip.ramps`)."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vidspeed.clip.rate.crossings import Start, first_look
from vidspeed.clip.rate.flashes import Flashes
from vidspeed.clip.rate.ramps import (
    DRIFT,
    LENGTH,
    PHASE,
    RAMP,
    READOUT,
    SCALE,
    Points,
    Solved,
    partly_lit,
    points_near,
    residuals,
    scatter,
    share_of,
    solve,
)
from vidspeed.errors import ClipError
from vidspeed.values import Bools, Floats, Value

FEWEST_PARTIAL = 10  # edges with a partly bright frame
RAMP_U = 0.2  # relative uncertainty of the ramp above which the edges do not tell its length
STILL, LOCKED = 0.15, 0.5  # of the frame interval that the edges' phases cover
FIRM = 2.0  # scatters beyond which a point pulls no harder
FAR = 6.0  # times the usual scatter of an edge, for one that is left out
WIDTHS = (0.6, 0.3, 0.15, 0.08, 0.04)  # of a frame interval: ramps that are tried
ROWS_U = 1.2e-3  # of the read-out: where within a band its light lies
ROUND = 0.9  # frame intervals through which the edges must move from first to last partial frame
WORST_PPM = 100.0  # beyond which a rate is not worth stating


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RateFit(Value):
    """The rate of a camera's clock, of one clip, if the lamp's own rate is true.

    `clock_ppm`: true seconds in a million seconds of the stamps, less a million, in the middle
    of the clip. `dof` are the degrees of freedom of `clock_u_ppm`. `readout_s` is None where the
    lamp is too small to tell. `ramp_s` is the shorter of exposure and flash, None where it is not
    found. `used` of `edges` hold a partly bright frame; `covered` says how much of the frame
    interval the edges' phases cover.
    """

    clock_ppm: float
    clock_u_ppm: float
    dof: float
    drift_ppm_per_min: float | None = None
    drift_u_ppm_per_min: float = 0.0
    readout_s: float | None = None
    readout_u_s: float = 0.0
    ramp_s: float | None = None
    ramp_u_s: float = 0.0
    edges: int = 0
    used: int = 0
    covered: float = 1.0
    notes: tuple[str, ...] = ()


def fit_edges(seen: Flashes, hz: float) -> RateFit:
    """Find the clock's rate from a lamp that is lit and dark in turn, slower than the frames.

    Raises
    ------
    ClipError
        Where no such lamp is seen, its rate is another one, or frames and flashes are locked.
    """
    start = first_look(seen, hz)
    covered = _covered(seen, hz, start.theta)
    if covered < STILL:
        raise ClipError(_locked(seen, covered))
    points, solved, lost = _settled(points_near(seen, hz, start), start)
    edges = len(np.unique(points.edge))
    used = len(np.unique(points.edge[partly_lit(points, solved.theta)]))
    covered = _covered(seen, hz, solved.theta)
    _refuse_locked(seen, solved, used, edges, covered)
    if not _recurs(points, solved.theta):
        raise ClipError(_one_stretch(seen))
    sigma = scatter(points, solved.theta)
    ppm, u_ppm = _bounds(seen, points, solved, sigma)
    drifting = solve(points, np.append(solved.theta, 0.0), range(DRIFT + 1), sigma, wide=True)
    shift = float(drifting.theta[SCALE] - solved.theta[SCALE])
    steady = abs(shift) < 3.0 * max(u_ppm, drifting.u(SCALE))  # else it fits what is no drift
    if steady and abs(drifting.theta[DRIFT]) > 3.0 * drifting.u(DRIFT):
        ppm += shift
        u_ppm = max(u_ppm, drifting.u(SCALE))
    readout_s = 1e-3 * float(solved.theta[READOUT])
    readout_u_s = float(np.hypot(1e-3 * solved.u(READOUT), ROWS_U * readout_s))
    told = readout_u_s < 0.1 * abs(readout_s)
    ramp_s = 1e-3 * float(np.exp(solved.theta[RAMP]))
    notes = [f"{lost} edges lie off the line and were left out"] if lost else []
    return RateFit(
        clock_ppm=ppm,
        clock_u_ppm=u_ppm,
        dof=float(used - 5),
        drift_ppm_per_min=60.0 * float(drifting.theta[DRIFT]) if steady else None,
        drift_u_ppm_per_min=60.0 * drifting.u(DRIFT) if steady else 0.0,
        readout_s=readout_s if told else None,
        readout_u_s=readout_u_s if told else 0.0,
        ramp_s=ramp_s,
        ramp_u_s=ramp_s * solved.u(RAMP),
        edges=edges,
        used=used,
        covered=covered,
        notes=(*seen.notes, *notes),
    )


def _settled(points: Points, start: Start) -> tuple[Points, Solved, int]:
    """Fit from long ramps to short ones, then weigh, drop edges off the line, and fit again."""
    trials, theta = [], np.append(start.theta, np.zeros(DRIFT - len(start.theta)))
    for width in WIDTHS:
        theta = theta.copy()
        theta[RAMP] = np.log(1e3 * width * points.interval_s)
        rough = [SCALE, PHASE, LENGTH, READOUT]
        solved = solve(points, theta, rough, scatter(points, theta), steps=8)
        theta = solved.theta
        trials.append((float(np.sum(residuals(points, theta) ** 2)), theta))
    theta = min(trials, key=lambda row: row[0])[1]
    lost = 0
    for _ in range(3):
        solved = solve(points, theta, range(DRIFT), scatter(points, theta), steps=15)
        theta = solved.theta
        stray = _stray(points, theta)
        lost += len(np.unique(points.edge[stray]))
        points = _weighed(_without(points, stray), theta)
    solved = solve(points, theta, range(DRIFT), scatter(points, theta), wide=True)
    return points, solved, lost


def _stray(points: Points, theta: Floats) -> Bools:
    """Say which points (m,) belong to an edge that scatters far more than the others."""
    left = residuals(points, theta) ** 2
    edges, edge = np.unique(points.edge, return_inverse=True)
    worst = np.zeros(len(edges))
    np.maximum.at(worst, edge, left)
    usual = max(float(np.quantile(worst, 0.75)), 1e-8)
    return np.asarray((worst > FAR**2 * usual)[edge])


def _without(points: Points, stray: Bools) -> Points:
    kept = {
        name: getattr(points, name)[~stray]
        for name in ("level", "time_s", "row", "band", "edge", "weight")
    }
    return replace(points, **kept)


def _weighed(points: Points, theta: Floats) -> Points:
    """Weigh partial frames against steady ones by their scatter, and stray points down.

    A factor of 10 at most between them. Codecs draw faint changes to nothing, so that errors have
    long tails: beyond `FIRM` of the scatter a point pulls no harder (Huber 1964).
    """
    flat = replace(points, weight=np.ones_like(points.weight))
    share, left = share_of(points, theta), residuals(flat, theta)
    held = partly_lit(points, theta)
    if np.sum(held) < 20 or np.sum(~held) < 20:
        return flat
    ratio = float(np.mean(left[held] ** 2) / np.mean(left[~held] ** 2))
    grown = 1.0 + (np.clip(ratio, 1.0, 10.0) - 1.0) * 4.0 * share * (1.0 - share)
    usual = 1.4826 * float(np.median(np.abs(left[held])))
    firm = np.minimum(1.0, FIRM * usual / np.maximum(np.abs(left), 1e-12))
    return replace(flat, weight=firm / grown)


def _bounds(seen: Flashes, points: Points, solved: Solved, sigma: float) -> tuple[float, float]:
    """Return the rate and its uncertainty, looked at as far as three of them to both sides.

    Where all partial frames lie in one stretch of the clip, rate and exposure are told together
    only, and what the edges elsewhere exclude is no parabola: then the farther side counts.
    """
    plain_u = float(np.sqrt(solved.plain[SCALE, SCALE]))
    u = solved.u(SCALE)
    enough = 9.0 * (u / plain_u) ** 2
    down, up = (_side(points, solved, sigma, sign * 3.0 * u, enough) for sign in (-1.0, 1.0))
    if max(down, up) > 3.0 * WORST_PPM:
        raise ClipError(_one_stretch(seen))
    return float(solved.theta[SCALE]), max(down, up) / 3.0


def _side(points: Points, solved: Solved, sigma: float, step: float, enough: float) -> float:
    """Return how far to one side the rate may lie: where twice the cost has risen by `enough`."""
    others = [place for place in range(DRIFT) if place != SCALE]
    theta, before = solved.theta, (0.0, 0.0)
    reach = abs(step)
    while reach <= 3.0 * WORST_PPM:
        theta = theta.copy()
        theta[SCALE] = solved.theta[SCALE] + np.copysign(reach, step)
        moved = solve(points, theta, others, sigma)
        theta, risen = moved.theta, max(2.0 * (moved.cost - solved.cost), 0.0)
        if risen >= (0.6 * enough if reach == abs(step) else enough):
            share = (np.sqrt(enough) - before[1]) / max(np.sqrt(risen) - before[1], 1e-9)
            first = reach == abs(step)
            return reach if first else before[0] + min(share, 1.0) * (reach - before[0])
        before = (reach, float(np.sqrt(risen)))
        reach *= 1.6
    return reach


def _covered(seen: Flashes, hz: float, theta: Floats) -> float:
    """Return how much of the frame interval the phases of the edges cover, 0 to 1."""
    first, last = (seen.time_s[[0, -1]] - seen.time_s.mean()) * hz
    edges = (1e-3 * theta[PHASE] + np.arange(np.ceil(first), np.floor(last)) / hz) / (
        1.0 + 1e-6 * theta[SCALE]
    )
    since = (edges + seen.time_s.mean() - seen.time_s[0]) / seen.interval_s
    phase = np.sort(np.mod(since, 1.0))
    gaps = np.diff(np.append(phase, phase[0] + 1.0))
    return float(1.0 - gaps.max())


def _refuse_locked(seen: Flashes, solved: Solved, used: int, edges: int, covered: float) -> None:
    """Refuse where the edges do not tell how long an exposure is."""
    if used >= FEWEST_PARTIAL and solved.u(RAMP) < RAMP_U:
        return
    if covered < LOCKED:
        raise ClipError(_locked(seen, covered))
    raise ClipError(
        f"{seen.file}: only {used} of {edges} edges fall into an exposure, at least "
        f"{FEWEST_PARTIAL} are needed; film longer or with a longer exposure"
    )


def _recurs(points: Points, theta: Floats) -> bool:
    """Tell whether rises or falls come round to partial frames again after a whole frame interval.

    Else rate and exposure are told together only: a slower drift through a shorter exposure
    looks the same.
    """
    frames = points.period_s / (1.0 + 1e-6 * theta[SCALE]) / points.interval_s
    creep = abs(frames - np.rint(frames))  # of a frame interval, from flash to flash
    edge = np.unique(points.edge[partly_lit(points, theta)])
    spans = [np.ptp(edge[edge % 2 == side]) / 2.0 for side in (0, 1) if np.any(edge % 2 == side)]
    return bool(max(spans, default=0.0) * creep > ROUND)


def _one_stretch(seen: Flashes) -> str:
    """Word that the partial frames do not fix rate and exposure apart."""
    return (
        f"{seen.file}: frames and flashes are nearly locked: the edges fall into an exposure in "
        "one stretch of the clip only, which does not tell the rate; take another rate of "
        "flashes or frames, a longer clip, or a longer exposure"
    )


def _locked(seen: Flashes, covered: float) -> str:
    """Word that frames and flashes are locked."""
    return (
        f"{seen.file}: frames and flashes are locked: over the whole clip the edges move through "
        f"only {100 * covered:.0f} % of a frame interval, so the rate cannot be told; take "
        "another rate of flashes or frames, a longer clip, or a longer exposure"
    )
