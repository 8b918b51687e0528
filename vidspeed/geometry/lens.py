"""The camera equation, written once: course metres to picture pixels, with its derivatives.

The lens is the Brown-Conrady model in the order of OpenCV (fx, fy, cx, cy, k1, k2, p1, p2, k3);
D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37 (1971) 855-866.
A test holds `project` to `cv2.projectPoints`.
"""

from __future__ import annotations

import numpy as np

from vidspeed.values import Bools, Floats, Pose


def camera_points(course_m: Floats, pose: Pose) -> Floats:
    """Turn points of the course frame (n, 3) into the camera frame (n, 3): x right, z forward."""
    return (course_m - pose.position_m) @ pose.camera_from_course.T


def distort(plane: Floats, lens: Floats) -> Floats:
    """Map ideal image-plane points (..., n, 2), tangents, to where a lens (..., 9) puts them."""
    k1, k2, p1, p2, k3 = _coefficients(lens)
    x, y = plane[..., 0], plane[..., 1]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    bent = np.empty((*radial.shape, 2))
    bent[..., 0] = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)
    bent[..., 1] = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y
    return bent


def _coefficients(lens: Floats) -> list[Floats]:
    """Return k1, k2, p1, p2 and k3 of a lens (..., 9), to go with points (..., n)."""
    return [lens[..., number, None] for number in range(4, 9)]


def project_camera(points_m: Floats, lens: Floats) -> Floats:
    """Project points of the camera frame (n, 3) to pixels (n, 2); NaN where not in front."""
    depth = np.where(points_m[:, 2] > 1e-6, points_m[:, 2], np.nan)
    bent = distort(points_m[:, :2] / depth[:, None], lens)
    return bent * lens[0:2] + lens[2:4]


def project(course_m: Floats, pose: Pose, lens: Floats) -> Floats:
    """Project points of the course frame (n, 3) to pixels (n, 2); NaN where behind the camera.

    Examples
    --------
    >>> pose = Pose(camera_from_course=np.array([[1., 0, 0], [0, 0, -1], [0, 1, 0]]),
    ...             position_m=np.array([0.0, -10.0, 0.0]))
    >>> lens = np.array([1000.0, 1000.0, 500.0, 300.0, 0, 0, 0, 0, 0])
    >>> project(np.array([[1.0, 0.0, 2.0]]), pose, lens)
    array([[600., 100.]])
    """
    return project_camera(camera_points(course_m, pose), lens)


def fold(lens: Floats) -> float:
    """Return how far off the axis (tangent) a lens (9,) first puts farther points nearer.

    There the derivative of r (1 + k1 r^2 + k2 r^4 + k3 r^6) is zero; infinite where it never is.
    """
    k1, k2, k3 = lens[[4, 5, 8]]
    roots = np.roots([7.0 * k3, 5.0 * k2, 3.0 * k1, 1.0])
    squares = roots.real[(np.abs(roots.imag) < 1e-12) & (roots.real > 0.0)]
    return float(np.sqrt(squares.min())) if len(squares) else float("inf")


def folded(points_m: Floats, lens: Floats, share: float = 1.0) -> Bools:
    """Tell which points of the camera frame (n, 3) the lens model puts where nearer ones are.

    They lie so far off the axis that no picture shows them, wherever `project_camera` puts them.
    Less than a whole `share` of the way to the fold tells also of those before it.
    """
    farthest = share * fold(lens)
    return np.asarray(np.linalg.norm(points_m[:, :2], axis=1) >= farthest * points_m[:, 2])


def undistort(xy_px: Floats, lens: Floats) -> Floats:
    """Return the ideal image-plane points (n, 2), tangent units, behind pixels (n, 2).

    Newton's iteration on `distort`; NaN where the lens model has no such point.
    """
    target = (xy_px - lens[2:4]) / lens[0:2]
    plane = target.copy()
    for _ in range(20):
        error = distort(plane, lens) - target
        step = np.linalg.solve(_distortion_slope(plane, lens), error[:, :, None])[:, :, 0]
        plane = plane - np.clip(step, -0.5, 0.5)
        if np.all(np.abs(step) < 1e-13):
            break
    lost = np.abs(distort(plane, lens) - target).max(axis=1) > 1e-9
    plane[lost] = np.nan
    return plane


def rays(xy_px: Floats, pose: Pose, lens: Floats) -> Floats:
    """Return the lines of sight (n, 3) of pixels (n, 2): unit vectors in the course frame."""
    plane = undistort(xy_px, lens)
    sight = np.column_stack([plane, np.ones(len(plane))]) @ pose.camera_from_course
    return np.asarray(sight / np.linalg.norm(sight, axis=1, keepdims=True))


def projection_slopes(points_m: Floats, lens: Floats) -> tuple[Floats, Floats, Floats]:
    """Project points of the camera frame (..., n, 3) through a lens (..., 9), with derivatives.

    Returns
    -------
    pixels : (..., n, 2)
    by_point : (..., n, 2, 3)
        Derivative by the point in the camera frame, pixels a metre.
    by_lens : (..., n, 2, 9)
        Derivative by fx, fy, cx, cy, k1, k2, p1, p2, k3.
    """
    closeness = 1.0 / np.where(points_m[..., 2] > 1e-6, points_m[..., 2], np.nan)
    plane = points_m[..., :2] * closeness[..., None]
    bent = distort(plane, lens)
    focal = lens[..., None, 0:2]
    slope = focal[..., None] * _distortion_slope(plane, lens)
    by_point = np.empty((*bent.shape, 3))
    by_point[..., :2] = slope * closeness[..., None, None]
    by_point[..., 2] = -np.einsum("...ij,...j->...i", by_point[..., :2], plane)
    by_lens = np.zeros((*bent.shape, 9))
    by_lens[..., 0, 0], by_lens[..., 1, 1] = bent[..., 0], bent[..., 1]
    by_lens[..., 0, 2] = by_lens[..., 1, 3] = 1.0
    by_lens[..., 4:9] = focal[..., None] * _slope_by_coefficients(plane)
    return bent * focal + lens[..., None, 2:4], by_point, by_lens


def _distortion_slope(plane: Floats, lens: Floats) -> Floats:
    """Return the derivative (..., n, 2, 2) of `distort` by the image-plane point."""
    k1, k2, p1, p2, k3 = _coefficients(lens)
    x, y = plane[..., 0], plane[..., 1]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    by_r2 = k1 + r2 * (2.0 * k2 + 3.0 * k3 * r2)
    slope = np.empty((*radial.shape, 2, 2))
    slope[..., 0, 0] = radial + 2.0 * x * x * by_r2 + 2.0 * p1 * y + 6.0 * p2 * x
    slope[..., 0, 1] = 2.0 * x * y * by_r2 + 2.0 * p1 * x + 2.0 * p2 * y
    slope[..., 1, 0] = slope[..., 0, 1]
    slope[..., 1, 1] = radial + 2.0 * y * y * by_r2 + 6.0 * p1 * y + 2.0 * p2 * x
    return slope


def _slope_by_coefficients(plane: Floats) -> Floats:
    """Return the derivative (..., n, 2, 5) of `distort` by k1, k2, p1, p2, k3."""
    x, y = plane[..., 0], plane[..., 1]
    r2 = x * x + y * y
    xy = 2.0 * x * y
    slope = np.empty((*x.shape, 2, 5))
    r4 = r2 * r2
    for power, column in ((r2, 0), (r4, 1), (r4 * r2, 4)):
        slope[..., 0, column], slope[..., 1, column] = x * power, y * power
    slope[..., 0, 2] = slope[..., 1, 3] = xy
    slope[..., 1, 2], slope[..., 0, 3] = r2 + 2.0 * y * y, r2 + 2.0 * x * x
    return slope
