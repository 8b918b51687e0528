"""Whether the chart was flat: a bow of its own, beside the lens that its views give.

A chart of paper bends. What a bow does is fixed to the chart, what a lens does is fixed to the
picture, so views from several sides tell them apart: the heights of the chart over its plane are
three more unknowns that all views share (a paraboloid, a saddle, a roll), estimated in one step of
the adjustment from the flat chart on.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vidspeed.chance import chi2_isf
from vidspeed.geometry.bundle import Bundle, basis, normals
from vidspeed.values import Flatness, Floats, View

FALSE_ALARM = 0.001  # of flat charts that are called bowed


def flatness(views: Sequence[View], bundle: Bundle, widening: float) -> Flatness:
    """Return how far a chart is bowed, and what taking it for flat does to the focal length.

    Parameters
    ----------
    bundle
        Lens and poses adjusted to the views of a flat chart.
    widening
        By how much whole views disagree more than independent corners would; the uncertainty
        of the bow is widened by it.
    """
    middle_m, half_m = _extent(views)
    bends = [_shapes((view.plane_m - middle_m) / half_m) for view in views]
    rows = normals(views, bundle, bends)
    total, pull = rows.inner.sum(axis=0), rows.pull.sum(axis=0)
    scale = np.sqrt(np.maximum(np.diag(total), 1e-300))
    inverse = np.linalg.pinv(total / np.outer(scale, scale)) / np.outer(scale, scale)
    step = inverse @ pull
    lens = basis(bundle.terms).shape[1]
    dof = sum(2 * len(view.xy_px) for view in views) - len(step) - 6 * len(views)
    noise = (float(rows.squares.sum()) - float(step @ pull)) / max(dof, 1)
    covariance = max(noise, 1e-300) * widening**2 * inverse[lens:, lens:]
    heights = step[lens:]
    away = float(heights @ np.linalg.pinv(covariance) @ heights)
    moved = basis(bundle.terms) @ step[:lens]
    sag_m, sag_u_m = _sag(views, middle_m, half_m, heights, covariance)
    return Flatness(
        sag_m=sag_m,
        sag_u_m=sag_u_m,
        focal_error_percent=float(-100.0 * moved[0] / bundle.lens[0]),
        bowed=bool(away > chi2_isf(FALSE_ALARM, len(heights))),
    )


def _extent(views: Sequence[View]) -> tuple[Floats, float]:
    """Return the middle (2,) of the chart and half of its longer side, metres."""
    places = np.concatenate([view.plane_m for view in views])
    low, high = places.min(axis=0), places.max(axis=0)
    return (low + high) / 2.0, float((high - low).max() / 2.0)


def _shapes(uv: Floats) -> Floats:
    """Return the heights (n, 3) that the chart would have at (n, 2) for bends of 1 m."""
    return np.column_stack([uv[:, 0] ** 2, uv[:, 0] * uv[:, 1], uv[:, 1] ** 2])


def _sag(
    views: Sequence[View], middle_m: Floats, half_m: float, heights: Floats, covariance: Floats
) -> tuple[float, float]:
    """Return the largest difference of heights over the chart's mean plane, and its u, metres."""
    uv = (np.unique(np.concatenate([view.plane_m for view in views]), axis=0) - middle_m) / half_m
    shapes = _shapes(uv)
    plane = np.column_stack([np.ones(len(uv)), uv])
    shapes = shapes - plane @ np.linalg.lstsq(plane, shapes, rcond=None)[0]
    over = shapes @ heights
    apart = shapes[int(np.argmax(over))] - shapes[int(np.argmin(over))]
    return float(apart @ heights), float(np.sqrt(apart @ covariance @ apart))
