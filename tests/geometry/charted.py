"""Pictures of flat printed things (charts, coded boards) through a known lens.

It shares with what it tests only the values, the projection, and the layout of what is printed,
which is itself held to OpenCV's.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy.interpolate import RectBivariateSpline
from scipy.spatial.transform import Rotation

from vidspeed.geometry.lens import project_camera, undistort

FINE = 4  # samples a pixel, each way
COARSE_PX = 8  # the lens is undistorted on a grid of so many pixels and splined between


def sheet(boxes_m, size_m, cells_a_m, edge_m=0.0):
    """Return a bitmap of a printed sheet: 1 light, 0 dark; `edge_m` of light paper around."""
    edge = round(edge_m * cells_a_m)
    width, height = (round(side * cells_a_m) for side in size_m)
    picture = np.ones((height + 2 * edge, width + 2 * edge), np.float32)
    for x, y, w, h in np.asarray(boxes_m) * cells_a_m:
        a, b = round(x) + edge, round(y) + edge
        picture[b : round(y + h) + edge, a : round(x + w) + edge] = 0.0
    return picture


def paint(signal, bitmap, cells_a_m, origin_m, turn, shift_m, lens, blur_px):
    """Draw a sheet into a picture of linear signal (h, w), in place.

    The bitmap's first corner lies at `origin_m` (2,) of the sheet's plane; a point p of the plane
    is at turn[:, :2] @ p + shift_m in the camera frame. `blur_px` is one sigma. The bitmap's
    cells should be about as large as 1 / FINE of a pixel, or up to three times that.
    """
    height, width = signal.shape
    span = np.array(bitmap.shape[::-1]) / cells_a_m
    rim = origin_m + span * np.array([[a, b] for a in (0, 0.25, 0.5, 0.75, 1) for b in (0, 0.5, 1)]
                                     + [[a, b] for a in (0, 1) for b in (0.25, 0.75)])  # fmt: skip
    seen = project_camera(rim @ turn[:, :2].T + shift_m, lens)
    pad = 4 + int(np.ceil(4 * blur_px))
    low = np.maximum(np.floor(seen.min(axis=0)) - pad, 0).astype(int)
    high = np.minimum(np.ceil(seen.max(axis=0)) + pad, [width - 1, height - 1]).astype(int)
    if np.any(high <= low):
        return
    x = low[0] - 0.5 + (np.arange((high[0] - low[0] + 1) * FINE) + 0.5) / FINE
    y = low[1] - 0.5 + (np.arange((high[1] - low[1] + 1) * FINE) + 0.5) / FINE
    plane = _ideal(x, y, lens)
    p = [row[0] * plane[0] + row[1] * plane[1] + row[2]
         for row in np.linalg.inv(np.column_stack([turn[:, :2], shift_m]))]  # fmt: skip
    u, v = (((p[k] / p[2] - origin_m[k]) * cells_a_m).astype(np.float32) - 0.5 for k in (0, 1))
    light = cv2.remap(
        bitmap, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )  # a cell as wide as a sample or two softens edges that run along the samples
    tall, wide = bitmap.shape
    inside = (u > -0.5) & (v > -0.5) & (u < wide - 0.5) & (v < tall - 0.5)
    cover = inside.astype(np.float32)
    light *= cover
    parts = []
    for part in (light, cover):
        soft = cv2.GaussianBlur(part, (0, 0), blur_px * FINE) if blur_px > 0 else part
        parts.append(soft.reshape(len(y) // FINE, FINE, len(x) // FINE, FINE).mean(axis=(1, 3)))
    here = signal[low[1] : high[1] + 1, low[0] : high[0] + 1]
    tone = 0.04 * (parts[1] - parts[0]) + 0.72 * parts[0]
    here[:] = here * (1.0 - parts[1]) + tone


def _ideal(x, y, lens):
    """Return x and y of ideal image-plane points, (len(y), len(x)) each."""
    knots = [np.arange(v[0] - 3 * COARSE_PX, v[-1] + 4 * COARSE_PX, COARSE_PX) for v in (x, y)]
    gx, gy = np.meshgrid(*knots)
    flat = undistort(np.column_stack([gx.ravel(), gy.ravel()]), lens)
    flat = np.where(np.isfinite(flat), flat, 50.0)
    return [RectBivariateSpline(knots[1], knots[0], flat[:, k].reshape(gx.shape))(y, x)
            for k in (0, 1)]  # fmt: skip


def developed(signal, rng, noise=2.0):
    """Return a linear signal as eight-bit luma with sensor-like noise (in levels)."""
    curve = np.clip(signal, 0.0, 1.0) ** (1 / 2.2) * 235.0 + 8.0
    return np.clip(np.rint(curve + noise * rng.standard_normal(signal.shape)), 0, 255).astype(
        np.uint8
    )


def held(rng, lens, size_px, middle_m, *, span=(0.35, 0.75), tilt=(0.1, 0.65), board_m=0.25):
    """Return turn and shift of a sheet as a person holds it up: somewhere in the picture, tilted.

    `span` is the share of the picture's width that `board_m` fills.
    """
    width = size_px[0]
    for _ in range(1000):
        depth = lens[0] * board_m / (rng.uniform(*span) * width)
        spin = rng.normal(0.0, 0.25)
        axis = rng.uniform(0, 2 * np.pi)
        lean = rng.uniform(*tilt)
        turn = (
            Rotation.from_rotvec(lean * np.array([np.cos(axis), np.sin(axis), 0.0]))
            * Rotation.from_rotvec([0.0, 0.0, spin])
        ).as_matrix()
        at = rng.uniform([0.2, 0.2], [0.8, 0.8]) * size_px
        ray = np.append((at - lens[2:4]) / lens[:2], 1.0)
        shift = depth * ray - turn[:, :2] @ middle_m
        corner = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1.0]]) * middle_m + middle_m
        seen = project_camera(corner @ turn[:, :2].T + shift, lens)
        if np.all(seen > 12) and np.all(seen < np.array(size_px) - 12):
            return turn, shift
    raise AssertionError("no such pose")
