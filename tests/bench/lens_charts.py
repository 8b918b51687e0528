"""Is a measured lens as well known as it says? Rendered charts through random lenses.

    .venv/bin/python tests/bench/lens_charts.py --seed 1 --lenses 100

Every lens has its own focal length, centre, radial distortion and a little decentring; its chart is
held up in a dozen random places, with random blur, light and noise, and found as in a still. z is
error over stated standard uncertainty; the ranges are those of an honest tool (99 %). A set of
views that was refused is counted as lost. Focal length, and both coordinates of the centre.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path

import numpy as np
from scipy.stats import chi2

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from tests.geometry.charted import developed, held, paint, sheet
from vidspeed.errors import CalibrationError
from vidspeed.geometry.boards import find_chart
from vidspeed.geometry.chart import chart_boxes
from vidspeed.geometry.lensfit import fit_lens
from vidspeed.geometry.lensviews import check_enough, check_known
from vidspeed.values import Chart, LensFit, View

SIZE = (960, 540)
CHART = Chart(columns=9, rows=6, square_m=0.025)
PLAIN_CELLS_A_M = 4000
VIEWS = 14


def drawn_lens(rng: np.random.Generator) -> np.ndarray:
    """Return a lens (9,) as ordinary cameras have: barrel or pincushion, nearly centred."""
    focal = SIZE[0] * rng.uniform(0.7, 1.3)
    k1 = rng.normal(0.0, 0.12)
    k2 = -0.3 * k1 + rng.normal(0.0, 0.04)
    centre = (np.array(SIZE) - 1) / 2 + rng.normal(0.0, 8.0, 2)
    return np.array([focal, focal, *centre, k1, k2, *rng.normal(0.0, 4e-4, 2), 0.0])


def filmed(rng: np.random.Generator, lens: np.ndarray, count: int = VIEWS) -> list[View]:
    """Return the views of a chart in which it was found."""
    bitmap = sheet(chart_boxes(CHART), (0.25, 0.175), PLAIN_CELLS_A_M, 0.01)
    views = []
    for number in range(count):
        turn, shift = held(rng, lens, SIZE, np.array([0.125, 0.0875]))
        signal = np.full(SIZE[::-1], 0.3)
        paint(signal, bitmap, PLAIN_CELLS_A_M, np.array([-0.01, -0.01]), turn, shift, lens,
              rng.uniform(0.5, 1.0))  # fmt: skip
        picture = developed(signal * rng.uniform(0.5, 1.0), rng, rng.uniform(1.0, 3.0))
        found = find_chart(picture, CHART)
        if found is not None:
            views.append(
                View(name=str(number), source=f"{number}.png", time_s=None,
                     plane_m=found.plane_m, xy_px=found.xy_px, blur_px=found.blur_px)
            )  # fmt: skip
    return views


def measured(seed: int, number: int, count: int = VIEWS) -> tuple[np.ndarray, LensFit] | None:
    """Return a lens and what was measured of it, None where its views were refused."""
    rng = np.random.default_rng([seed, number])
    lens = drawn_lens(rng)
    views = filmed(rng, lens, count)
    try:
        check_enough(views, SIZE, count)
        fit = fit_lens(views, SIZE)
        check_known(fit)
    except CalibrationError:
        return None
    return lens, fit


def scores(lens: np.ndarray, fit: LensFit) -> np.ndarray:
    """Return z (3,) of focal length, centre across and centre down."""
    u = np.sqrt(np.diag(fit.covariance))
    return ((fit.parameters - lens) / np.maximum(u, 1e-12))[[0, 2, 3]]


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--lenses", type=int, default=100)
    given = parser.parse_args()
    rows, sizes, terms, lost = [], [], Counter(), 0
    for number in range(given.lenses):
        found = measured(given.seed, number)
        if found is None:
            lost += 1
            continue
        lens, fit = found
        rows.append(scores(lens, fit))
        u = np.sqrt(np.diag(fit.covariance))
        sizes.append([u[0] / fit.parameters[0] * 100, u[2], u[3], fit.rms_px, fit.widening])
        terms[", ".join(fit.terms) or "none"] += 1
        print(f"{number}: z {np.round(rows[-1], 2)}", file=sys.stderr, flush=True)
    z, n = np.array(rows), len(rows)
    low, high = np.sqrt(chi2.ppf([0.005, 0.995], n) / n)
    focal_u, across_u, down_u, rms, widening = np.median(sizes, axis=0)
    print(f"seed {given.seed}, {n} lenses measured, {lost} of {given.lenses} refused")
    print(f"| | RMS z [{low:.2f}, {high:.2f}] | mean z [+-{2.58 / np.sqrt(n):.2f}] | median u |")
    print("| --- | --- | --- | --- |")
    for column, (name, size) in enumerate(
        (("focal length", f"{focal_u:.3f} %"), ("centre x", f"{across_u:.2f} px"),
         ("centre y", f"{down_u:.2f} px"))
    ):  # fmt: skip
        score = z[:, column]
        print(f"| {name} | {np.sqrt(np.mean(score**2)):.2f} | {score.mean():+.2f} | {size} |")
    print(f"median RMS of the corners {rms:.4f} px, median widening {widening:.2f}")
    print("fitted: " + "; ".join(f"{what} ({count})" for what, count in terms.most_common()))


if __name__ == "__main__":
    main()
