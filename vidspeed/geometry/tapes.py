"""A network of taped distances and levels, adjusted by least squares.

The datum are the two posts: the start post stands at x = y = 0, the finish post at y = 0, heights
are as levelled. Unknown are x and y of every other point, x of the finish post (the length of the
course), every height, and the scale of each tape. Observations are the distances, the levels and,
for each tape, that its scale is true within its stated uncertainty.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vidspeed.chance import chi2_isf
from vidspeed.geometry.figures import NULL, Figures, figures_of, positive, solve
from vidspeed.geometry.layout import first_places
from vidspeed.geometry.mirror import mirrored_sets
from vidspeed.geometry.reliability import judged, shift_to_be_named
from vidspeed.geometry.weak import confirmed
from vidspeed.values import (
    Floats,
    Measured,
    Surveyed,
    SurveyInput,
    Taped,
)

MOST_ROUNDS = 3  # of trying every point on the other side
UNLIKELY = 1e-3  # probability of a misfit below which another shape is looked for
LOOSE_M = 1.0  # a point known no better than this is not fixed


def adjust_tapes(measured: Measured) -> Surveyed:
    """Adjust the network; points that nothing fixes and mirror images are named, not refused."""
    names = tuple(level.name for level in measured.levels)
    figures = figures_of(measured, names)
    places, scales = _best(figures)
    residuals, jacobian = figures.computed(places, scales)
    covariance, loose = _inverse(jacobian.T @ jacobian, figures)
    by_row = covariance @ jacobian.T
    by_input = np.zeros((3 * figures.points, len(residuals)))
    by_input[figures.free] = by_row[: len(figures.free)]
    tests = judged(measured, residuals, jacobian, covariance, by_input[3 * figures.finish])
    checks = sum(row.normalised is not None for row in tests)
    return Surveyed(
        names=names,
        uses=tuple(level.use for level in measured.levels),
        places_m=places,
        by_input=by_input,
        inputs=tape_inputs(measured),
        start=figures.start,
        finish=figures.finish,
        tests=confirmed(figures, places, tests, shift_to_be_named(checks)),
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
    figures = figures_of(wider, surveyed.names)
    scales = np.zeros(len(measured.tapes))
    residuals, jacobian = figures.computed(surveyed.places_m, scales)
    covariance, loose = _inverse(jacobian.T @ jacobian, figures)
    by_input = np.zeros((3 * figures.points, len(jacobian)))
    by_input[figures.free] = (covariance @ jacobian.T)[: len(figures.free)]
    return replace(
        surveyed,
        by_input=by_input,
        inputs=tape_inputs(wider),
        tests=judged(wider, residuals, jacobian, covariance, by_input[3 * figures.finish]),
        dof=len(jacobian) - _rank(jacobian),
        loose=tuple(surveyed.names[at] for at in sorted(loose)),
        lines=tuple((int(a), int(b)) for a, b in figures.pairs),
    )


def tape_inputs(measured: Measured) -> tuple[SurveyInput, ...]:
    """Return what each row of the residuals is, in their order: tapes, levels, tape scales."""
    rows = [
        SurveyInput(name=f"tape {row.name}", source="marker survey", u=positive(row.u_m), unit="m")
        for row in measured.taped
    ]
    rows += [
        SurveyInput(name=f"level {row.name}", source="marker survey", u=positive(row.u_m), unit="m")
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
        _turned_over(figures, solve(figures, np.column_stack([flat, figures.height_m])))
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
        if before < float(chi2_isf(UNLIKELY, max(figures.rows - figures.unknowns, 1))):
            break
        for point in range(figures.points):
            if point in (figures.start, figures.finish):
                continue
            tried = solve(figures, _flipped(figures, best[0], point))
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
