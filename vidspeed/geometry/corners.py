"""Corners of a chessboard to a few hundredths of a pixel: a model of two crossing edges, fitted.

Near a corner the picture is a + b E(d1) E(d2): d1 and d2 are the distances from the two edges and
E is a step blurred by a Gaussian. The picture is the same after half a turn about the corner,
whatever blur, contrast and tone curve are, so none of them can pull the corner aside.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import erf

from vidspeed.geometry.bundle import homography
from vidspeed.values import Bools, Floats, Picture, Value

ROUNDS = 12
BLUR_PX = (0.25, 6.0)  # allowed widths of an edge, one sigma
LEAST_PX = 3.0  # radius below which no corner is fitted
MOST_PX = 24.0
CONTRAST = 8.0  # least half difference of light and dark, in luma levels


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Corners(Value):
    """Fitted corners: `xy_px` (n, 2), edge width `blur_px` (n,), and which are `good` (n,)."""

    xy_px: Floats
    blur_px: Floats
    good: Bools


def sharpened(picture: Picture, plane_m: Floats, xy_px: Floats, radius: float) -> Corners:
    """Fit corners that are known to a pixel or two.

    Parameters
    ----------
    picture
        (h, w) luma, eight bits.
    plane_m
        (n, 2) of the corners on the chart, whose edges run along its axes.
    xy_px
        (n, 2) where they are about.
    radius
        How far around a corner nothing but its two edges is seen, in squares; the square is the
        least distance of two corners.
    """
    ways, square_px = _edges(plane_m, xy_px)
    reach_px = np.clip(radius * square_px, None, MOST_PX)
    patch, at, mask = _patches(picture, xy_px, reach_px)
    theta = _start(ways, patch, at, mask)
    for _ in range(ROUNDS):
        model, slopes = _model(theta, at)
        theta = theta + _step(slopes, np.where(mask, patch - model, 0.0), mask)
        theta[:, 4] = np.clip(theta[:, 4], *BLUR_PX)
        theta[:, 0:2] = np.clip(theta[:, 0:2], -reach_px[:, None], reach_px[:, None])
    model, _ = _model(theta, at)
    moved = np.linalg.norm(theta[:, 0:2], axis=1)
    left = np.sqrt(np.sum(np.where(mask, patch - model, 0.0) ** 2, axis=1) / mask.sum(axis=1))
    contrast = np.abs(theta[:, 6])
    good = (moved < 0.7 * reach_px) & (contrast > CONTRAST) & (left < 0.35 * contrast)
    good &= (reach_px >= LEAST_PX) & (theta[:, 4] < BLUR_PX[1]) & _inside(picture, xy_px, reach_px)
    return Corners(xy_px=np.rint(xy_px) + theta[:, 0:2], blur_px=theta[:, 4], good=good)


def _inside(picture: Picture, xy_px: Floats, reach_px: Floats) -> Bools:
    high = np.array(picture.shape[1::-1]) - 1.0
    return np.asarray(
        np.all((xy_px >= reach_px[:, None]) & (xy_px <= high - reach_px[:, None]), axis=1)
    )


def _edges(plane_m: Floats, xy_px: Floats) -> tuple[Floats, Floats]:
    """Return the directions (n, 2) of both edges at each corner, and the square's width (n,)."""
    apart = np.unique(np.round(np.abs(np.diff(np.unique(plane_m[:, 0]))), 9))
    square = float(apart[0]) if len(apart) else 1.0
    ahead = homography(plane_m, xy_px)
    there = np.column_stack([plane_m, np.ones(len(plane_m))]) @ ahead.T
    bent = there[:, :2] / there[:, 2:]
    slopes = [(ahead[:2, axis] - bent * ahead[2, axis]) / there[:, 2:] * square for axis in (0, 1)]
    ways = np.column_stack([np.arctan2(slope[:, 1], slope[:, 0]) for slope in slopes])
    area = np.abs(slopes[0][:, 0] * slopes[1][:, 1] - slopes[0][:, 1] * slopes[1][:, 0])
    longest = np.maximum(*(np.linalg.norm(slope, axis=1) for slope in slopes))
    return ways, area / np.maximum(longest, 1e-9)


def _patches(picture: Picture, xy_px: Floats, reach_px: Floats) -> tuple[Floats, Floats, Bools]:
    """Return luma (n, m), places (m, 2) about the whole pixel nearest to a corner, mask (n, m)."""
    half = int(np.ceil(max(float(reach_px.max()), LEAST_PX)))
    v, u = np.mgrid[-half : half + 1, -half : half + 1]
    at = np.column_stack([u.ravel(), v.ravel()]).astype(np.float64)
    middle = np.rint(xy_px).astype(int)
    column = np.clip(middle[:, :1] + u.ravel(), 0, picture.shape[1] - 1)
    row = np.clip(middle[:, 1:] + v.ravel(), 0, picture.shape[0] - 1)
    off = at[None] - (xy_px - middle)[:, None, :]
    mask = np.sum(off**2, axis=2) <= np.maximum(reach_px, 1.0)[:, None] ** 2
    return picture[row, column].astype(np.float64), at, mask


def _start(ways: Floats, patch: Floats, at: Floats, mask: Bools) -> Floats:
    """Return first parameters (n, 7): x, y, both edges' angles, blur, level, contrast."""
    theta = np.zeros((len(ways), 7))
    theta[:, 2:4] = ways
    theta[:, 4], theta[:, 6] = 1.0, 1.0
    shape = np.where(mask, _model(theta, at)[0], 0.0)
    count = mask.sum(axis=1)
    level = np.where(mask, patch, 0.0).sum(axis=1) / count
    mean = shape.sum(axis=1) / count
    off = np.where(mask, shape - mean[:, None], 0.0)
    theta[:, 6] = np.sum(off * patch, axis=1) / np.maximum(np.sum(off**2, axis=1), 1e-9)
    theta[:, 5] = level - theta[:, 6] * mean
    return theta


def _model(theta: Floats, at: Floats) -> tuple[Floats, Floats]:
    """Return the model (n, m) and its derivatives (n, m, 7)."""
    x = at[None, :, 0] - theta[:, 0:1]
    y = at[None, :, 1] - theta[:, 1:2]
    blur, level, contrast = theta[:, 4:5], theta[:, 5:6], theta[:, 6:7]
    steps, bells, sides, alongs = [], [], [], []
    for k in (2, 3):
        cosine, sine = np.cos(theta[:, k : k + 1]), np.sin(theta[:, k : k + 1])
        side = (cosine * y - sine * x) / blur
        steps.append(erf(side / np.sqrt(2.0)))
        bells.append(np.sqrt(2.0 / np.pi) * np.exp(-(side**2) / 2.0) / blur)
        sides.append(side)
        alongs.append(-(cosine * x + sine * y))  # derivative of the distance by the angle
    by_side = [contrast * bells[0] * steps[1], contrast * bells[1] * steps[0]]
    sine, cosine = np.sin(theta[:, 2:4]), np.cos(theta[:, 2:4])
    slopes = np.empty((*x.shape, 7))
    slopes[:, :, 0] = by_side[0] * sine[:, :1] + by_side[1] * sine[:, 1:]
    slopes[:, :, 1] = -by_side[0] * cosine[:, :1] - by_side[1] * cosine[:, 1:]
    slopes[:, :, 2], slopes[:, :, 3] = by_side[0] * alongs[0], by_side[1] * alongs[1]
    slopes[:, :, 4] = -by_side[0] * sides[0] - by_side[1] * sides[1]
    slopes[:, :, 5] = 1.0
    slopes[:, :, 6] = steps[0] * steps[1]
    return level + contrast * slopes[:, :, 6], slopes


def _step(slopes: Floats, left: Floats, mask: Bools) -> Floats:
    """Return a damped Gauss-Newton step (n, 7)."""
    rows = np.where(mask[:, :, None], slopes, 0.0)
    both = np.einsum("nmi,nmj->nij", rows, rows)
    pull = np.einsum("nmi,nm->ni", rows, left)
    place = np.arange(7)
    both[:, place, place] *= 1.0 + 1e-3
    both[:, place, place] += 1e-6
    step = np.linalg.solve(both, pull[:, :, None])[:, :, 0]
    limit = np.array([1.5, 1.5, 0.2, 0.2, 0.5, 1e3, 1e3])
    return np.clip(step, -limit, limit)
