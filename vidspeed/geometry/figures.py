"""The figures of a survey by tape as arrays, and their solution from near places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.values import Floats, Ints, Level, Measured, Value

MOST_STEPS = 60
SETTLED = 1e-8  # of a standard uncertainty
NULL = 1e-9  # eigenvalue of the scaled normal matrix below which a direction is not fixed


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


def figures_of(measured: Measured, names: tuple[str, ...]) -> Figures:
    """Return the figures as arrays, points in the order of their names."""
    index = {name: number for number, name in enumerate(names)}
    tapes = {tape.name: number for number, tape in enumerate(measured.tapes)}
    start, finish = index[measured.start_post], index[measured.finish_post]
    fixed = {3 * start, 3 * start + 1, 3 * finish + 1}
    return Figures(
        pairs=np.array([[index[row.start], index[row.end]] for row in measured.taped]),
        distance_m=np.array([row.distance_m for row in measured.taped]),
        distance_u_m=np.array([positive(row.u_m) for row in measured.taped]),
        tape=np.array([tapes[row.tape] for row in measured.taped]),
        scale_u=np.array([1e-6 * tape.scale_u_ppm for tape in measured.tapes]),
        height_m=np.array([level.height_m for level in measured.levels]),
        height_u_m=np.array([positive(level.u_m) for level in measured.levels]),
        free=np.array([at for at in range(3 * len(names)) if at not in fixed]),
        start=start,
        finish=finish,
        side=np.array([_side(level) for level in measured.levels]),
    )


def positive(u_m: float) -> float:
    """Return a standard uncertainty that a row can be divided by; exact is a micrometre."""
    return max(u_m, 1e-6)


def _side(level: Level) -> float:
    return {"left": 1.0, "right": -1.0, None: 0.0}[level.side]


def solve(figures: Figures, places_m: Floats) -> tuple[Floats, Floats]:
    """Return places (p, 3), metres, and tape scales (t,) by damped Gauss-Newton steps.

    They begin from `places_m` (p, 3).
    """
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
