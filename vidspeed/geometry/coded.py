"""Coded boards on posts, found at a distance, and their middles to a few hundredths of a pixel.

OpenCV finds a code and reads its number; where its corners are it knows only to a pixel. The whole
pattern of the code is then fitted to the picture, as a flat thing seen under perspective through
some blur, and the covariance of the fit says how well its middle is known. The middle is where
the diagonals cross, which perspective keeps.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.geometry.bundle import homography
from vidspeed.geometry.codes import cells, dictionary
from vidspeed.values import Bools, Floats, Picture, Value

LEAST_PX = 12.0  # side of a code below which its number is guesswork
QUIET = 0.45  # of a cell around the code that is taken for light
FINE = 4  # samples a pixel, each way
ROUNDS = 10
STEP_PX = 0.04  # for differences
ALIKE = 0.85  # least correlation of picture and pattern
FLOOR_PX = 0.0005  # of what no fit of this kind sees
SURE = 2.0  # standard deviations by which a correlation differs from none
WIDEST_PX = 160  # a code larger than this is fitted in a smaller picture
BLUR_PX = (0.3, 4.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coded(Value):
    """A coded board in a picture: its number, middle `xy_px` (2,) with `u_px`, corners (4, 2).

    `side_px` is the root of its area, `alike` the correlation of picture and pattern.
    """

    number: int
    xy_px: Floats
    u_px: float
    corners_px: Floats
    side_px: float
    alike: float


def find_coded(picture: Picture, family: str, wanted: Iterable[int] | None = None) -> list[Coded]:
    """Return the coded boards of a family in a picture (h, w), by number.

    Only those that are `wanted`, if it is given. Of two that show one number the one that looks
    more like it is kept.
    """
    allowed = None if wanted is None else set(wanted)
    best: dict[int, Coded] = {}
    for number, corners in _candidates(picture, family):
        if allowed is not None and number not in allowed:
            continue
        known = best.get(number)
        if known is not None and np.abs(known.corners_px - corners).max() < 0.1 * known.side_px + 2:
            continue  # the same board again, in the picture made larger
        found = _fitted(picture, family, number, corners)
        if found is not None and (number not in best or found.alike > best[number].alike):
            best[number] = found
    return [best[number] for number in sorted(best)]


def _candidates(picture: Picture, family: str) -> list[tuple[int, Floats]]:
    """Return what OpenCV takes for codes, in the picture and in one twice as large."""
    settings = cv2.aruco.DetectorParameters()
    settings.adaptiveThreshWinSizeMin, settings.adaptiveThreshWinSizeMax = 5, 45
    settings.adaptiveThreshWinSizeStep = 8
    settings.minMarkerPerimeterRate = 3.0 * LEAST_PX / max(picture.shape)
    settings.polygonalApproxAccuracyRate = 0.06
    settings.minCornerDistanceRate = 0.03
    settings.minDistanceToBorder = 1
    settings.perspectiveRemovePixelPerCell = 8
    settings.perspectiveRemoveIgnoredMarginPerCell = 0.3  # blur mixes cells at their edges
    detector = cv2.aruco.ArucoDetector(dictionary(family), settings)
    found: list[tuple[int, Floats]] = []
    for scale in (1, 2):
        shown = picture
        if scale > 1:
            shown = np.asarray(
                cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC),
                np.uint8,
            )
        corners, numbers, _ = detector.detectMarkers(shown)
        for number, quad in zip([] if numbers is None else numbers.ravel(), corners, strict=True):
            at = (np.asarray(quad, dtype=np.float64).reshape(4, 2) + 0.5) / scale - 0.5
            found.append((int(number), at))
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Patch(Value):
    """A piece of a picture around a code: `luma` (h, w), first pixel (2,), mask, the bitmap."""

    luma: Floats
    first_px: Floats
    mask: Bools
    bitmap: NDArray[np.float32]
    cells: int


def _fitted(picture: Picture, family: str, number: int, corners: Floats) -> Coded | None:
    side = _side(corners)
    if side > 1.1 * WIDEST_PX:
        scale = WIDEST_PX / side
        small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        found = _fitted(np.asarray(small, np.uint8), family, number, (corners + 0.5) * scale - 0.5)
        return None if found is None else _enlarged(found, scale)
    if side < LEAST_PX:
        return None
    patch = _patch(picture, family, number, corners)
    if patch is None:
        return None
    theta = np.append(corners.ravel(), 0.8)
    damping = 1e-2
    left, slopes = _linearised(theta, patch)
    for _ in range(ROUNDS):
        both = slopes.T @ slopes
        step = np.linalg.solve(both + damping * np.diag(np.diag(both) + 1e-9), slopes.T @ left)
        there = theta + np.clip(step, -1.5, 1.5)
        there[8] = np.clip(there[8], *BLUR_PX)
        trial = _left(_pattern(there, patch)[0], patch)[0]
        if trial @ trial < left @ left:
            moved = float(np.abs(there - theta).max())
            theta, damping = there, damping / 5.0
            left, slopes = _linearised(theta, patch)
            if moved < 2e-3:
                break
        else:
            damping *= 8.0
    return _account(theta, left, slopes, patch, number, corners)


def _side(corners: Floats) -> float:
    x, y = corners[:, 0], corners[:, 1]
    return float(np.sqrt(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2.0))


def _enlarged(found: Coded, scale: float) -> Coded:
    """Return what was found in a picture made `scale` times as large in pixels of the whole one."""
    return Coded(
        number=found.number,
        xy_px=(found.xy_px + 0.5) / scale - 0.5,
        u_px=found.u_px / scale,
        corners_px=(found.corners_px + 0.5) / scale - 0.5,
        side_px=found.side_px / scale,
        alike=found.alike,
    )


def _patch(picture: Picture, family: str, number: int, corners: Floats) -> _Patch | None:
    """Cut out the pixels of a code and its light border."""
    dark = cells(family, number)
    count = len(dark)
    cell_px = _side(corners) / count
    pad = int(np.ceil(cell_px)) + 3
    low = np.floor(corners.min(axis=0)).astype(int) - pad
    high = np.ceil(corners.max(axis=0)).astype(int) + pad
    low = np.maximum(low, 0)
    high = np.minimum(high, np.array(picture.shape[1::-1]) - 1)
    luma = picture[low[1] : high[1] + 1, low[0] : high[0] + 1].astype(np.float64)
    if min(luma.shape) < 4:
        return None
    finer = int(np.clip(np.ceil(0.7 * FINE * cell_px), 4, 96))
    bitmap = np.pad(np.where(dark, 0.0, 1.0), 1, constant_values=1.0)
    place = _in_cells(corners, luma.shape, low, count, 1)
    inside = np.all((place > -QUIET) & (place < count + QUIET), axis=2)
    if np.count_nonzero(inside) < 80:
        return None
    return _Patch(
        luma=luma,
        first_px=low.astype(np.float64),
        mask=inside,
        bitmap=np.kron(bitmap, np.ones((finer, finer))).astype(np.float32),
        cells=count,
    )


def _square(count: int) -> Floats:
    """Return the corners (4, 2) of a code in cells, in the order in which they are found."""
    return np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]) * count


def _through(matrix: Floats, x: Floats, y: Floats) -> Floats:
    """Carry points by a homography; the coordinates are of like shape, the result (..., 2)."""
    flat = [matrix[k, 0] * x + matrix[k, 1] * y + matrix[k, 2] for k in range(3)]
    return np.stack([flat[0] / flat[2], flat[1] / flat[2]], axis=-1)


def _in_cells(
    corners: Floats, shape: tuple[int, ...], first: Floats, count: int, fine: int
) -> Floats:
    """Return where samples of a patch lie on the code (h * fine, w * fine, 2), in cells."""
    back = homography(corners, _square(count))
    x = first[0] - 0.5 + (np.arange(shape[1] * fine) + 0.5) / fine
    y = first[1] - 0.5 + (np.arange(shape[0] * fine) + 0.5) / fine
    return _through(back, x[None, :], y[:, None])


def _pattern(theta: Floats, patch: _Patch) -> tuple[Floats, Floats, Floats]:
    """Return the code as the patch would show it (k,): 1 light, 0 dark, and its slopes a pixel."""
    corners, blur = theta[:8].reshape(4, 2), theta[8]
    place = _in_cells(corners, patch.luma.shape, patch.first_px, patch.cells, FINE)
    finer = patch.bitmap.shape[0] / (patch.cells + 2)
    at = ((place + 1.0) * finer - 0.5).astype(np.float32)
    shown = cv2.remap(
        patch.bitmap, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    soft = cv2.GaussianBlur(shown, (0, 0), float(blur * FINE))
    height, width = patch.luma.shape
    fields = (soft, FINE * np.gradient(soft, axis=1), FINE * np.gradient(soft, axis=0))
    means = [field.reshape(height, FINE, width, FINE).mean(axis=(1, 3)) for field in fields]
    level, across, down = (np.asarray(mean[patch.mask], np.float64) for mean in means)
    return level, across, down


def _shifts(corners: Floats, patch: _Patch) -> Floats:
    """Return how each pixel's piece of the code moves (k, 2, 8) with the corners' coordinates."""
    square = _square(patch.cells)
    rows, columns = np.nonzero(patch.mask)
    x, y = columns + patch.first_px[0], rows + patch.first_px[1]
    place = _through(homography(corners, square), x, y)
    moves = np.empty((len(x), 2, 8))
    for number in range(8):
        step = np.zeros(8)
        step[number] = STEP_PX
        ahead = homography(square, corners + step.reshape(4, 2))
        there = _through(ahead, place[:, 0], place[:, 1])
        moves[:, :, number] = (there - np.column_stack([x, y])) / STEP_PX
    return moves


def _left(shown: Floats, patch: _Patch) -> tuple[Floats, Floats]:
    """Return what is left (k,) of the pixels, and the six figures that were fitted out.

    They are the contrast of the pattern, two bends of the tone curve between light and dark, the
    level, and a slope of the light across the code.
    """
    design = _design(shown, patch)
    seen = patch.luma[patch.mask]
    fit = np.linalg.solve(design.T @ design + 1e-9 * np.eye(6), design.T @ seen)
    return seen - design @ fit, np.asarray(fit, np.float64)


def _design(shown: Floats, patch: _Patch) -> Floats:
    rows, columns = np.nonzero(patch.mask)
    size = float(max(patch.mask.shape))
    ones = np.ones(len(rows))
    bend = shown * (1.0 - shown)
    return np.column_stack(
        [shown, bend, bend * (1.0 - 2.0 * shown), ones, columns / size, rows / size]
    )


def _linearised(theta: Floats, patch: _Patch) -> tuple[Floats, Floats]:
    """Return what is left (k,) and the derivative (k, 9) of the model by the parameters.

    Level, contrast and slope of the light are projected out of the derivative as well.
    """
    shown, across, down = _pattern(theta, patch)
    left, fit = _left(shown, patch)
    moves = _shifts(theta[:8].reshape(4, 2), patch)
    slopes = np.empty((len(left), 9))
    tone = fit[0] + fit[1] * (1.0 - 2.0 * shown) + fit[2] * (1.0 - 6.0 * shown * (1.0 - shown))
    slopes[:, :8] = -tone[:, None] * (across[:, None] * moves[:, 0] + down[:, None] * moves[:, 1])
    wider = theta.copy()
    wider[8] += STEP_PX
    slopes[:, 8] = tone * (_pattern(wider, patch)[0] - shown) / STEP_PX
    own, _ = np.linalg.qr(_design(shown, patch))
    return left, slopes - own @ (own.T @ slopes)


def _account(
    theta: Floats, left: Floats, slopes: Floats, patch: _Patch, number: int, before: Floats
) -> Coded | None:
    """Return the board with its uncertainty, None where it does not look like its number."""
    corners = theta[:8].reshape(4, 2)
    seen = patch.luma[patch.mask]
    explained = 1.0 - float(left @ left) / max(float(np.sum((seen - seen.mean()) ** 2)), 1e-9)
    alike = float(np.sqrt(max(explained, 0.0)))
    if alike < ALIKE or np.abs(corners - before).max() > 0.25 * _side(before) + 2.0:
        return None
    noise = float(left @ left) / max(len(left) - 15, 1)
    covariance = noise * np.linalg.pinv(slopes.T @ slopes)
    middle = _middle(corners)
    by_corner = np.zeros((2, 9))
    for place in range(8):
        step = np.zeros(8)
        step[place] = 1e-4
        by_corner[:, place] = (_middle(corners + step.reshape(4, 2)) - middle) / 1e-4
    spread = by_corner @ covariance @ by_corner.T * _correlated(left, patch)
    return Coded(
        number=number,
        xy_px=middle,
        u_px=float(np.hypot(np.sqrt(np.trace(spread) / 2.0), FLOOR_PX)),
        corners_px=corners,
        side_px=_side(corners),
        alike=alike,
    )


def _correlated(left: Floats, patch: _Patch) -> float:
    """Return by how much neighbours that err alike widen the variance of a mean.

    A correlation that chance gives (two standard deviations of it) counts as none: half of the
    chance ones are above zero, and would always widen.
    """
    field = np.zeros(patch.luma.shape)
    field[patch.mask] = left
    wider = 1.0
    total = float(left @ left) / len(left)
    for axis in (0, 1):
        both = np.take(patch.mask, range(1, field.shape[axis]), axis) & np.take(
            patch.mask, range(field.shape[axis] - 1), axis
        )
        product = np.take(field, range(1, field.shape[axis]), axis) * np.take(
            field, range(field.shape[axis] - 1), axis
        )
        rho = float(np.clip(product[both].mean() / max(total, 1e-12), 0.0, 0.9))
        if rho * np.sqrt(np.count_nonzero(both)) > SURE:
            wider *= (1.0 + rho) / (1.0 - rho)
    return wider


def _middle(corners: Floats) -> Floats:
    """Return where the diagonals of four corners (4, 2) cross."""
    a, b, c, d = corners
    across, other = c - a, d - b
    part = ((b - a)[0] * other[1] - (b - a)[1] * other[0]) / (
        across[0] * other[1] - across[1] * other[0]
    )
    return np.asarray(a + part * across)
