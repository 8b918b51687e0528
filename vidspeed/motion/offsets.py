"""What passes of the same clips have in common: one time offset for each pair of clips.

Every pass is solved by itself, its offsets free. Two clips that show several passes keep one
offset through all of them, but for the scales of their clocks. These conditions between solved
passes are met by least squares (adjustment of condition equations: E. Mikhail, Observations and
Least Squares, 1976, ch. 7, from memory), with the joint covariance formed input by input: errors
that passes share (poses, survey, clocks) are then allowed for, not taken for news.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidspeed.algebra import null_space
from vidspeed.chance import chi2_isf
from vidspeed.errors import MotionError
from vidspeed.motion.flight import Flight
from vidspeed.motion.tie import Tie
from vidspeed.values import Floats, Input, Ints, Value

UNLIKELY = 1e-4  # probability of a misfit of the offsets below which they are not one


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Union(Value):
    """All inputs of several flights, each once; `places` (m,) says where those of each are."""

    inputs: tuple[Input, ...]
    dof: tuple[float | None, ...]  # of an input whose size was estimated, None where it was stated
    places: tuple[Ints, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Bond(Value):
    """The conditions of several flights: their gap (k,), how the inputs move it, its weight."""

    gap: Floats
    by_input: Floats  # (k, m)
    weight: Floats  # (k, k), the inverse of the gap's covariance


def tied(flights: Sequence[Flight], inputs: Sequence[Sequence[Input]]) -> list[Flight]:
    """Return the flights with one time offset for each pair of clips that several of them share.

    Parameters
    ----------
    inputs
        What each flight rests on, in the order of its residuals, under its owners' final names.

    Raises
    ------
    MotionError
        Where the offsets of one pair of clips differ by more than chance.
    """
    conditions = _conditions(flights)
    if conditions.shape[1] == 0:
        return list(flights)
    union = _union(flights, inputs)
    ends = np.cumsum([len(flight.lit) - 1 for flight in flights])[:-1]
    shares = [rows.T for rows in np.split(conditions, ends)]
    places = zip(flights, union.places, strict=True)
    moved = [_spread(flight, at, len(union.inputs)) for flight, at in places]
    parts = [
        share @ flight.network.offset_slopes() @ by_input
        for share, flight, by_input in zip(shares, flights, moved, strict=True)
    ]
    gaps = [
        share @ flight.network.clip_offsets(flight.state)
        for share, flight in zip(shares, flights, strict=True)
    ]
    whole = np.sum(parts, axis=0)
    bond = _Bond(gap=np.sum(gaps, axis=0), by_input=whole, weight=np.linalg.inv(whole @ whole.T))
    _refuse_unlike(bond)
    return [
        _held(flight, union, order, moved[order], shares[order], parts[order], bond)
        for order, flight in enumerate(flights)
    ]


def _conditions(flights: Sequence[Flight]) -> Floats:
    """Return what the offsets (e,) of all flights must make zero: (e, k), a column each.

    The offset of each later clip against the first is the difference of one number for each
    clip; what no such numbers can bring about is excluded.
    """
    names = sorted({row.clip for flight in flights for row in flight.lit})
    rows = []
    for flight in flights:
        for later in flight.lit[1:]:
            row = np.zeros(len(names))
            row[names.index(later.clip)] += 1.0
            row[names.index(flight.lit[0].clip)] -= 1.0
            rows.append(row)
    if not rows:
        return np.zeros((0, 0))
    return np.asarray(null_space(np.array(rows).T))


def _union(flights: Sequence[Flight], inputs: Sequence[Sequence[Input]]) -> _Union:
    places: dict[tuple[str, str], int] = {}
    entries: list[Input] = []
    dofs: list[float | None] = []
    found = []
    for flight, listed in zip(flights, inputs, strict=True):
        own: list[float | None] = [None] * len(listed)
        for rows, dof in flight.noise_dof():
            own[rows] = [dof] * (rows.stop - rows.start)
        for entry, dof in zip(listed, own, strict=True):
            if places.setdefault((entry.owner, entry.name), len(entries)) == len(entries):
                entries.append(entry)
                dofs.append(dof)
        found.append(np.array([places[entry.owner, entry.name] for entry in listed]))
    return _Union(inputs=tuple(entries), dof=tuple(dofs), places=tuple(found))


def _spread(flight: Flight, places: Ints, size: int) -> Floats:
    """Return how a flight's unknowns move by each input of all (n, size)."""
    adjustment = flight.adjustment
    moved = np.zeros((flight.network.ledger.size, size))
    moved[:, places] = adjustment.covariance @ adjustment.jacobian.T
    return moved


def _refuse_unlike(bond: _Bond) -> None:
    misfit, count = float(bond.gap @ bond.weight @ bond.gap), len(bond.gap)
    if misfit > chi2_isf(UNLIKELY, count):
        raise MotionError(
            f"the passes put the clips' clocks {np.sqrt(misfit / count):.1f} times farther apart "
            "than their uncertainties allow, so each pass was given a time offset of its own; "
            "look for frames lost without a trace, and at clock_u_ppm and rate_hz"
        )


def _held(
    flight: Flight,
    union: _Union,
    order: int,
    moved: Floats,
    share: Floats,
    part: Floats,
    bond: _Bond,
) -> Flight:
    """Return one flight held to the conditions.

    With w the gap, C the covariance of the flight's unknowns with it and M its own, the unknowns
    move by -C M^-1 w.
    """
    if not np.any(share):
        return flight
    gain = moved @ bond.by_input.T @ bond.weight
    own = union.places[order]
    others = np.setdiff1d(np.arange(len(union.inputs)), own)
    listed = np.concatenate([own, others])
    tie = Tie(
        alone=flight.state,
        inputs=tuple(union.inputs[index] for index in others),
        dof=tuple(union.dof[index] for index in others),
        by_input=(moved - gain @ bond.by_input)[:, listed],
        gain=gain,
        share=share,
        rest=bond.gap - share @ flight.network.clip_offsets(flight.state),
        rest_by_input=(bond.by_input - part)[:, listed],
    )
    return replace(flight, state=flight.network.moved(flight.state, -gain @ bond.gap), tie=tie)
