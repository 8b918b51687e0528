"""Points by satellite with tapes laid between them: one adjustment.

The satellites place every point and the course's axes, the tapes add distances in true metres.
Unknown are the errors of the satellites' figures and of the tapes' scales, in units of their own
standard uncertainties; each is known to be 0 ± 1, and the distances say more of them. A place moves
with the errors of the satellites as `gnss` has it, which is linear within a centimetre or two.
"""

from __future__ import annotations

import numpy as np

from vidspeed.geometry.figures import positive
from vidspeed.geometry.gnss import adjust_fixes
from vidspeed.geometry.reliability import judged
from vidspeed.geometry.tapes import tape_inputs
from vidspeed.values import Floats, Ints, Measured, Surveyed

ROUNDS = 6  # of Gauss-Newton steps


def adjust_both(measured: Measured) -> Surveyed:
    """Return the survey by satellite, adjusted to the distances that were taped beside it."""
    placed = adjust_fixes(measured)
    index = {name: number for number, name in enumerate(placed.names)}
    tapes = {tape.name: number for number, tape in enumerate(measured.tapes)}
    pairs = np.array([[index[row.start], index[row.end]] for row in measured.taped])
    tape = np.array([tapes[row.tape] for row in measured.taped])
    count = len(measured.tapes)
    errors = np.zeros(placed.by_input.shape[1] + count)
    for _ in range(ROUNDS):
        moved, by_error = _moved(placed, errors, count)
        left, slopes = _distances(measured, moved, by_error, pairs, tape, errors[-count:])
        jacobian = np.vstack([slopes, np.roll(np.eye(len(errors)), -(len(errors) - count), axis=0)])
        rows = np.concatenate([left, -errors[-count:], -errors[:-count]])
        covariance = np.linalg.inv(jacobian.T @ jacobian)
        step = covariance @ (jacobian.T @ rows)
        errors = errors + step
    moved, by_error = _moved(placed, errors, count)
    left, _ = _distances(measured, moved, by_error, pairs, tape, errors[-count:])
    rows = np.concatenate([left, -errors[-count:], -errors[:-count]])
    by_input = by_error @ covariance @ jacobian.T
    return Surveyed(
        names=placed.names,
        uses=placed.uses,
        places_m=moved,
        by_input=by_input,
        inputs=(*tape_inputs(measured), *placed.inputs),
        start=placed.start,
        finish=placed.finish,
        tests=judged(measured, rows, jacobian, covariance, by_input[3 * placed.finish]),
        chi2=float(rows @ rows),
        dof=len(measured.taped),
        lines=tuple((int(a), int(b)) for a, b in pairs),
    )


def _moved(placed: Surveyed, errors: Floats, tapes: int) -> tuple[Floats, Floats]:
    """Return the places (n, 3) with these errors, and what errors do to them (3 n, k)."""
    by_error = np.hstack([placed.by_input, np.zeros((len(placed.by_input), tapes))])
    return placed.places_m + (by_error @ errors).reshape(-1, 3), by_error


def _distances(
    measured: Measured,
    places_m: Floats,
    by_error: Floats,
    pairs: Ints,
    tape: Ints,
    scales: Floats,
) -> tuple[Floats, Floats]:
    """Return read less computed distances over their u (d,), and what errors do to these (d, k)."""
    read_m = np.array([row.distance_m for row in measured.taped])
    u_m = np.array([positive(row.u_m) for row in measured.taped])
    scale_u = np.array([1e-6 * row.scale_u_ppm for row in measured.tapes])
    step = places_m[pairs[:, 1]] - places_m[pairs[:, 0]]
    true_m = np.maximum(np.linalg.norm(step, axis=1), 1e-9)
    factor = 1.0 + (scale_u * scales)[tape]
    moves = by_error.reshape(len(places_m), 3, -1)
    apart = moves[pairs[:, 1]] - moves[pairs[:, 0]]
    slopes = np.einsum("di,dik->dk", step / true_m[:, None], apart) * factor[:, None]
    slopes[np.arange(len(tape)), len(by_error[0]) - len(scales) + tape] += true_m * scale_u[tape]
    return (read_m - true_m * factor) / u_m, slopes / u_m[:, None]
