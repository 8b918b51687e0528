"""Where calibrated cameras see something that stands still on the course.

With several cameras it is where their lines of sight pass nearest to each other; with one it is
where the line of sight passes through the vertical plane along the course, at a y that is given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vidspeed.motion.adjust import adjust
from vidspeed.motion.build import build
from vidspeed.motion.network import Network
from vidspeed.motion.stand import Stand
from vidspeed.motion.station import fill, look
from vidspeed.motion.unknowns import State
from vidspeed.values import Floats, Session, Value

ROUNDS = 6  # of least squares from the surveyed place


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sighting(Value):
    """A thing in one clip: `xy_px` (2,), `u_px` of each coordinate, seen by `stand`."""

    clip: str
    stand: Stand
    xy_px: Floats
    u_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Located(Value):
    """Found less surveyed places `error_m` (k, 3), and their joint covariance (3 k, 3 k)."""

    error_m: Floats
    covariance_m2: Floats

    def block(self, number: int) -> Floats:
        """Return the covariance (3, 3) of one place's error."""
        at = slice(3 * number, 3 * number + 3)
        return np.asarray(self.covariance_m2[at, at])


def located(
    session: Session, places_m: Floats, u_m: Floats, seen: Sequence[Sequence[Sighting]]
) -> Located:
    """Locate things that were held at surveyed places.

    Parameters
    ----------
    places_m, u_m
        The surveyed places (k, 3) and the standard uncertainty (k,) of each coordinate.
    seen
        The sightings of each place, one at least.

    Returns
    -------
    Located
        The covariance holds the sightings' own u, the places' u, and that of the cameras, which
        all places share: with the adjusted cameras' covariance C and the derivatives H of what is
        seen by their unknowns, A (S + H C H') A', where A takes seen to place (GUM F.1.2.3).
    """
    stands = list({id(row.stand): row.stand for rows in seen for row in rows}.values())
    network, state = build(session, stands, [])
    state, adjustment = adjust(network, state)
    order = {id(stand): number for number, stand in enumerate(stands)}
    errors, takers, byes, own = [], [], [], []
    for place, u, rows in zip(places_m, u_m, seen, strict=True):
        stations = [order[id(row.stand)] for row in rows]
        error, taker, by_place, by_camera = _fixed(network, state, place, rows, stations)
        spread = np.repeat([row.u_px**2 for row in rows], 2)
        errors.append(error)
        takers.append(taker)
        byes.append(by_camera)
        own.append(taker @ (np.diag(spread) + u**2 * by_place @ by_place.T) @ taker.T)
    through = np.concatenate([a @ h for a, h in zip(takers, byes, strict=True)])
    covariance = through @ adjustment.covariance @ through.T
    for number, block in enumerate(own):
        at = slice(3 * number, 3 * number + 3)
        covariance[at, at] += block
    return Located(error_m=np.array(errors), covariance_m2=covariance)


def _fixed(
    network: Network, state: State, place_m: Floats, rows: Sequence[Sighting], at: Sequence[int]
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the error (3,) of one place, what takes seen to place (3, m), and derivatives.

    The derivatives are those of what is seen by the place (m, 3) and by the unknowns (m, n).
    """
    alone = len({row.stand.camera.name for row in rows}) == 1
    free = [0, 2] if alone else [0, 1, 2]
    weight = np.repeat([1.0 / row.u_px for row in rows], 2)
    point = place_m.copy()
    taker = np.zeros((3, 2 * len(rows)))
    for _ in range(ROUNDS):
        left, by_place, by_camera = _looked(network, state, point, rows, at)
        taker[free] = np.linalg.pinv(by_place[:, free] * weight[:, None]) * weight
        point = point + taker @ left
    return point - place_m, taker, by_place, by_camera


def _looked(
    network: Network, state: State, point_m: Floats, rows: Sequence[Sighting], at: Sequence[int]
) -> tuple[Floats, Floats, Floats]:
    """Return seen less computed (m,), and derivatives by the place (m, 3) and the unknowns."""
    left, by_place, by_camera = [], [], []
    for row, number in zip(rows, at, strict=True):
        station = network.stations[number]
        seen = look(station, state, point_m[None, :])
        filled = np.zeros((1, 2, network.ledger.size))
        fill(filled, station, seen)
        left.append(row.xy_px - seen.pixels[0])
        by_place.append(seen.by_point[0])
        by_camera.append(filled[0])
    return np.concatenate(left), np.concatenate(by_place), np.concatenate(by_camera)
