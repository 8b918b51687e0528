"""Lens and poses from views of a flat chart: one least-squares problem.

Z. Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22 (2000) 1330-1334: the
closed form to begin from, and the adjustment of lens and poses together. The poses are taken out
of the normal equations view by view (Schur complement), because no two views share one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from vidspeed.errors import CalibrationError
from vidspeed.geometry.lens import project_camera, projection_slopes
from vidspeed.values import Bools, Floats, Value, View

ROUNDS = 60
TURNS = 4  # times that views are tried from their other side
SETTLED = 1e-10  # relative change of the sum of squares at which the adjustment ends
FOCAL_GRID = np.geomspace(0.3, 6.0, 30)  # focal lengths tried, in picture widths
SHARED = "focal length"  # one for both axes
SEPARATE = "focal lengths"  # one for each axis
BASIS = {  # which of fx, fy, cx, cy, k1, k2, p1, p2, k3 a term moves
    SHARED: ((0, 1),),
    SEPARATE: ((0,), (1,)),
    "centre": ((2,), (3,)),
    "k1": ((4,),),
    "k2": ((5,),),
    "p1 p2": ((6,), (7,)),
    "k3": ((8,),),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bundle(Value):
    """A lens (9,) with the poses of n views: `turns` (n, 3, 3), `shifts_m` (n, 3), chart to camera.

    `terms` are the keys of `BASIS` that are free.
    """

    lens: Floats
    turns: Floats
    shifts_m: Floats
    terms: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Normals(Value):
    """The normal equations of v views with their poses taken out.

    `inner` (v, m, m) and `pull` (v, m) are of the free lens parameters, `gain` (v, 6, m) and
    `rest` (v, 6) give the poses' steps back: step = rest - gain @ lens step. `squares` (v,) is
    the sum of squares of each view.
    """

    inner: Floats
    pull: Floats
    gain: Floats
    rest: Floats
    squares: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stack(Value):
    """Views side by side: `plane_m`, `xy_px` (v, n, 2), and the mask (v, n) of real corners."""

    plane_m: Floats
    xy_px: Floats
    mask: Bools


def stacked(views: Sequence[View]) -> Stack:
    """Put views side by side, the shorter ones filled up with their first corner."""
    most = max(len(view.xy_px) for view in views)
    take = [np.where(np.arange(most) < len(v.xy_px), np.arange(most), 0) for v in views]
    return Stack(
        plane_m=np.array([view.plane_m[index] for view, index in zip(views, take, strict=True)]),
        xy_px=np.array([view.xy_px[index] for view, index in zip(views, take, strict=True)]),
        mask=np.array([np.arange(most) < len(view.xy_px) for view in views]),
    )


def basis(terms: Sequence[str]) -> Floats:
    """Return the matrix (9, m) by which m free parameters move the nine."""
    columns = [places for term in terms for places in BASIS[term]]
    matrix = np.zeros((9, len(columns)))
    for column, places in enumerate(columns):
        matrix[list(places), column] = 1.0
    return matrix


def first_bundle(views: Sequence[View], size_px: tuple[int, int]) -> Bundle:
    """Return a bundle to begin from: no distortion, centre in the middle of the picture.

    Raises CalibrationError where no focal length explains the views.
    """
    middle = (np.array(size_px) - 1.0) / 2.0
    planes = [homography(view.plane_m, view.xy_px - middle) for view in views]
    best: tuple[float, Bundle] | None = None
    for focal in [*_closed_form(planes), *(FOCAL_GRID * size_px[0])]:
        lens = np.array([focal, focal, *middle, 0.0, 0.0, 0.0, 0.0, 0.0])
        poses = [_pose(plane, focal) for plane in planes]
        turns, shifts = np.array([p[0] for p in poses]), np.array([p[1] for p in poses])
        made = Bundle(lens=lens, turns=turns, shifts_m=shifts, terms=(SHARED,))
        squares = sum(float(np.sum(r**2)) for r in residuals(views, made))
        if np.isfinite(squares) and (best is None or squares < best[0]):
            best = (squares, made)
    if best is None:
        raise CalibrationError(
            "no focal length explains the views of the chart; compare the number of its corners"
        )
    return best[1]


def homography(plane: Floats, xy_px: Floats) -> Floats:
    """Return the homography (3, 3) from plane points (n, 2) to pixels (n, 2), by DLT.

    R. Hartley, A. Zisserman, Multiple View Geometry, algorithm 4.2 (normalised).
    """
    from_plane, to_unit = _normaliser(plane), _normaliser(xy_px)
    ones = np.ones((len(plane), 1))
    p = np.hstack([plane, ones]) @ from_plane.T
    q = np.hstack([xy_px, ones]) @ to_unit.T
    none = np.zeros_like(p)
    rows = np.vstack([np.hstack([p, none, -q[:, :1] * p]), np.hstack([none, p, -q[:, 1:2] * p])])
    rows = np.vstack([rows, np.zeros((max(9 - len(rows), 0), 9))])  # four points leave one way open
    found = np.linalg.svd(rows, full_matrices=False)[2][-1].reshape(3, 3)
    matrix = np.linalg.inv(to_unit) @ found @ from_plane
    return np.asarray(matrix / np.linalg.norm(matrix))


def _normaliser(points: Floats) -> Floats:
    middle = points.mean(axis=0)
    scale = np.sqrt(2.0) / max(float(np.mean(np.linalg.norm(points - middle, axis=1))), 1e-12)
    return np.array([[scale, 0, -scale * middle[0]], [0, scale, -scale * middle[1]], [0, 0, 1.0]])


def _closed_form(planes: Sequence[Floats]) -> list[float]:
    """Return the focal length by Zhang's two conditions a view with the centre known, or none."""
    a, b = [], []
    for plane in planes:
        h1, h2 = plane[:, 0], plane[:, 1]
        a += [h1[0] * h2[0] + h1[1] * h2[1], h1[0] ** 2 + h1[1] ** 2 - h2[0] ** 2 - h2[1] ** 2]
        b += [-h1[2] * h2[2], h2[2] ** 2 - h1[2] ** 2]
    left, right = np.array(a), np.array(b)
    inverse = float(left @ right / max(float(left @ left), 1e-300))
    return [float(inverse**-0.5)] if inverse > 0.0 else []


def _pose(plane: Floats, focal_px: float) -> tuple[Floats, Floats]:
    """Return turn (3, 3) and shift (3,) of a view from its homography (centre at 0)."""
    columns = np.diag([1.0 / focal_px, 1.0 / focal_px, 1.0]) @ plane
    scale = 2.0 / (np.linalg.norm(columns[:, 0]) + np.linalg.norm(columns[:, 1]))
    columns = columns * (scale if columns[2, 2] > 0.0 else -scale)
    third = np.cross(columns[:, 0], columns[:, 1])
    u, _, v = np.linalg.svd(np.column_stack([columns[:, 0], columns[:, 1], third]))
    turn = u @ np.diag([1.0, 1.0, np.linalg.det(u @ v)]) @ v
    return turn, columns[:, 2]


def _seen_from(stack: Stack, bundle: Bundle) -> Floats:
    """Return the chart's points (v, n, 3) in the camera frame."""
    turned = stack.plane_m @ bundle.turns[:, :, :2].transpose(0, 2, 1)
    return np.asarray(turned + bundle.shifts_m[:, None, :])


def residuals(views: Sequence[View], bundle: Bundle) -> list[Floats]:
    """Return seen less computed (n, 2) of every view."""
    stack = stacked(views)
    points = _seen_from(stack, bundle)
    left = stack.xy_px - project_camera(points.reshape(-1, 3), bundle.lens).reshape(
        stack.xy_px.shape
    )
    return [rows[mask] for rows, mask in zip(left, stack.mask, strict=True)]


def normals(
    views: Sequence[View], bundle: Bundle, bends: Sequence[Floats] | None = None
) -> Normals:
    """Return the normal equations of every view with its pose taken out.

    With `bends`, heights (n, k) of each view's corners over the chart, k amounts of them that all
    views share are free beside the lens, and stand behind its parameters.
    """
    stack = stacked(views)
    if bends is None:
        return _normals(stack, bundle)
    heights = np.zeros((*stack.mask.shape, bends[0].shape[1]))
    heights[stack.mask] = np.concatenate(bends)
    return _normals(stack, bundle, heights)


def _normals(stack: Stack, bundle: Bundle, heights: Floats | None = None) -> Normals:
    points = _seen_from(stack, bundle)
    count, many = stack.mask.shape
    pixels, by_point, by_lens = projection_slopes(points.reshape(-1, 3), bundle.lens)
    turned = (points - bundle.shifts_m[:, None, :]).reshape(-1, 3)
    cross = np.zeros((count * many, 3, 3))  # derivative of omega x p by omega
    cross[:, 0, 1], cross[:, 0, 2] = turned[:, 2], -turned[:, 1]
    cross[:, 1, 0], cross[:, 1, 2] = -turned[:, 2], turned[:, 0]
    cross[:, 2, 0], cross[:, 2, 1] = turned[:, 1], -turned[:, 0]
    left = stack.xy_px.reshape(-1, 2) - pixels
    free = [by_lens @ basis(bundle.terms)]
    if heights is not None:
        up = np.repeat(bundle.turns[:, :, 2], many, axis=0)[:, :, None]  # the chart's normal
        free.append(by_point @ up * heights.reshape(count * many, 1, -1))
    rows = np.concatenate([by_point @ cross, by_point, *free, left[:, :, None]], axis=2)
    rows *= stack.mask.reshape(-1, 1, 1)
    rows = rows.reshape(count, 2 * many, -1)
    both = rows.transpose(0, 2, 1) @ rows  # pose 6, lens m, left 1
    pose = both[:, :6, :6].copy()
    pose[:, range(6), range(6)] *= 1.0 + 1e-12
    solved = np.linalg.solve(pose, both[:, :6, 6:])
    rest = both[:, 6:, 6:] - both[:, 6:, :6] @ solved
    return Normals(
        inner=rest[:, :-1, :-1],
        pull=rest[:, :-1, -1],
        gain=solved[:, :, :-1],
        rest=solved[:, :, -1],
        squares=both[:, -1, -1],
    )


def adjusted(views: Sequence[View], start: Bundle, terms: Sequence[str] | None = None) -> Bundle:
    """Return the bundle with the least sum of squares, by Levenberg-Marquardt.

    `terms` (those of `start` if left out, none for poses alone) are free; the others stay.
    """
    here = replace(start, terms=start.terms if terms is None else tuple(terms))
    stack = stacked(views)
    rows = _normals(stack, here)
    damping = 1e-4
    for _ in range(ROUNDS):
        squares = float(rows.squares.sum())
        there = _stepped(here, rows, damping)
        tried = _normals(stack, there)
        less = squares - float(tried.squares.sum())
        if np.isfinite(less) and less >= 0.0:
            here, rows, damping = there, tried, max(damping / 10.0, 1e-12)
            if less <= SETTLED * squares:
                return here
        else:
            damping *= 10.0
            if damping > 1e8:
                return here
    return here


def settled(views: Sequence[View], start: Bundle, terms: Sequence[str]) -> Bundle:
    """Return the adjusted bundle with every view on the better of its two sides.

    A flat chart leaned one way looks almost as if it were leaned the other way; a view that began
    on the wrong side would stay there and pull the lens along.
    """
    here = adjusted(views, start, terms)
    for _ in range(TURNS):
        there = _turned_over(views, here)
        held, turned = adjusted(views, here, ()), adjusted(views, there, ())
        now, then = normals(views, held).squares, normals(views, turned).squares
        better = then < 0.99 * now
        if not np.any(better):
            return here
        pick = better[:, None, None]
        mixed = replace(
            here,
            turns=np.where(pick, turned.turns, here.turns),
            shifts_m=np.where(better[:, None], turned.shifts_m, here.shifts_m),
        )
        here = adjusted(views, mixed)
    return here


def _turned_over(views: Sequence[View], bundle: Bundle) -> Bundle:
    """Return the bundle with every chart leaned the other way about its line of sight.

    What of the chart's axes points along the line of sight to its middle changes sign.
    """
    middles = np.array([view.plane_m.mean(axis=0) for view in views])
    places = (bundle.turns[:, :, :2] @ middles[:, :, None])[:, :, 0] + bundle.shifts_m
    sight = places / np.linalg.norm(places, axis=1, keepdims=True)
    axes = bundle.turns[:, :, :2]
    along = np.einsum("vi,vik->vk", sight, axes)
    axes = axes - 2.0 * sight[:, :, None] * along[:, None, :]
    third = np.cross(axes[:, :, 0], axes[:, :, 1])
    turns = np.concatenate([axes, third[:, :, None]], axis=2)
    shifts = places - (axes @ middles[:, :, None])[:, :, 0]
    return replace(bundle, turns=turns, shifts_m=shifts)


def _stepped(bundle: Bundle, rows: Normals, damping: float) -> Bundle:
    """Return the bundle moved by one damped step of lens and poses."""
    total, pull = rows.inner.sum(axis=0), rows.pull.sum(axis=0)
    scale = np.sqrt(np.maximum(np.diag(total), 1e-30))
    damped = total / np.outer(scale, scale) + damping * np.eye(len(scale))
    step = np.linalg.solve(damped, pull / scale) / scale
    poses = (rows.rest - rows.gain @ step) / (1.0 + damping)
    return replace(
        bundle,
        lens=bundle.lens + basis(bundle.terms) @ step,
        turns=Rotation.from_rotvec(poses[:, :3]).as_matrix() @ bundle.turns,
        shifts_m=bundle.shifts_m + poses[:, 3:],
    )
