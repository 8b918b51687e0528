"""Whether a record's speeds come later than its own places say: the lag of a filter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.values import Floats, Onboard, Value

MOST_S = 2.0  # of lag that is looked for
LEAST_ROWS = 20
PLAIN_S = 0.12  # a lag below this is not worth a word
SURE = 4.0  # standard uncertainties
STEP_S = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lag(Value):
    """By how much speeds are late against the places of the same record."""

    lag_s: float
    lag_u_s: float

    @property
    def told(self) -> bool:
        """Tell whether there surely is one."""
        return self.lag_s > max(PLAIN_S, SURE * self.lag_u_s)


def own_speeds(record: Onboard) -> tuple[Floats, Floats]:
    """Return times (n,) and speeds (n,) over ground: as written, or from place to place."""
    if record.speed_mps is not None:
        return record.time_s, record.speed_mps
    return placed_speeds(record)


def placed_speeds(record: Onboard) -> tuple[Floats, Floats]:
    """Return times between rows (n - 1,) and the speeds from place to place (n - 1,)."""
    assert record.east_m is not None and record.north_m is not None
    step_s = np.diff(record.time_s)
    speed = np.hypot(np.diff(record.east_m), np.diff(record.north_m)) / step_s
    return record.time_s[:-1] + step_s / 2.0, speed


def lag_of(record: Onboard) -> Lag | None:
    """Return by how much a record's speeds are late, None where it has not both to compare.

    The shift that lays the written speeds best on those from place to place, and how far the
    misfit about it leaves it open.
    """
    from scipy.optimize import minimize_scalar  # here: slow to import

    if record.speed_mps is None or record.east_m is None or len(record.time_s) < LEAST_ROWS:
        return None
    between_s, placed = placed_speeds(record)
    time_s, speed = record.time_s, record.speed_mps

    def misfit(shift_s: float) -> float:
        inside = (between_s + shift_s >= time_s[0]) & (between_s + shift_s <= time_s[-1])
        if inside.sum() < LEAST_ROWS // 2:
            return float("inf")
        away = np.interp(between_s[inside] + shift_s, time_s, speed) - placed[inside]
        return float(np.median(away**2) + 0.1 * np.mean(away**2))

    starts = np.arange(-MOST_S, MOST_S + STEP_S, STEP_S)
    values = np.array([misfit(start) for start in starts])
    if not np.any(np.isfinite(values)):
        return None
    best = float(starts[int(np.argmin(values))])
    fine = minimize_scalar(misfit, bounds=(best - STEP_S, best + STEP_S), method="bounded")
    return Lag(lag_s=float(fine.x), lag_u_s=_u_s(record, float(fine.x)))


def _u_s(record: Onboard, lag_s: float) -> float:
    """Return what the scatter about the best shift leaves open of it."""
    between_s, placed = placed_speeds(record)
    at = between_s + lag_s
    assert record.speed_mps is not None
    away = np.interp(at, record.time_s, record.speed_mps) - placed
    slope = np.gradient(np.interp(at, record.time_s, record.speed_mps), between_s)
    power = float(np.sum(slope**2))
    return float(np.std(away) / np.sqrt(max(power, 1e-12)))
