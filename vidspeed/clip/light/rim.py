"""Fit a lamp that saturates widely by its rim: of what lies within, no pixel tells anything.

How the light falls off around a core that is white depends on lens, sensor and haze, but wherever
the lamp is, it does so on all sides alike. So the lamp's level is taken to be some function of the
distance to a segment, the way of its middle during the exposure, and that function is fitted
together with the segment, as a chain of straight pieces. It is the level before black: light adds
up, not levels, so that a bright ground is hardly seen beside a brighter lamp. Pixels that are full
ask only that the model be so, too. What is alike on both sides of the middle (a rim that no segment
describes) cannot move it; what differs shows in the sums of the rim's parts, each with the part
opposite.

Linear least squares with the function's values as nuisance: G. H. Golub, V. Pereyra, "The
differentiation of pseudo-inverses and nonlinear least squares problems whose variables separate",
SIAM J. Numer. Anal. 10 (1973) 413-432. Sums over parts in which errors hang together: K.-Y. Liang,
S. L. Zeger, "Longitudinal data analysis using generalized linear models", Biometrika 73 (1986)
13-22.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np

from vidspeed.clip.light.core import Patch
from vidspeed.values import Bools, Floats, Ints, Value

CURVE = 2.2  # light over level, as exponents: between the usual curves (IEC 61966-2-1, BT.1886)
LOW = 0.35  # of the way from the ground to white: below, veils and other lights are seen
BESIDE_PX = 1.5  # to either side of what lies between that and white
RING_PX = 4.0  # of a rim that fades slowly, at least, where a patch does not hold all of it
KNOT_PX, KNOTS = 0.75, 12  # least distance of the pieces' ends, and how many there are at most
ROUNDS, BANDS = 30, 3  # steps of the fit, and times that its pixels are chosen anew
SETTLED_PX = 1e-3  # a step that is smaller ends the fit
LONGEST = 0.5  # of the radius: a step is no longer, since slopes are those of the rim
PART_PX, FEWEST, MOST = 8.0, 6, 16  # a part of half the rim: a block of a coder, and their number
LEAST_PIXELS = 40
LEAST_SEEN = 0.4  # of the rim
SINGULAR = 1e-9  # of the largest: a smaller eigenvalue of the normal matrix determines nothing
SHARP_PX = 1e-3  # half vector, at least: its direction is needed
SIDES = 8  # of half a turn


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rim(Value):
    """A lamp fitted by its rim; pixels.

    `places` (4,) are middle and half vector, `cov` (4, 4) their covariance as the rim's parts
    scatter. `radius_px` is that of the rim's middle about the segment, `band_px` how wide it is.
    `leans` (2,) is how far the middle moves for each pixel by which a contour is wider, `leans_cov`
    (2, 2) its covariance. `odd` (8,) is by how many pixels the rim lies farther out to one side of
    the middle than to the other, by the angle in the picture. `noise` is a pixel's standard
    deviation and `height` white above the ground, in levels; `cut` says that a part of the rim lies
    beyond the patch.
    """

    places: Floats
    cov: Floats
    radius_px: float
    band_px: float
    leans: Floats
    leans_cov: Floats
    odd: Floats
    noise: float
    height: float
    cut: bool


class _Band(NamedTuple):
    """The pixels of a rim, n of them, and the ends (k,) of the function's pieces.

    Levels count from black: `value` and `ground` (n,), from where pixels are `full`, the `top`.
    """

    x: Floats
    y: Floats
    value: Floats
    ground: Floats
    full: float
    top: float
    knots: Floats
    radius_px: float
    cut: bool


class _Seen(NamedTuple):
    """Of each pixel (n,): its distance, the part `t` along the segment, the unit vector from it."""

    far: Floats
    t: Floats
    way: Floats


def rim_of(patch: Patch, known: tuple[Floats, Floats] | None = None) -> Rim | None:
    """Fit the rim of a lamp; None where that does not determine its place.

    `known` are half vector (2,) and its standard deviation (2,) where a part of the rim is not
    seen, which then does not tell how long it is.
    """
    places = _start(patch)
    if places is None:
        return None
    if known is not None:
        places[2:] = known[0]
    band = None
    for _ in range(BANDS):
        band = _band(patch, places)
        if band is None:
            return None
        moved = _fitted(band, places, known)
        if moved is None:
            return None
        last, places = places, moved
        if np.abs(places - last).max() < 0.1:
            break
    return band and _judged(patch, band, places, known)


def _start(patch: Patch) -> Floats | None:
    """Return middle and half vector (4,) that area and second moments of what is full suggest."""
    full = ((patch.value >= patch.full_level) & patch.own).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(full, connectivity=8)
    if count < 2:
        return None
    core = labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    x, y, area = patch.x[core], patch.y[core], float(core.sum())
    if area < LEAST_PIXELS:
        return None
    values, ways = np.linalg.eigh(np.cov(np.stack([x, y]), bias=True))
    inner = cv2.distanceTransform(np.pad(core.astype(np.uint8), 1), cv2.DIST_L2, 5).max()
    half = max((area / float(inner) - np.pi * float(inner)) / 4.0, 0.05)
    half = min(half, float(np.sqrt(3.0 * values[1])))
    return np.array([x.mean(), y.mean(), *(half * ways[:, 1])])


def _seen_from(places: Floats, x: Floats, y: Floats) -> _Seen:
    """Return how pixels lie to the segment of some places (4,)."""
    dx, dy, (half_x, half_y) = x - places[0], y - places[1], places[2:]
    length = max(float(np.hypot(half_x, half_y)), SHARP_PX)
    t = np.clip((dx * half_x + dy * half_y) / length**2, -1.0, 1.0)
    away_x, away_y = dx - t * half_x, dy - t * half_y
    far = np.maximum(np.hypot(away_x, away_y), 1e-6)
    return _Seen(far, t, np.stack([away_x / far, away_y / far]))


def _band(patch: Patch, places: Floats) -> _Band | None:
    """Choose the pixels of the rim: from where some are not full to where it is hardly bright."""
    seen = _seen_from(places, patch.x, patch.y)
    steps = seen.far[patch.own].astype(int)
    count = np.bincount(steps)
    some = np.maximum(count, 1)
    value, under = (np.bincount(steps, of[patch.own]) / some for of in (patch.value, patch.ground))
    share = (value - under) / np.maximum(patch.full_level - under, 1.0)
    inner = int(np.argmax((share < 1.0) & (count > 0) & (np.arange(len(count)) > 1)))
    below = np.flatnonzero((share < LOW) & (np.arange(len(count)) > inner))
    if not inner:
        return None
    outer = min(float(below[0]) if len(below) else np.inf, 2.0 * inner + 8.0)
    low, high = max(inner - BESIDE_PX, 1.0), outer + BESIDE_PX
    edge = np.concatenate([seen.far[0], seen.far[-1], seen.far[:, 0], seen.far[:, -1]]).min()
    if edge >= inner + RING_PX:  # so much is seen all around: what lies beyond is not needed
        high = min(high, float(edge))
        outer = high - BESIDE_PX
    chosen = patch.own & (seen.far >= low) & (seen.far < high)
    if chosen.sum() < LEAST_PIXELS:
        return None
    knots = np.linspace(low, high, min(int((high - low) / KNOT_PX), KNOTS) + 1)
    return _Band(
        patch.x[chosen], patch.y[chosen], *_above(patch, chosen),
        patch.full_level - patch.black, 255.0 - patch.black,
        knots, 0.5 * (inner + outer), bool(edge < high),
    )  # fmt: skip


def _above(patch: Patch, chosen: Bools) -> tuple[Floats, Floats]:
    """Return value (n,) and ground (n,) of chosen pixels, counted from black."""
    value, ground = patch.value[chosen] - patch.black, patch.ground[chosen] - patch.black
    return value, np.maximum(ground, 0.0)


def _added(ground: Floats, lamp: Floats) -> tuple[Floats, Floats]:
    """Return the level (n,) of ground and lamp together, and its slope by the lamp's level (n,)."""
    lamp = np.maximum(lamp, 1e-3)
    level = (ground**CURVE + lamp**CURVE) ** (1.0 / CURVE)
    return level, (lamp / level) ** (CURVE - 1.0)


def _pieces(band: _Band, far: Floats) -> Floats:
    """Return the share (n, k) that each value of the function has at distances (n,)."""
    step = band.knots[1] - band.knots[0]
    return np.asarray(np.maximum(1.0 - np.abs(far[:, None] - band.knots) / step, 0.0))


def _slopes(band: _Band, far: Floats, levels: Floats) -> Floats:
    """Return the function's slope (n,) at distances (n,), 0 beyond its ends."""
    step = band.knots[1] - band.knots[0]
    rise = np.concatenate([[0.0], np.diff(levels) / step, [0.0]])
    piece = np.floor((far - band.knots[0]) / step).astype(int) + 1
    return np.asarray(rise[np.clip(piece, 0, len(rise) - 1)])


def _rows(band: _Band, places: Floats, levels: Floats) -> tuple[_Seen, Floats, Floats, Floats]:
    """Return how pixels are seen, residuals (n,), slopes by places (n, 4), and pieces (n, k)."""
    seen = _seen_from(places, band.x, band.y)
    pieces = _pieces(band, np.clip(seen.far, band.knots[0], band.knots[-1]))
    model, share = _added(band.ground, pieces @ levels)
    share *= ~((model >= band.full) & (band.value >= band.full))
    residual = (band.value - np.minimum(model, band.top)) * (share > 0.0)
    by_middle = -share * _slopes(band, seen.far, levels) * seen.way
    return seen, residual, np.vstack([by_middle, seen.t * by_middle]).T, pieces * share[:, None]


def _levels(band: _Band, places: Floats) -> Floats:
    """Return the function's values (k,) that fit best at some places."""
    seen = _seen_from(places, band.x, band.y)
    pieces = _pieces(band, np.clip(seen.far, band.knots[0], band.knots[-1]))
    lamp = np.maximum(band.value**CURVE - band.ground**CURVE, 0.0) ** (1.0 / CURVE)
    _, share = _added(band.ground, lamp)
    weighed = pieces * share[:, None] ** 2
    normal = weighed.T @ pieces + 1e-3 * np.eye(len(band.knots))
    return np.asarray(np.linalg.solve(normal, weighed.T @ lamp))


def _held(known: tuple[Floats, Floats] | None, noise: float) -> Floats:
    """Return what is known of middle and half vector as a normal matrix's diagonal (4,)."""
    sd = np.full(4, np.inf)
    if known is not None:
        sd[2:] = known[1]
    return np.asarray((noise / sd) ** 2, dtype=np.float64)


def _fitted(band: _Band, places: Floats, known: tuple[Floats, Floats] | None) -> Floats | None:
    """Return the places (4,) at which the rim fits best, None where nothing determines them."""
    levels, now, damping, cost = _levels(band, places), places, 1e-3, np.inf
    best = now, levels
    for _ in range(ROUNDS):
        _, residual, slopes, pieces = _rows(band, now, levels)
        noise = float(np.sqrt(np.mean(residual**2))) + 0.3
        tight = _held(known, noise)
        off = np.zeros(4) if known is None else np.append([0.0, 0.0], known[0] - now[2:])
        new_cost = float(residual @ residual + off**2 @ tight)
        if new_cost <= cost:
            best, cost, damping = (now, levels), new_cost, damping / 4.0
            columns = np.hstack([slopes, pieces])
            normal, pull = columns.T @ columns, columns.T @ residual
            normal[range(4), range(4)] += tight
            pull[:4] += tight * off
        else:
            damping *= 16.0
        size = np.diag(normal)
        if not size[:4].min() > SINGULAR * size[:4].max():
            return None
        damped = normal + np.diag(damping * size + 1e-3)
        step = np.linalg.solve(damped, pull)
        longest = float(np.abs(step[:4]).max()) / (LONGEST * band.radius_px)
        step /= max(longest, 1.0)
        now, levels = best[0] + step[:4], best[1] + step[4:]
        if np.abs(step[:4]).max() < SETTLED_PX:
            break
    return best[0]


def _judged(
    patch: Patch, band: _Band, places: Floats, known: tuple[Floats, Floats] | None
) -> Rim | None:
    """Return a rim with its covariances, None where it does not determine the place."""
    levels = _levels(band, places)
    seen, residual, slopes, pieces = _rows(band, places, levels)
    lean = slopes[:, :2] * (seen.far - band.radius_px)[:, None]
    noise = float(np.sqrt(np.mean(residual**2))) + 0.3
    own = pieces.T @ pieces + 1e-3 * np.eye(pieces.shape[1])
    columns = np.hstack([slopes, lean])
    columns = columns - pieces @ np.linalg.solve(own, pieces.T @ columns)
    left = residual - pieces @ np.linalg.solve(own, pieces.T @ residual)
    tight = _held(known, noise)
    normal = columns[:, :4].T @ columns[:, :4] + np.diag(tight)
    all_of_it = columns.T @ columns + np.diag(np.append(tight, [1e-6, 1e-6]))
    values = np.linalg.eigvalsh(all_of_it)
    part, parts = _parts(band, seen, places)
    seen_share = len(np.unique(part)) / (2.0 * parts)
    if not values[0] > SINGULAR * values[-1] or seen_share < LEAST_SEEN:
        return None
    spread = np.linalg.inv(normal)
    last = spread @ (columns[:, :4].T @ left)  # by what another step would still go
    left = left - columns[:, :4] @ last
    sums = np.stack(
        [np.bincount(part % parts, column * left, minlength=parts) for column in columns.T]
    )
    meat = sums @ sums.T * (parts / (parts - 2.0))
    whole = np.linalg.inv(all_of_it)
    leaning = whole @ (columns.T @ residual)
    cov = spread @ meat[:4, :4] @ spread + np.outer(last, last)
    if known is not None:
        cov += spread @ np.diag((tight[2:] * known[1]) ** 2 @ np.eye(4)[2:]) @ spread
    if not np.all(np.isfinite(cov)):
        return None
    return Rim(
        places=places, cov=cov, radius_px=band.radius_px,
        band_px=float(band.knots[-1] - band.knots[0]) - 2.0 * BESIDE_PX,
        leans=leaning[4:], leans_cov=(whole @ meat @ whole)[4:, 4:],
        odd=_odd(band, seen, left, levels),
        noise=noise,
        height=band.full - float(np.median(band.ground)), cut=band.cut,
    )  # fmt: skip


def _odd(band: _Band, seen: _Seen, left: Floats, levels: Floats) -> Floats:
    """Return by how much farther out the rim lies to one side than to the other (SIDES,)."""
    turn = np.arctan2(seen.way[1], seen.way[0]) / np.pi + 1.0
    side = np.minimum((turn * SIDES).astype(int), 2 * SIDES - 1)
    pieces = _pieces(band, np.clip(seen.far, band.knots[0], band.knots[-1]))
    steep = _added(band.ground, pieces @ levels)[1] * _slopes(band, seen.far, levels)
    out, sure = (np.bincount(side, of, minlength=2 * SIDES) for of in (-steep * left, steep**2))
    far = out / np.maximum(sure, 1e-9)
    there = (sure[:SIDES] > 0.0) & (sure[SIDES:] > 0.0)
    return np.asarray(np.where(there, 0.5 * (far[:SIDES] - far[SIDES:]), 0.0))


def _parts(band: _Band, seen: _Seen, places: Floats) -> tuple[Ints, int]:
    """Return in which part (n,) of the rim pixels lie, and in how many half of it is divided.

    Parts are as long as each other along a stadium about the segment; the one opposite has a number
    that is larger by that of the half's.
    """
    length = max(float(np.hypot(*places[2:])), SHARP_PX)
    ahead, radius = places[2:] / length, band.radius_px
    turn = np.arctan2(ahead[0] * seen.way[1] - ahead[1] * seen.way[0], ahead @ seen.way)
    turn = np.where(turn < 0.0, turn + 2.0 * np.pi, turn)
    upper = turn < np.pi
    turn = np.where(upper, turn, turn - np.pi)
    along = np.where(upper, seen.t, -seen.t)
    at = radius * turn + length * (1.0 - along)
    half = np.pi * radius + 2.0 * length
    parts = int(np.clip(round(half / PART_PX), FEWEST, MOST))
    place = np.minimum((at / half * parts).astype(int), parts - 1)
    return np.where(upper, place, place + parts), parts
