"""Where a camera that is only planned would look."""

from __future__ import annotations

import numpy as np

from vidspeed.values import Bools, Floats, Pose


def aimed(position_m: Floats, aim_m: Floats) -> Pose:
    """Return the pose of a level camera at `position_m` (3,) that looks at `aim_m` (3,).

    Examples
    --------
    >>> aimed(np.array([0.0, -5.0, 1.0]), np.array([0.0, 0.0, 1.0])).camera_from_course.round(3)
    array([[ 1.,  0.,  0.],
           [ 0.,  0., -1.],
           [ 0.,  1.,  0.]])
    """
    forward = (aim_m - position_m) / np.linalg.norm(aim_m - position_m)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    turn = np.array([right, down, forward]) + 0.0
    return Pose(camera_from_course=turn, position_m=np.asarray(position_m, dtype=float))


def inside(xy_px: Floats, size_px: tuple[int, int]) -> Bools:
    """Tell which pixels (n, 2) lie in a picture of that size: (n,) bool, False for NaN."""
    with np.errstate(invalid="ignore"):
        low = np.all(xy_px >= -0.5, axis=1)
        high = np.all(xy_px <= np.array(size_px) - 0.5, axis=1)
    return np.asarray(low & high)
