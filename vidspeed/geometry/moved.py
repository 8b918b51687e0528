"""Whether a camera moved: the fixed background of one picture against another's.

By day many small pieces of the background are followed from one picture into the other; after
dark, or between day and night, the lamps that both show are matched (`beacons.py`). Either gives
shift, turn and zoom with their covariance, or nothing where the two pictures cannot be told to
show the same. What a dark picture shows beside its lamps may be the sensor's own pattern and the
codec's blocks, which stay where they are when the camera moves: there the lamps are asked first,
and pieces without contrast are never followed.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.chance import chi2_sf
from vidspeed.geometry.beacons import match_beacons
from vidspeed.geometry.burnt import burnt
from vidspeed.geometry.turned import UNKNOWNS, carried, fit, reached, slopes
from vidspeed.values import Bools, Floats, Ints, Movement, Picture, Value

WINDOW = 21  # pixels, of the piece that is followed
LEVELS = 4  # of the picture, each half the size of the one before
MOST_FEATURES = 500
CELLS = (8, 5)  # across and down: features are taken evenly and judged together in these
LEAST_MATCHES, LEAST_SHARE, LEAST_CELLS = 24, 0.4, 6
MOST_LEFT_PX = 1.0  # from where the movement puts it: farther off, a piece does not follow it
LEAST_WEIGHT = 0.3  # that the fit leaves a piece which counts as one that follows
PLAIN = 0.8  # share of the pieces that follow one movement, where no other need be tried
THERE_AND_BACK_PX = 0.4  # a piece followed there and back must come home this closely
FLOOR_PX = 0.003  # of a shift: what no number of features improves on
SOFT_LEVELS = 4.0  # contrast that is not blown up where the picture is flat
LEAST_LEVELS = 1.0  # contrast of a piece, RMS: noise and a codec's blocks have half of it
ZOOM_AT, ZOOM_PX = 0.3, 0.5  # of the width from the middle; what a zoom must move there
SURE = 3.0  # standard uncertainties of the zoom
STAYS_PX = 0.5  # of a shift and its standard uncertainty: it is not worth correcting
BY_CHANCE = 1e-3  # of cameras that stand still which seem to have moved
DARK_LEVELS = 40.0  # median of a picture after dark

Single = NDArray[np.float32]
Features = tuple[Floats, Floats]  # (n, 2) in the first picture, (n, 2) in the second


def movement(reference: Picture, picture: Picture, lens: Floats) -> Movement | None:
    """Return how `picture` (h, w) lies against `reference` (h, w), None where nothing matches.

    `lens` (9,) as in `Lens.parameters`. Where a camera writes text into its pictures, which says
    that it never moved, the rest of them decides whether that is so.
    """
    hidden = burnt(reference, picture)
    if hidden is None:
        return _movement(reference, picture, lens)
    rest = _movement(reference, picture, lens, hidden)
    if rest is None or _may_have_moved(rest):
        return rest
    return _movement(reference, picture, lens)


def _movement(
    reference: Picture, picture: Picture, lens: Floats, hidden: Bools | None = None
) -> Movement | None:
    """Return how a picture lies against another by what is not `hidden` (h, w) of both."""
    ways = [_by_features, match_beacons]
    if min(np.median(reference), np.median(picture)) < DARK_LEVELS:
        ways.reverse()
    found = (way(reference, picture, lens, hidden) for way in ways)
    return next((each for each in found if each is not None), None)


def _may_have_moved(moved: Movement) -> bool:
    """Tell whether a movement is more than chance, or not known to be small."""
    unknowns = unknowns_of(moved)
    away = float(unknowns @ np.linalg.solve(moved.covariance, unknowns))
    far = np.abs(moved.shift_px) + np.sqrt(np.diag(moved.covariance)[:2]) > STAYS_PX
    return bool(far.any() or chi2_sf(away, UNKNOWNS) < BY_CHANCE)


def size_px(moved: Movement, xy_px: Floats, lens: Floats) -> Floats:
    """Return by how much points (n, 2) of the reference moved, (n, 2)."""
    return carried(xy_px, unknowns_of(moved), lens) - xy_px


def unknowns_of(moved: Movement) -> Floats:
    """Return shift, turn and logarithm of the zoom (4,)."""
    return np.array([*moved.shift_px, moved.turn_rad, np.log(moved.zoom)])


def common_u_px(moved: Movement, xy_px: Floats, lens: Floats, *, corrected: bool) -> float:
    """Return how uncertain places (n, 2) of the reference are in the moved picture.

    It is the standard uncertainty u of each coordinate that, taken as common to all points,
    allows for every error of the movement: n u^2 is the largest eigenvalue of its covariance
    over all coordinates. Where the movement is not `corrected`, the movement itself is the error.
    Places of which the lens model has none take no part.
    """
    xy_px = xy_px[reached(xy_px, lens)]
    unknowns = unknowns_of(moved)
    by = slopes(xy_px, unknowns if corrected else np.zeros(UNKNOWNS), lens).reshape(-1, UNKNOWNS)
    spread = moved.covariance if corrected else moved.covariance + np.outer(unknowns, unknowns)
    root = np.linalg.cholesky(spread + 1e-18 * np.eye(UNKNOWNS))
    largest = float(np.linalg.norm(by @ root, 2))
    return largest / float(np.sqrt(len(xy_px)))


def rezoomed(moved: Movement, width_px: int) -> bool:
    """Tell whether the lens was zoomed or focused anew, which no bump does.

    The zoom must move the picture's sides by more than half a pixel and be more than chance.
    """
    size = abs(float(np.log(moved.zoom)))
    by_px = ZOOM_AT * width_px * size
    return by_px > ZOOM_PX and size > SURE * float(np.sqrt(moved.covariance[3, 3]))


def _by_features(
    reference: Picture, picture: Picture, lens: Floats, hidden: Bools | None = None
) -> Movement | None:
    """Match pieces of the background; None where too few agree on one movement."""
    flat = [_evened(each) for each in (reference, picture)]
    clear = _contrast(reference) >= LEAST_LEVELS
    if hidden is not None:
        clear &= ~hidden
        flat = [np.where(hidden, np.uint8(128), each) for each in flat]
    points = _corners(flat[0], clear)
    points = points[reached(points.astype(float), lens)]
    if len(points) < LEAST_MATCHES:
        return None
    best: _Agreed | None = None
    for start in _starts(flat[0], flat[1]):
        found = _agreed(flat[0], flat[1], points, start, lens)
        if found is not None and (best is None or found.agree.sum() > best.agree.sum()):
            best = found
        if best is not None and best.agree.mean() > PLAIN:
            break
    if best is not None:  # once more from there: following ends a little short of the truth
        best = _agreed(flat[0], flat[1], points, best.unknowns, lens)
    if best is None or best.agree.sum() < max(LEAST_MATCHES, LEAST_SHARE * len(best.agree)):
        return None
    cells = _cells(best.from_px, reference.shape)
    if len(np.unique(cells[best.agree])) < LEAST_CELLS:
        return None
    return Movement(
        shift_px=best.unknowns[:2],
        turn_rad=float(best.unknowns[2]),
        zoom=float(np.exp(best.unknowns[3])),
        covariance=_covariance(best, lens, cells),
        method="features",
        matches=int(best.agree.sum()),
        rms_px=float(np.sqrt(np.mean(best.left_px[best.agree] ** 2))),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Agreed(Value):
    """Features (n, 2), the movement (4,) that most follow, and which of them (n,) do."""

    from_px: Floats
    unknowns: Floats
    weights: Floats
    left_px: Floats
    agree: Bools


def _agreed(
    first: Picture, second: Picture, points: Single, start: Floats, lens: Floats
) -> _Agreed | None:
    """Follow the features from a movement that is guessed, and fit the one they show."""
    pairs = _followed(first, second, points, start, lens)
    if len(pairs[0]) < LEAST_MATCHES:
        return None
    found, weights, left = fit(*pairs, lens, start, np.ones(len(pairs[0])))
    agree = (weights > LEAST_WEIGHT) & (np.linalg.norm(left, axis=1) < MOST_LEFT_PX)
    return _Agreed(from_px=pairs[0], unknowns=found, weights=weights, left_px=left, agree=agree)


def _evened(picture: Picture) -> Picture:
    """Return the picture with brightness and contrast evened out, (h, w) uint8."""
    level = picture.astype(np.float32)
    away = level - cv2.GaussianBlur(level, (0, 0), 12.0)
    contrast = np.sqrt(cv2.GaussianBlur(away * away, (0, 0), 24.0))
    return np.asarray(np.clip(128.0 + 40.0 * away / (contrast + SOFT_LEVELS), 0, 255), np.uint8)


def _contrast(picture: Picture) -> Single:
    """Return the RMS contrast (h, w) of what can be followed, in luma levels."""
    level = picture.astype(np.float32)
    away = cv2.GaussianBlur(level, (0, 0), 1.5) - cv2.GaussianBlur(level, (0, 0), 12.0)
    return np.asarray(np.sqrt(cv2.GaussianBlur(away * away, (0, 0), 6.0)), np.float32)


def _starts(first: Picture, second: Picture) -> list[Floats]:
    """Return where to begin: the shift of most of the picture by its phase, and no shift."""
    small = [cv2.resize(each, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
             for each in (first, second)]  # fmt: skip
    window = cv2.createHanningWindow((small[0].shape[1], small[0].shape[0]), cv2.CV_32F)
    shift, _ = cv2.phaseCorrelate(small[0].astype(np.float32), small[1].astype(np.float32), window)
    phase = np.array([2.0 * shift[0], 2.0 * shift[1], 0.0, 0.0])
    still = np.zeros(UNKNOWNS)
    return [phase, still] if np.hypot(*phase[:2]) > 1.0 else [still, phase]


def _followed(
    first: Picture, second: Picture, points: Single, start: Floats, lens: Floats
) -> Features:
    """Return features of the first picture that are found in the second, there and back."""
    guess = carried(points.astype(float), start, lens).astype(np.float32)
    there, good = _flow(first, second, points, guess)
    back, home = _flow(second, first, there, points)
    away = np.linalg.norm(back - points, axis=1)
    height, width = first.shape
    inside = np.all((there > 4) & (there < [width - 5, height - 5]), axis=1)
    kept = good & home & (away < THERE_AND_BACK_PX) & inside
    return points[kept].astype(float), there[kept].astype(float)


def _flow(first: Picture, second: Picture, points: Single, guess: Single) -> tuple[Single, Bools]:
    """Follow points (n, 2) from one picture into the other, beginning at `guess` (n, 2)."""
    there, good, _ = cv2.calcOpticalFlowPyrLK(
        first,
        second,
        points[:, None],
        guess[:, None].copy(),
        winSize=(WINDOW, WINDOW),
        maxLevel=LEVELS,
        criteria=(cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 40, 0.003),
        flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
    )
    return np.asarray(there, np.float32)[:, 0], np.asarray(good).ravel() == 1


def _corners(picture: Picture, clear: Bools) -> Single:
    """Return places (n, 2) float32 that can be followed, taken evenly over what is `clear`."""
    height, width = picture.shape
    each = MOST_FEATURES // (CELLS[0] * CELLS[1])
    found = []
    quality = np.where(clear, cv2.cornerMinEigenVal(picture, 7), 0.0)
    mask = clear.astype(np.uint8)
    least = 0.02 * float(np.quantile(quality, 0.999))
    columns = np.linspace(8, width - 8, CELLS[0] + 1).astype(int)
    rows = np.linspace(8, height - 8, CELLS[1] + 1).astype(int)
    for top, bottom in pairwise(rows):
        for left, right in pairwise(columns):
            part = quality[top:bottom, left:right]
            strong = float(part.max())
            if strong <= 0.0 or strong < least:
                continue
            corners = cv2.goodFeaturesToTrack(
                picture[top:bottom, left:right], each, max(0.05, least / strong), 9.0,
                mask=mask[top:bottom, left:right],
            )  # fmt: skip
            if corners is not None:
                found.append(corners[:, 0] + np.array([left, top], np.float32))
    return np.concatenate(found) if found else np.empty((0, 2), np.float32)


def _cells(xy_px: Floats, shape: tuple[int, ...]) -> Ints:
    """Return the number of the cell (n,) in which each point lies."""
    across = np.clip(xy_px[:, 0] / shape[1] * CELLS[0], 0, CELLS[0] - 1).astype(int)
    down = np.clip(xy_px[:, 1] / shape[0] * CELLS[1], 0, CELLS[1] - 1).astype(int)
    return np.asarray(down * CELLS[0] + across)


def _covariance(found: _Agreed, lens: Floats, cells: Ints) -> Floats:
    """Return the covariance (4, 4) from the residuals, those of a cell taken as one.

    What moves a piece of the background (wind, a codec's block, nearness to the camera) moves
    its neighbours too. The sandwich with clusters: K.-Y. Liang, S. L. Zeger, Biometrika 73 (1986)
    13-22, with the usual factor for few of them.
    """
    kept = found.weights > 0.0
    by = slopes(found.from_px[kept], found.unknowns, lens)
    weighted = by * found.weights[kept][:, None, None]
    bread = np.linalg.inv(np.einsum("nia,nib->ab", weighted, by))
    scores = np.einsum("nia,ni->na", weighted, found.left_px[kept])
    names = np.unique(cells[kept])
    sums = np.array([scores[cells[kept] == name].sum(axis=0) for name in names])
    meat = sums.T @ sums * len(names) / max(len(names) - UNKNOWNS, 1)
    reach = float(np.max(np.abs(found.from_px - lens[2:4])))
    floor = np.diag([FLOOR_PX, FLOOR_PX, FLOOR_PX / reach, FLOOR_PX / reach]) ** 2
    return np.asarray(bread @ meat @ bread + floor)
