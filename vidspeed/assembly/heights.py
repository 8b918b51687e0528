"""How high a solved pass was: at both gates, and on the way to the first, with uncertainty."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vidspeed.assembly.passes import Pass
from vidspeed.motion.flight import Flight
from vidspeed.motion.path import basis, basis_rate, places_at
from vidspeed.values import Floats, Heights, PassResult

APPROACH_POINTS = 13


def with_heights(row: Pass) -> Pass:
    """Return a pass with its heights, where it was measured from gate to gate."""
    if row.flight is None or row.result.status != "measured":
        return row
    return replace(row, result=replace(row.result, heights=heights_of(row.flight, row.result)))


def heights_of(flight: Flight, result: PassResult) -> Heights:
    """Return the heights of a solved pass.

    Metres of the course frame; its common scale error changes no height by more than millimetres
    and is left out. The weave stands in the uncertainties whole, as if nothing had been seen of it.
    """
    assert result.stretch_m is not None
    gates = (0.0, flight.length_m) if flight.direction > 0.0 else (flight.length_m, 0.0)
    seen = _approach(flight, result.stretch_m)
    before = np.linspace(0.0, seen, APPROACH_POINTS) if seen > 0.0 else np.zeros(0)
    x_m = np.concatenate([gates, gates[0] - flight.direction * before])
    height, gradient = _heights(flight, x_m)
    weave = flight.network.traverses[0].weave_u_m
    u = np.hypot(np.linalg.norm(flight.sensitivities(gradient.T), axis=0), weave)
    above = flight.sensitivities((gradient[1:] - gradient[0]).T)
    above_u = np.hypot(np.linalg.norm(above, axis=0), np.sqrt(2.0) * weave)
    above_u[1:][before == 0.0] = 0.0  # the gate itself
    return Heights(
        height_in_m=float(height[0]),
        height_in_u_m=float(u[0]),
        height_out_m=float(height[1]),
        height_out_u_m=float(u[1]),
        climb_m=float(height[1] - height[0]),
        climb_u_m=float(above_u[0]),
        before_m=before,
        above_m=height[2:] - height[0],
        above_u_m=above_u[1:],
    )


def _approach(flight: Flight, stretch: tuple[float, float]) -> float:
    """Return how far before the first gate the used lights reach, metres."""
    ahead = -stretch[0] if flight.direction > 0.0 else stretch[1] - flight.length_m
    return max(float(ahead), 0.0)


def _heights(flight: Flight, x_m: Floats) -> tuple[Floats, Floats]:
    """Return z (n,) of the smooth path at places (n,), and its gradient (n, m) by the unknowns."""
    network = flight.network
    traverse = network.traverses[0]
    path = traverse.coefficients(flight.state)
    xi = places_at(x_m, path[:, 0])
    rise, run = basis_rate(xi) @ path[:, 2], basis_rate(xi) @ path[:, 0]
    own = np.zeros((len(x_m), *path.shape))
    own[:, :, 2] = basis(xi)
    own[:, :, 0] = -basis(xi) * (rise / run)[:, None]  # the path is there earlier or later
    gradient = np.zeros((len(x_m), network.ledger.size))
    gradient[:, traverse.path] = own.reshape(len(x_m), -1)
    return np.asarray(basis(xi) @ path[:, 2]), gradient
