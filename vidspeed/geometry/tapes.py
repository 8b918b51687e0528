"""A network of taped distances and levels, adjusted by least squares.

The datum are the two posts: the start post stands at x = y = 0, the finish post at y = 0, heights
are as levelled. Unknown are x and y of every other point, x of the finish post (the length of the
course), every height, and the scale of each tape. Observations are the distances, the levels and,
for each tape, that its scale is true within its stated uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from vidspeed.geometry.layout import first_places
from vidspeed.geometry.mirror import mirrored_sets
from vidspeed.geometry.reliability import judged
from vidspeed.values import (
    Floats,
    Ints,
    Level,
    Measured,
    Surveyed,
    SurveyInput,
    Taped,
    Value,
)

MOST_STEPS = 60
SETTLED = 1e-8  # of a standard uncertainty
NULL = 1e-9  # eigenvalue of the scaled normal matrix below which a direction is not fixed
MOST_ROUNDS = 3  # of trying every point on the other side
UNLIKELY = 1e-3  # probability of a misfit below which another shape is looked for
LOOSE_M = 1e3  # a point known no better than this is not known


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Figures(Value):
    """The observations as arrays: `pairs` (d, 2) point indices, `tape` (d,) index of the tape.

    `free` are the places of the unknown coordinates among the 3 n of all points.
    """

    pairs: Ints
    distance_m: Floats
    distance_u_m: Floats
    tape: Ints
    scale_u: Floats
    height_m: Floats
    height_u_m: Floats
    free: Ints
    start: int
    finish: int
    side: Floats  # (n,) +1 left, -1 right, 0 not stated

    @property
    def rows(self) -> int:
        """Return the number of observations."""
        return len(self.distance_m) + self.points + len(self.scale_u)

    @property
    def unknowns(self) -> int:
        """Return the number of unknowns."""
        return len(self.free) + len(self.scale_u)

    @property
    def points(self) -> int:
        """Return the number of points."""
        return len(self.height_m)

    def computed(self, places_m: Floats, scales: Floats) -> tuple[Floats, Floats]:
        """Return whitened residuals (m,) and Jacobian (m, u) of the computed figures.

        Rows: distances, levels, scales of the tapes. Columns: free coordinates, then the tapes'
        scales in units of their standard uncertainty.
        """
        step = places_m[self.pairs[:, 1]] - places_m[self.pairs[:, 0]]
        true_m = np.maximum(np.linalg.norm(step, axis=1), 1e-9)
        factor = 1.0 + (self.scale_u * scales)[self.tape]
        count, tapes = len(true_m), len(scales)
        rows = np.zeros((count + self.points + tapes, 3 * self.points + tapes))
        by_end = (step / true_m[:, None] * factor[:, None]) / self.distance_u_m[:, None]
        for axis in range(3):
            rows[np.arange(count), 3 * self.pairs[:, 1] + axis] += by_end[:, axis]
            rows[np.arange(count), 3 * self.pairs[:, 0] + axis] -= by_end[:, axis]
        by_scale = true_m * self.scale_u[self.tape] / self.distance_u_m
        rows[np.arange(count), 3 * self.points + self.tape] = by_scale
        at = np.arange(self.points)
        rows[count + at, 3 * at + 2] = 1.0 / self.height_u_m
        at = np.arange(tapes)
        rows[count + self.points + at, 3 * self.points + at] = 1.0
        residuals = np.concatenate(
            [
                (self.distance_m - true_m * factor) / self.distance_u_m,
                (self.height_m - places_m[:, 2]) / self.height_u_m,
                -scales,
            ]
        )
        columns = np.concatenate([self.free, 3 * self.points + np.arange(tapes)])
        return residuals, rows[:, columns]


def adjust_tapes(measured: Measured) -> Surveyed:
    """Adjust the network; points that nothing fixes and mirror images are named, not refused."""
    names = tuple(level.name for level in measured.levels)
    figures = _figures(measured, names)
    places, scales = _best(figures)
    residuals, jacobian = figures.computed(places, scales)
    covariance, loose = _inverse(jacobian.T @ jacobian, figures)
    by_row = covariance @ jacobian.T
    by_input = np.zeros((3 * figures.points, len(residuals)))
    by_input[figures.free] = by_row[: len(figures.free)]
    inputs = _inputs(measured)
    return Surveyed(
        names=names,
        uses=tuple(level.use for level in measured.levels),
        places_m=places,
        by_input=by_input,
        inputs=inputs,
        start=figures.start,
        finish=figures.finish,
        tests=judged(measured, residuals, jacobian, covariance, by_input[3 * figures.finish]),
        chi2=float(residuals @ residuals),
        dof=len(residuals) - _rank(jacobian),
        loose=tuple(names[index] for index in sorted(loose)),
        mirrored=tuple(
            mirrored_sets(figures.pairs, figures.side, places, (figures.start, figures.finish))
        ),
        lines=tuple((int(a), int(b)) for a, b in figures.pairs),
    )


def with_distance(measured: Measured, surveyed: Surveyed, more: Taped) -> Surveyed:
    """Return what the survey would be with one distance more, read as it is adjusted now.

    Only what is known changes, not the places; `more` names its points, tape and uncertainty.
    """
    index = {name: number for number, name in enumerate(surveyed.names)}
    step = surveyed.places_m[index[more.end]] - surveyed.places_m[index[more.start]]
    more = replace(more, distance_m=float(np.linalg.norm(step)))
    wider = replace(measured, taped=(*measured.taped, more))
    figures = _figures(wider, surveyed.names)
    scales = np.zeros(len(measured.tapes))
    residuals, jacobian = figures.computed(surveyed.places_m, scales)
    covariance, loose = _inverse(jacobian.T @ jacobian, figures)
    by_input = np.zeros((3 * figures.points, len(jacobian)))
    by_input[figures.free] = (covariance @ jacobian.T)[: len(figures.free)]
    return replace(
        surveyed,
        by_input=by_input,
        inputs=_inputs(wider),
        tests=judged(wider, residuals, jacobian, covariance, by_input[3 * figures.finish]),
        dof=len(jacobian) - _rank(jacobian),
        loose=tuple(surveyed.names[at] for at in sorted(loose)),
        lines=tuple((int(a), int(b)) for a, b in figures.pairs),
    )


def _figures(measured: Measured, names: tuple[str, ...]) -> Figures:
    index = {name: number for number, name in enumerate(names)}
    tapes = {tape.name: number for number, tape in enumerate(measured.tapes)}
    start, finish = index[measured.start_post], index[measured.finish_post]
    fixed = {3 * start, 3 * start + 1, 3 * finish + 1}
    return Figures(
        pairs=np.array([[index[row.start], index[row.end]] for row in measured.taped]),
        distance_m=np.array([row.distance_m for row in measured.taped]),
        distance_u_m=np.array([_positive(row.u_m) for row in measured.taped]),
        tape=np.array([tapes[row.tape] for row in measured.taped]),
        scale_u=np.array([1e-6 * tape.scale_u_ppm for tape in measured.tapes]),
        height_m=np.array([level.height_m for level in measured.levels]),
        height_u_m=np.array([_positive(level.u_m) for level in measured.levels]),
        free=np.array([at for at in range(3 * len(names)) if at not in fixed]),
        start=start,
        finish=finish,
        side=np.array([_side(level) for level in measured.levels]),
    )


def _positive(u_m: float) -> float:
    """Return a standard uncertainty that a row can be divided by; exact is a micrometre."""
    return max(u_m, 1e-6)


def _side(level: Level) -> float:
    return {"left": 1.0, "right": -1.0, None: 0.0}[level.side]


def _inputs(measured: Measured) -> tuple[SurveyInput, ...]:
    """Return what each row of the residuals is, in their order."""
    rows = [
        SurveyInput(name=f"tape {row.name}", source="marker survey", u=_positive(row.u_m), unit="m")
        for row in measured.taped
    ]
    rows += [
        SurveyInput(
            name=f"level {row.name}", source="marker survey", u=_positive(row.u_m), unit="m"
        )
        for row in measured.levels
    ]
    rows += [
        SurveyInput(
            name=f"scale of {tape.name}",
            source="tape scale",
            u=tape.scale_u_ppm,
            unit="ppm",
            assumed=tape.assumed,
        )
        for tape in measured.tapes
    ]
    seen: dict[str, int] = {}
    return tuple(_told_apart(row, seen) for row in rows)


def _told_apart(row: SurveyInput, seen: dict[str, int]) -> SurveyInput:
    """Return an input with a number where its name is there already: measured twice."""
    seen[row.name] = seen.get(row.name, 0) + 1
    if seen[row.name] == 1:
        return row
    name = f"{row.name} ({seen[row.name]})"
    return SurveyInput(name=name, source=row.source, u=row.u, unit=row.unit, assumed=row.assumed)


def _best(figures: Figures) -> tuple[Floats, Floats]:
    """Return places and tape scales of the best solution among those from several beginnings."""
    horizontal = np.sqrt(
        np.maximum(
            figures.distance_m**2
            - (figures.height_m[figures.pairs[:, 1]] - figures.height_m[figures.pairs[:, 0]]) ** 2,
            1e-6,
        )
    )
    begun = first_places(figures.pairs, horizontal, (figures.start, figures.finish), figures.side)
    solved = [
        _turned_over(figures, _solve(figures, np.column_stack([flat, figures.height_m])))
        for flat in begun
    ]
    return _best_flipped(figures, min(solved, key=lambda row: _cost(figures, row)))


def _cost(figures: Figures, solution: tuple[Floats, Floats]) -> float:
    """Return chi-square, with a fine for every point that is not on its stated side."""
    residuals, _ = figures.computed(*solution)
    wrong = np.sum(figures.side * solution[0][:, 1] < 0.0)
    cost = float(residuals @ residuals) + 1e6 * float(wrong)
    return cost if np.isfinite(cost) else np.inf


def _turned_over(figures: Figures, solution: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    """Return the solution or its mirror image, whichever agrees with more of the sides."""
    places, scales = solution
    if float(np.sum(np.sign(places[:, 1]) * figures.side)) >= 0.0:
        return solution
    return places * np.array([1.0, -1.0, 1.0]), scales


def _best_flipped(figures: Figures, best: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    """Try each point on the other side of the line through its neighbours; keep what is better."""
    for _ in range(MOST_ROUNDS):
        before = _cost(figures, best)
        if before < float(chi2.isf(UNLIKELY, max(figures.rows - figures.unknowns, 1))):
            break
        for point in range(figures.points):
            if point in (figures.start, figures.finish):
                continue
            tried = _solve(figures, _flipped(figures, best[0], point))
            if _cost(figures, tried) < _cost(figures, best) - 1e-6:
                best = tried
        if _cost(figures, best) > before - 1e-6:
            break
    return best


def _flipped(figures: Figures, places_m: Floats, point: int) -> Floats:
    """Return the places with one point reflected in the line that fits its neighbours best."""
    touching = figures.pairs[np.any(figures.pairs == point, axis=1)]
    neighbours = np.unique(touching[touching != point])
    around = places_m[neighbours, :2]
    middle = around.mean(axis=0)
    axis = np.linalg.svd(around - middle)[2][0] if len(neighbours) > 1 else np.array([1.0, 0.0])
    flipped = places_m.copy()
    away = places_m[point, :2] - middle
    flipped[point, :2] = middle + 2.0 * (away @ axis) * axis - away
    return flipped


def _solve(figures: Figures, places_m: Floats) -> tuple[Floats, Floats]:
    """Return places and tape scales by damped Gauss-Newton steps from `places_m`."""
    places, scales = places_m.copy(), np.zeros(len(figures.scale_u))
    residuals, jacobian = figures.computed(places, scales)
    cost, damping = float(residuals @ residuals), 1e-6
    for _ in range(MOST_STEPS):
        normal = jacobian.T @ jacobian
        size = np.diag(normal).copy()
        size[size <= 0.0] = 1.0
        step = np.linalg.solve(normal + (damping + NULL) * np.diag(size), jacobian.T @ residuals)
        moved = places.ravel().copy()
        moved[figures.free] += step[: len(figures.free)]
        tried, tried_scales = moved.reshape(-1, 3), scales + step[len(figures.free) :]
        left, slopes = figures.computed(tried, tried_scales)
        if float(left @ left) <= cost * (1.0 + 1e-12):
            settled = float(step @ normal @ step) < SETTLED**2
            places, scales, residuals, jacobian = tried, tried_scales, left, slopes
            cost, damping = float(left @ left), damping * 0.1
            if settled:
                break
        else:
            damping = max(1e-6, damping * 10.0)
            if damping > 1e9:
                break
    return places, scales


def _rank(jacobian: Floats) -> int:
    """Return how many directions of the unknowns the figures fix."""
    size = np.linalg.norm(jacobian, axis=0)
    values = np.linalg.svd(jacobian / np.where(size > 0.0, size, 1.0), compute_uv=False)
    return int(np.sum(values**2 >= NULL))


def _inverse(normal: Floats, figures: Figures) -> tuple[Floats, set[int]]:
    """Return the covariance of the unknowns, and the points that are not fixed.

    Directions that nothing fixes are left out of the covariance; their points are named.
    """
    size = np.sqrt(np.where(np.diag(normal) > 0.0, np.diag(normal), 1.0))
    values, vectors = np.linalg.eigh(normal / np.outer(size, size))
    open_ = values < NULL
    weights = np.where(open_, 0.0, 1.0 / np.where(open_, 1.0, values))
    inverse = (vectors * weights) @ vectors.T / np.outer(size, size)
    loose: set[int] = set()
    for vector in vectors[:, open_].T:
        moves = (vector / size)[: len(figures.free)]
        reach = np.abs(moves) > 1e-3 * np.max(np.abs(moves))
        loose |= {int(at) // 3 for at in figures.free[reach]}
    variance = np.diag(inverse)[: len(figures.free)]
    loose |= {int(at) // 3 for at in figures.free[variance > LOOSE_M**2]}
    return inverse, loose
