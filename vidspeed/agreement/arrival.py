"""How a sound that was made on the way past is heard: later, and at another pitch.

What is heard at t was sent out at τ, when the craft was at distance r, with t = τ + r(τ) / c
(B. G. Ferguson and B. G. Quinn, J. Acoust. Soc. Am. 96 (1994) 821). The air may move along the
path with speed w: the wave that was sent out at τ is at t a sphere of radius c (t - τ) about a
point that went with the air. With X, Y the craft's place along and across, T = t - τ:

    (X + w T)² + Y² = (c T)²

The pitch heard is the pitch sent times dτ/dt, which follows from the derivative of that.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np

from vidspeed.values import Floats, Flyby

NAMES = tuple(entry.name for entry in fields(Flyby))
NEWTON_STEPS = 4


def emitted(flyby: Flyby, heard_s: Floats) -> Floats:
    """Return when the sound that is heard at `heard_s` (n,) was sent out (n,)."""
    since = np.asarray(heard_s, dtype=np.float64) - flyby.moment_s
    return np.asarray(_sent(numbers(flyby), since) + flyby.moment_s)


def numbers(flyby: Flyby) -> Floats:
    """Return a fly-by as an array (8, 1), in the order of `NAMES`."""
    return np.array([[getattr(flyby, name)] for name in NAMES])


def _sent(row: Floats, since: Floats) -> Floats:
    """Return when, since the closest moment, what is heard at `since` (..., n) was sent out.

    `row` (8, ..., 1) are the numbers of fly-bys.
    """
    v, d, _, _, _, _, w, c = row
    spare = np.maximum(c**2 - v**2, 1.0)
    reach = np.sqrt((c * v * since) ** 2 + spare * d**2)
    tau = (c**2 * since - reach) / spare  # exact where speed is constant and the air at rest
    for _step in range(NEWTON_STEPS):
        x, y, by_x, by_y = _place(row, tau)
        late = since - tau
        along = x + w * late
        slip = along**2 + y**2 - (c * late) ** 2
        steep = 2.0 * (along * (by_x - w) + y * by_y + c**2 * late)
        tau = tau - slip / np.where(np.abs(steep) > 1e-9, steep, 1e-9)
        tau = np.minimum(tau, since)
    return np.asarray(tau)


def pitch(flyby: Flyby, heard_s: Floats) -> Floats:
    """Return the pitch heard at `heard_s` (n,) over the one sent out at the closest moment."""
    return pitches(numbers(flyby), np.asarray(heard_s, dtype=np.float64))


def pitches(row: Floats, heard_s: Floats) -> Floats:
    """Return the same (..., n) for many fly-bys at once: `row` (8, ..., 1) are their numbers."""
    since = heard_s - row[2]
    tau = _sent(row, since)
    x, y, by_x, by_y = _place(row, tau)
    slope, w, c = row[3], row[6], row[7]
    late = since - tau
    along = x + w * late
    delay = c**2 * late
    rate = (delay - w * along) / (delay + along * (by_x - w) + y * by_y)
    return np.asarray(rate * (1.0 + slope * tau))


def turns(flyby: Flyby, heard_s: Floats) -> Floats:
    """Return the phase (n,) of a tone of 1 Hz as heard, in turns since the closest moment."""
    tau = emitted(flyby, heard_s) - flyby.moment_s
    return np.asarray(tau + flyby.slope_per_s * tau**2 / 2.0)


def heard_moment(flyby: Flyby) -> float:
    """Return when the closest moment is heard (with the air at rest)."""
    return flyby.moment_s + flyby.distance_m / flyby.sound_mps


def _place(row: Floats, tau: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the place along and across (..., n) at `tau` since the closest moment, and rates."""
    v, d, _, _, a, b, _, _ = row
    by_x, by_y = v + a * tau, b * tau
    return (v + by_x) * tau / 2.0, d + by_y * tau / 2.0, by_x, by_y
