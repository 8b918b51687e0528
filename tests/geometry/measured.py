"""A small course measured by tape, with its truth: for tests of the survey."""

from __future__ import annotations

import numpy as np

from vidspeed.values import Level, Measured, Tape, Taped

NAMES = ("start", "finish", "A1", "A2", "A3", "B1", "B2", "C1")
PLACES_M = np.array(
    [[0, 0, 0], [80, 0, 0.3], [5, -6, 0.2], [40, -7, 2.0], [75, -5, 0.1], [10, 8, 0],
     [65, 9, 2.2], [38, 6, 0.4]], dtype=float,
)  # fmt: skip
ALL_PAIRS = [(a, b) for a in range(8) for b in range(a + 1, 8) if a < 2 or (a + b) % 2]
POSTS_ONLY = [(a, b) for a in range(2) for b in range(a + 1, 8)]


def taped(seed, *, pairs=ALL_PAIRS, sides=True, u_m=0.005, scale_u_ppm=100.0, tapes=1, exact=False):
    """Return what two people with tapes and a level would write down, and the true tape scales."""
    rng = np.random.default_rng(seed)
    noise = 0.0 if exact else 1.0
    scale = 1e-6 * scale_u_ppm * noise * rng.standard_normal(tapes)
    rows = []
    for number, (a, b) in enumerate(pairs):
        true_m = np.linalg.norm(PLACES_M[a] - PLACES_M[b])
        read = true_m * (1.0 + scale[number % tapes]) + noise * u_m * rng.standard_normal()
        rows.append(
            Taped(
                start=NAMES[a], end=NAMES[b], distance_m=float(read), u_m=u_m,
                tape=f"tape {number % tapes}",
            )
        )  # fmt: skip
    levels = tuple(
        Level(
            name=name, height_m=float(place[2] + noise * u_m * rng.standard_normal()), u_m=u_m,
            side=None if not sides or not place[1] else "left" if place[1] > 0 else "right",
        )
        for name, place in zip(NAMES, PLACES_M, strict=True)
    )  # fmt: skip
    return Measured(
        start_post="start", finish_post="finish", taped=tuple(rows), levels=levels,
        tapes=tuple(Tape(name=f"tape {n}", scale_u_ppm=scale_u_ppm) for n in range(tapes)),
    )  # fmt: skip
