"""Speed, closest distance and moment of a craft from the pitch of its sound, with a covariance.

Least squares on the pitches of its tones, window by window. Unknown beside speed, distance, moment
and the tones themselves: how the pitch drifts (throttle), how the craft speeds up and turns, how
the air moves and how fast sound is in it, each with what is known of it beforehand.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vidspeed.agreement.arrival import pitches
from vidspeed.agreement.tones import Followed
from vidspeed.air import sound_of
from vidspeed.errors import MotionError
from vidspeed.values import Air, Around, Bools, FlightLine, Floats, Flyby, Told, Value
from vidspeed.values.heard import USUAL_SOUND_MPS, USUAL_WIND_U_MPS

SLOPE_U_PER_S = 0.2
FORCED = 4.0  # standard uncertainties that a known number may be away from what is known of it
BEND, HELD_U = 5, 1e-4  # where the bend stands among the numbers, and how closely it is held
FITTED = 5  # numbers that take from the scatter: speed, distance, moment, a tone, its slope
WAVERS = 1.3  # times more scatter than noise explains, from which it is the pitch that wavers
TURNS = 5
LITTLE_OFF = 1.5  # standard uncertainties beyond which a window pulls less (P. J. Huber, 1964)
FAR_OFF = 4.0  # standard uncertainties beyond which a window is left out
STEPS = np.array([1e-4, 1e-3, 1e-5, 1e-5, 1e-2, 1e-2, 1e-2, 1e-2])  # for derivatives
LOWEST = np.array([np.log(8.0), np.log(0.3), -np.inf, -1.5, -60.0, -60.0, -50.0, 250.0])
HIGHEST = np.array([np.log(310.0), np.log(600.0), np.inf, 1.5, 60.0, 60.0, 50.0, 420.0])


def around_of(air: Air | None, *, along: float = 0.0, line: FlightLine | None = None) -> Around:
    """Return what is known beside the sound from what was stated of the air and the path.

    `along` is 1 for a flight from start to finish and for all passes of a session, -1 for a flight
    back, 0 where that is not known: then the wind blows either way.
    """
    known = sound_of(air) or USUAL_SOUND_MPS
    wind, wind_u = (air.wind_along_mps, air.wind_u_mps) if air else (0.0, USUAL_WIND_U_MPS)
    if along == 0.0:
        wind, wind_u = 0.0, float(np.hypot(wind, wind_u))
    plain = Around(
        sound_mps=known[0],
        sound_u_mps=known[1],
        wind_mps=along * wind,
        wind_u_mps=wind_u,
        sound_assumed=(
            air is None or air.temperature_c is None or "temperature_u_c" in air.assumed
        ),
        wind_assumed=air is None or "wind_u_mps" in air.assumed,
    )
    if line is None:
        return plain
    return replace(
        plain,
        accel_u_mps2=float(line.accel_u_mps2[0]),
        bend_u_mps2=float(np.max(line.accel_u_mps2[1:])),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fitted(Value):
    """A fit: `covariance` (8, 8) of the numbers of `flyby`; `used` (n, k); `off` (n, k) residuals.

    `forced`: a number is at the end of its range, or far from what was known of it. Residuals are
    in standard uncertainties, NaN where nothing was used. `scatter` and
    `correlation` are of the windows' own means, as the covariance allows for them.
    """

    flyby: Flyby
    tones_hz: Floats
    covariance: Floats
    used: Bools
    off: Floats
    scatter: float
    correlation: float
    forced: bool
    told: Told


def fit(
    start: Flyby, tones_hz: Floats, followed: Followed, predicted_hz: Floats, around: Around
) -> Fitted:
    """Fit a fly-by to the pitches of k tones in n windows; `predicted_hz` (n, k) they are off from.

    Raises
    ------
    MotionError
        Where fewer windows have a tone than there are unknowns.
    """
    used = followed.used.copy()
    seen = np.where(used, predicted_hz + followed.off_hz, np.nan)
    log_seen = np.log(np.where(seen > 0.0, seen, np.nan))
    used &= np.isfinite(log_seen)
    log_u = followed.u_hz / np.maximum(predicted_hz, 1.0)
    places = np.concatenate([_places(start), np.log(tones_hz)])
    believed, own = log_u, np.ones((len(log_u), 1))
    for _ in range(TURNS):
        if used.sum() < 8 + used.any(axis=0).sum():
            raise MotionError("too few windows of the sound hold a tone")
        places, jacobian, off = _solved(places, followed.time_s, log_seen, believed, used, around)
        left = off[used]
        off = off * believed / log_u
        own = _wavering(off, log_u, used)
        away = np.abs(np.where(np.isfinite(off), off / own, 0.0))
        spread = max(1.0, 1.4826 * float(np.median(away[used])))
        pull = np.sqrt(np.maximum(1.0, away / (LITTLE_OFF * spread)))
        steady = np.allclose(believed, log_u * own * pull, rtol=0.05) and np.all(
            away[used] <= FAR_OFF * spread
        )
        if steady:
            break
        used &= away <= FAR_OFF * spread
        believed = log_u * own * pull
    used &= np.isfinite(off)
    half_s = float(np.ptp(followed.time_s[used.any(axis=1)])) / 2.0
    scatter, _ = _widening(off, log_u, used)
    beyond, correlation = _widening(off / own, log_u * own, used, wavers=bool(np.any(own > WAVERS)))
    return Fitted(
        flyby=_flyby(places),
        tones_hz=np.exp(places[8:]),
        covariance=_covariance(places, jacobian, beyond, correlation),
        used=used,
        off=off,
        scatter=scatter,
        correlation=correlation,
        forced=_forced(places, around),
        told=_told(places, jacobian, left, half_s, beyond, correlation, judged=scatter > 1.0),
    )


def _forced(places: Floats, around: Around) -> bool:
    """Tell whether a fit had to go to the end of a range, or far from what was known."""
    known, known_u = _priors(around)
    far = np.abs(places[3:8] - known) > FORCED * known_u
    ends = np.minimum(places[:2] - LOWEST[:2], HIGHEST[:2] - places[:2]) < 0.02
    return bool(np.any(far) or np.any(ends))


def _places(flyby: Flyby) -> Floats:
    """Return a fly-by as numbers (8,): logarithms of speed and distance, the rest as it is."""
    return np.array(
        [
            np.log(flyby.speed_mps), np.log(flyby.distance_m), flyby.moment_s, flyby.slope_per_s,
            flyby.accel_mps2, flyby.bend_mps2, flyby.wind_mps, flyby.sound_mps,
        ]
    )  # fmt: skip


def _flyby(places: Floats) -> Flyby:
    return Flyby(
        speed_mps=float(np.exp(places[0])),
        distance_m=float(np.exp(places[1])),
        moment_s=float(places[2]),
        slope_per_s=float(places[3]),
        accel_mps2=float(places[4]),
        bend_mps2=float(places[5]),
        wind_mps=float(places[6]),
        sound_mps=float(places[7]),
    )


def _priors(around: Around) -> tuple[Floats, Floats]:
    """Return what is known of slope, acceleration, bend, wind and sound: values and u (5,)."""
    known = np.array([0.0, 0.0, 0.0, around.wind_mps, around.sound_mps])
    u = np.array(
        [
            SLOPE_U_PER_S, around.accel_u_mps2, around.bend_u_mps2, around.wind_u_mps,
            around.sound_u_mps,
        ]
    )  # fmt: skip
    return known, np.maximum(u, 1e-6)


def _solved(
    start: Floats, time_s: Floats, log_seen: Floats, log_u: Floats, used: Bools, around: Around
) -> tuple[Floats, Floats, Floats]:
    """Return the numbers (8 + k,), the Jacobian of the whitened rows, and residuals (n, k)."""
    from scipy.optimize import least_squares  # here: slow to import

    row, tone = np.nonzero(used)
    y, u = log_seen[row, tone], log_u[row, tone]
    known, known_u = _priors(around)
    held_u = np.where(np.arange(5) == BEND - 3, HELD_U, known_u)

    def log_bends(places: Floats) -> Floats:
        """Return the logarithms of pitches (k, n) of fly-bys (k, 8)."""
        numbers = places[:, :8].T[:, :, None].copy()
        numbers[:2] = np.exp(numbers[:2])
        return np.asarray(np.log(np.maximum(pitches(numbers, time_s), 1e-6)))

    def rows(places: Floats) -> Floats:
        model = log_bends(places[None])[0][row] + places[8:][tone]
        return np.concatenate([(model - y) / u, (places[3:8] - known) / held_u])

    def slopes(places: Floats) -> Floats:
        whole = np.zeros((len(y) + 5, len(places)))
        moved = np.diag(STEPS)
        up, down = np.split(log_bends(places[:8] + np.concatenate([moved, -moved])), 2)
        change = (up - down) / (2.0 * STEPS[:, None])
        whole[: len(y), :8] = change[:, row].T / u[:, None]
        whole[np.arange(len(y)), 8 + tone] = 1.0 / u
        whole[len(y) + np.arange(5), 3 + np.arange(5)] = 1.0 / held_u
        return whole

    free = len(start) - 8
    low = np.concatenate([LOWEST, np.full(free, np.log(20.0))])
    high = np.concatenate([HIGHEST, np.full(free, np.log(40_000.0))])
    found = least_squares(
        rows, np.clip(start, low + 1e-6, high - 1e-6), slopes, bounds=(low, high),
        x_scale="jac", max_nfev=25, ftol=1e-5, xtol=1e-6, gtol=1e-6,
    )  # fmt: skip
    off = np.full(used.shape, np.nan)
    off[row, tone] = rows(found.x)[: len(y)]
    return found.x, _considered(slopes(found.x), float(known_u[BEND - 3])), off


def _considered(jacobian: Floats, bend_u: float) -> Floats:
    """Return the Jacobian with the bend as it is known beforehand, which the pitches do not better.

    A path that bends by b looks like a straight one whose speed squared is larger by d b, and also
    like one that bends by -b with yet another speed; so a fit that were let free would take one of
    the two for sure. The bend is held at nothing, and what is open of it carried (a parameter
    that is considered, not estimated: S. Schmidt, 1966): its column is brought into those of the
    others.
    """
    rest = np.delete(jacobian, BEND, axis=1)
    column = jacobian[:, BEND].copy()
    own = len(jacobian) - 5 + BEND - 3
    column[own] = 0.0
    size = np.maximum(np.linalg.norm(rest, axis=0), 1e-30)
    share, *_ = np.linalg.lstsq(rest / size, column, rcond=1e-10)
    whole = jacobian.copy()
    whole[:, BEND] = rest / size @ share
    whole[own, BEND] = 1.0 / bend_u
    return whole


def _means(off: Floats, log_u: Floats, used: Bools) -> tuple[Bools, Floats, Floats]:
    """Return which windows are used (n,), and of those the means of their tones and 1 / u².

    Tones of one craft waver together, so the mean of a window's tones is what is judged.
    """
    weight = np.where(used, 1.0 / np.maximum(log_u, 1e-9) ** 2, 0.0)
    rows = weight.sum(axis=1) > 0.0
    total = weight[rows].sum(axis=1)
    away = np.where(used, np.nan_to_num(off) * log_u, 0.0)[rows]
    return rows, (weight[rows] * away).sum(axis=1) / total, total


def _wavering(off: Floats, log_u: Floats, used: Bools) -> Floats:
    """Return how many times more than noise explains each window (n, 1) may be off.

    A pitch that wavers puts windows that are heard well off by as much as others, so they must not
    count for more. Its variance is such that the windows' means scatter as expected (R. Mandel,
    J. Paule, Anal. Chem. 42 (1970) 1194).
    """
    rows, mean, total = _means(off, log_u, used)
    freedom = max(int(rows.sum()) - FITTED, 1)
    size = 0.0
    for _ in range(20):
        inside = 1.0 / total + size
        excess = float(np.sum(mean**2 / inside)) - freedom
        if excess <= 0.0:
            break
        size += excess / float(np.sum(mean**2 / inside**2))
    own = np.ones((len(used), 1))
    own[rows, 0] = np.sqrt(1.0 + total * size)
    return own


def _widening(
    off: Floats, log_u: Floats, used: Bools, *, wavers: bool = False
) -> tuple[float, float]:
    """Return by how much the windows scatter beyond their own uncertainty, and how they hang on."""
    rows, mean, total = _means(off, log_u, used)
    mean = mean * np.sqrt(total)
    own = np.nansum(np.where(used, off, np.nan) ** 2)
    freedom = max(int(rows.sum()) - FITTED, 1)
    all_freedom = max(int(used.sum()) - FITTED - used.shape[1] + 1, 1)
    scale = max(1.0, float(mean @ mean) / freedom, float(own) / all_freedom)
    close = np.diff(np.nonzero(rows)[0]) == 1
    pairs = mean[:-1][close] * mean[1:][close]
    rho = float(pairs.sum() / max(float(mean @ mean), 1e-12)) if len(pairs) > 8 else 0.0
    if wavers:  # a pitch that wavers hangs together, and a smooth fit takes some of that
        rho = max(0.0, rho + FITTED / max(int(rows.sum()), 1))
    else:  # noise of windows that do not overlap does not
        rho = rho if rho > 2.0 / np.sqrt(max(len(pairs), 1)) else 0.0
    return float(np.sqrt(scale)), min(rho, 0.9)


def _told(
    places: Floats,
    jacobian: Floats,
    left: Floats,
    half_s: float,
    scatter: float,
    correlation: float,
    *,
    judged: bool,
) -> Told:
    """Return what the pitches alone say, but for the tones and their slope, which are let go.

    `left` (n,) are the residuals of the Jacobian's rows but the last five.
    """
    by_noise = scatter * np.sqrt((1.0 + correlation) / (1.0 - correlation))
    rows = np.concatenate([jacobian[:-5] / by_noise, jacobian[-5:-4]])
    apart = np.append(left / by_noise, places[3] / SLOPE_U_PER_S)
    kept = np.array([0, 1, 2, 4, 5, 6, 7])
    gone = np.setdiff1d(np.arange(len(places)), kept)
    # What the rows say of `kept`, once `gone` are chosen for the best each time.
    away, _ = np.linalg.qr(rows[:, gone])
    own = rows[:, kept] - away @ (away.T @ rows[:, kept])
    return Told(
        at=places[kept].copy(),
        information=own.T @ own,
        slope=own.T @ (apart - away @ (away.T @ apart)),
        half_s=half_s,
        dof=_dof(len(left), len(places), correlation) if judged else None,
    )


def _dof(count: int, fitted: int, correlation: float) -> float:
    """Return how many degrees of freedom a scatter has that is judged by so many windows."""
    independent = count * (1.0 - correlation) / (1.0 + correlation)
    return max(float(independent) - fitted, 1.0)


def _covariance(places: Floats, jacobian: Floats, scatter: float, correlation: float) -> Floats:
    """Return the covariance (8, 8) of a fly-by's numbers."""
    wide = jacobian.copy()
    wide[:-5] /= scatter * np.sqrt((1.0 + correlation) / (1.0 - correlation))
    normal = wide.T @ wide
    size = np.sqrt(np.maximum(np.diag(normal), 1e-30))
    inverse = np.linalg.pinv(normal / np.outer(size, size), rcond=1e-13) / np.outer(size, size)
    by_log = np.ones(8)
    by_log[0], by_log[1] = np.exp(places[0]), np.exp(places[1])
    return np.asarray(inverse[:8, :8] * np.outer(by_log, by_log))
