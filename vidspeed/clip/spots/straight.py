"""What a straight, nearly steady flight looks like in a picture.

A camera sees a point that moves steadily along a line at x = (a + b t) / (1 + g t), and likewise
y with the same g; a square of t more allows for a craft that speeds up or a path that bends, a
cube for what a lens does to a long one. In this form the fit is linear:
x = a + b t + c t^2 + d t^3 - g t x.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.values import Bools, Floats, Value

TERMS = 4
ROUNDS = 6
LEAST_SPREAD_PX = 0.7  # of the places about the way, however well they fit
MOST_LOOMING = 0.85  # 1 + g t stays this far from 0: the craft does not pass the lens
FAR_OUT = 5.0  # standard deviations beyond which a place is not of the way
# Places from which perspective, from which bending, and from which its change is fitted.
PLAIN, FULL, LONG = 6, 10, 30


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Way(Value):
    """A way through the picture: `terms` (4, 2) of 1, t, t^2, t^3.

    With t = (time - `epoch_s`) / `span_s`; `looming` is g, `spread_px` how far its places scatter
    about it, robustly.
    """

    epoch_s: float
    span_s: float
    terms: Floats
    looming: float
    spread_px: float


def place_at(way: Way, time_s: Floats) -> Floats:
    """Return where a way is (n, 2) at times (n,)."""
    t = (np.asarray(time_s) - way.epoch_s) / way.span_s
    below = np.maximum(1.0 + way.looming * t, 1.0 - MOST_LOOMING)
    return np.asarray((np.vander(t, TERMS, increasing=True) @ way.terms) / below[:, None])


def way_of(time_s: Floats, xy_px: Floats, *, steady: bool = False) -> Way:
    """Fit a way to places (n, 2) at times (n,), at least two; single ones far out do no harm.

    `steady` leaves out bending, and perspective too where there are only a few places.
    """
    epoch = float(0.5 * (time_s[0] + time_s[-1]))
    span = max(float(0.5 * (time_s[-1] - time_s[0])), 1e-9)
    t = (time_s - epoch) / span
    count = len(t)
    degree = 2 if steady or count < FULL else 3 if count < LONG else TERMS
    looms = count >= PLAIN
    weight = np.ones(count)
    terms, looming, spread = np.zeros((TERMS, 2)), 0.0, LEAST_SPREAD_PX
    for _ in range(ROUNDS if count > 3 else 1):
        terms, looming = _solved(t, xy_px, weight, degree, looms)
        way = Way(epoch_s=epoch, span_s=span, terms=terms, looming=looming, spread_px=spread)
        off = np.linalg.norm(place_at(way, time_s) - xy_px, axis=1)
        spread = max(float(np.median(off)) / 1.1774, LEAST_SPREAD_PX)  # median of a Rayleigh
        weight = 1.0 / (1.0 + (off / (2.0 * spread)) ** 2)
    return Way(epoch_s=epoch, span_s=span, terms=terms, looming=looming, spread_px=spread)


def on_way(way: Way, time_s: Floats, xy_px: Floats, slack_px: Floats | float = 0.0) -> Bools:
    """Say which places (n, 2) lie on a way, give or take `slack_px`."""
    off = np.linalg.norm(place_at(way, time_s) - xy_px, axis=1)
    return np.asarray(off <= FAR_OUT * way.spread_px + slack_px)


def _solved(
    t: Floats, xy_px: Floats, weight: Floats, degree: int, looms: bool
) -> tuple[Floats, float]:
    """Solve for `degree` of the terms (4, 2) and looming by weighted linear least squares."""
    own = np.vander(t, degree, increasing=True)
    middle = np.average(xy_px, axis=0, weights=weight)
    seen = xy_px - middle
    columns = 2 * degree + (1 if looms else 0)
    design = np.zeros((2 * len(t), columns))
    design[: len(t), :degree] = design[len(t) :, degree : 2 * degree] = own
    if looms:
        design[:, -1] = -np.concatenate([t * seen[:, 0], t * seen[:, 1]])
    root = np.sqrt(np.concatenate([weight, weight]))
    found = np.linalg.lstsq(design * root[:, None], seen.T.ravel() * root, rcond=1e-9)[0]
    looming = float(found[-1]) if looms else 0.0
    if abs(looming) > MOST_LOOMING:
        return _solved(t, xy_px, weight, degree, False)
    terms = np.zeros((TERMS, 2))
    terms[:degree] = found[: 2 * degree].reshape(2, degree).T
    terms[0] += middle
    terms[1] += looming * middle
    return terms, looming
