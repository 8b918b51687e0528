"""How the picture of a fixed scene moves when its camera turns a little or zooms.

The four unknowns are the shift x, y at the lens centre (pixels), the turn from +x towards +y
(radians) and the logarithm of the zoom. A pan is no plain shift: away from the lens centre the
picture moves farther, by 1 + (x/f)^2 along the pan, so that everything goes through the lens.
"""

from __future__ import annotations

import numpy as np

from vidspeed.geometry.lens import project_camera, undistort
from vidspeed.values import Bools, Floats

UNKNOWNS = 4
_STEPS = np.array([0.05, 0.05, 1e-5, 1e-5])  # for the derivatives: pixels, radians, 1
_BIWEIGHT = 4.685  # Tukey's constant: 95 % efficient with normal errors


def rotation(turn_rad: Floats) -> Floats:
    """Return the rotation matrix (3, 3) of a rotation vector (3,), Rodrigues' formula."""
    angle = float(np.linalg.norm(turn_rad))
    x, y, z = turn_rad
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    first = np.sinc(angle / np.pi)
    second = 0.5 * np.sinc(0.5 * angle / np.pi) ** 2
    return np.asarray(np.eye(3) + first * cross + second * cross @ cross)


def reached(xy_px: Floats, lens: Floats) -> Bools:
    """Tell of which pixels (n, 2) the lens model has a place: k1 alone folds wide pictures back."""
    return np.asarray(np.all(np.isfinite(undistort(xy_px, lens)), axis=1))


def carried(xy_px: Floats, unknowns: Floats, lens: Floats) -> Floats:
    """Return where points (n, 2) of one picture lie in another one, moved by `unknowns` (4,).

    NaN where the lens model has no such point.
    """
    plane = undistort(xy_px, lens)
    return _seen(plane, unknowns, lens)


def _seen(plane: Floats, unknowns: Floats, lens: Floats) -> Floats:
    turn = rotation(np.array([-unknowns[1] / lens[1], unknowns[0] / lens[0], unknowns[2]]))
    zoomed = lens.copy()
    zoomed[0:2] *= np.exp(unknowns[3])
    rays = np.column_stack([plane, np.ones(len(plane))]) @ turn.T
    return project_camera(rays, zoomed)


def slopes(xy_px: Floats, unknowns: Floats, lens: Floats) -> Floats:
    """Return the derivatives (n, 2, 4) of `carried` by the unknowns."""
    return _slopes(undistort(xy_px, lens), unknowns, lens)


def _slopes(plane: Floats, unknowns: Floats, lens: Floats) -> Floats:
    columns = [
        (_seen(plane, unknowns + step, lens) - _seen(plane, unknowns - step, lens)) / (2.0 * size)
        for size, step in zip(_STEPS, np.diag(_STEPS), strict=True)
    ]
    return np.stack(columns, axis=2)


def fit(
    from_px: Floats,
    to_px: Floats,
    lens: Floats,
    start: Floats,
    u_px: Floats,
    *,
    scale_px: float | None = None,
) -> tuple[Floats, Floats, Floats]:
    """Fit the unknowns to points seen in both pictures, (n, 2) each, robustly.

    Parameters
    ----------
    u_px
        Relative standard uncertainty (n,) of a coordinate.
    scale_px
        Residuals of several of these are left out; None: found from the residuals themselves.

    Returns
    -------
    unknowns : (4,)
    weights : (n,)
        Tukey's biweight, 0 for a point that is left out.
    residuals : (n, 2)
    """
    plane = undistort(from_px, lens)
    unknowns = start.astype(float)
    weights = np.ones(len(plane))
    for turn in range(40):
        left = to_px - _seen(plane, unknowns, lens)
        away = np.nan_to_num(np.linalg.norm(left, axis=1) / u_px, nan=np.inf)
        spread = scale_px if scale_px is not None else max(float(np.median(away)) / 1.1774, 0.02)
        weights = np.clip(1.0 - (away / (_BIWEIGHT * spread)) ** 2, 0.0, None) ** 2
        if np.count_nonzero(weights) < 2:
            break
        kept = weights > 0.0
        root = np.sqrt(weights[kept]) / u_px[kept]
        rows = (_slopes(plane[kept], unknowns, lens) * root[:, None, None]).reshape(-1, UNKNOWNS)
        step = np.linalg.lstsq(rows, (left[kept] * root[:, None]).ravel(), rcond=None)[0]
        unknowns = unknowns + step
        if turn and np.all(np.abs(step) < 0.01 * _STEPS):
            break
    return unknowns, weights, to_px - _seen(plane, unknowns, lens)
