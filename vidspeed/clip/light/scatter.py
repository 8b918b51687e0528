"""Judge the stated errors of a lamp's lights by how their places scatter about a smooth way.

What resembles a small shift of the light is taken for one by the fit, and no residual shows it: a
coder that drops what it holds for little leaves such errors. The places of successive lights show
them, for the true way is smooth over a few frames. Of an error that stays over many frames they
show only a part; how much is worked out from how much of a frame's errors a coder carries into
the next, and that can be seen in the pictures: what the fit leaves of a light is then like what
it left of the light before, while the noise of a camera is new in every frame.

The blocks of a coder stand still in the picture. It moves a light to where a block describes it
well, or leaves out what reaches into the next block, and so errs by where in a block the light
lies. A way along the rows meets new columns in every frame and the same rows again and again: its
errors along scatter, but a part of those across, which are of the same kind, goes slowly with the
row. It cannot be told from a bend of the way, and no residual shows it where the light is moved
whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from vidspeed.clip.light.grain import PATTERNS, Noise, Residuals, odd_part
from vidspeed.clip.light.profile import X, Y
from vidspeed.values import Bools, Floats, Ints, Sway

LEAST_LIGHTS = 6
MOST_LIGHTS = 96  # that one trend describes
DEGREE, PER_DEGREE = 4, 8  # of the trend, and one more for so many lights
OWN_DEGREES = 8.0  # how many degrees of freedom the stated errors are worth beside the scatter
FAR_OUT = 5.0  # robust standard deviations: what lies beyond counts as that far,
MOST_FAR = 0.1  # or, of no more than so many, not at all
CORE = 0.1  # of a light's largest level: pixels above are compared with the frame before
CHANCE = 0.03  # by which the noise of two frames may look alike
STAYS, MOST = 3.0, 0.9  # measured: errors of the place stay so many times as much as pixels'
IN_ROWS, ROW_PX = 0.4, 0.5  # measured: share of the variance of a coder's errors that belongs to
# the row or column that a light lies in, and over how much of a pixel that changes
ROUNDS = 4
BESIDE = 3  # lights on either side that give the direction of the way
AROUND_S = 0.1  # before the first light and after the last in which the sway is looked at
SHAKEN_PX = 0.15  # RMS from which the picture's sway is part of the trend


class _About(NamedTuple):
    """How lights scatter about a trend, along and across the way.

    `squares` (2,) over the stated variances, and what they should add up to, `degrees` (2,).
    `far` (n,) are the lights beyond `FAR_OUT`. `fresh` and `in_rows` are what squares across would
    add up to of errors that are new in every light, and of those of the rows and columns.
    """

    squares: Floats
    degrees: Floats
    far: Bools
    fresh: float
    in_rows: float


def carried_on(frame: Ints, left: Sequence[Residuals], noise: Noise) -> float:
    """Return how like the odd part of residuals is to that of the frame before, 0 to 1.

    Lights of frames (n,) in a row are laid on each other by whole pixels.
    """
    odd = [odd_part(one, noise) for one in left]
    both, before, after = 0.0, 0.0, 0.0
    for k in np.flatnonzero(np.diff(frame) == 1).tolist():
        one, other = _laid_on(left[k], odd[k], left[k + 1], odd[k + 1])
        both += float(one @ other)
        before += float(one @ one)
        after += float(other @ other)
    return max(both, 0.0) / max(float(np.sqrt(before * after)), 1e-12)


def scatter_of(
    time_s: Floats,
    frame: Ints,
    xy_px: Floats,
    cov_px2: Floats,
    carried: float,
    sway: Sway | None = None,
    *,
    proves: float = 0.0,
    own_degrees: float = OWN_DEGREES,
    in_blocks: bool = False,
    stamp_u_s: float = 0.0,
) -> tuple[float, float]:
    """Return by what the stated errors of places must be multiplied, along and across the way.

    Standard deviations, 1 of fewer than six lights. The scatter and the stated errors are weighed
    by their degrees of freedom, `own_degrees` of the latter: that is the mean of a variance of
    which both tell. Taking only what exceeds chance would be too much on the mean. Places that
    agree better than is stated are surer only as far as that `proves` it, and as errors are new in
    every frame. Of a coder that describes pictures `in_blocks`, what the trend takes away of its
    errors across is taken to be as much larger than stated as those along are, without what the
    stamps' own uncertainty makes of these. `xy_px` (n, 2), `cov_px2` (n, 2, 2); `carried` as from
    `carried_on`, `proves` as from `proving`.
    """
    if len(time_s) < LEAST_LIGHTS:
        return 1.0, 1.0
    stays = min(STAYS * max(carried - CHANCE, 0.0), MOST)
    found, expected, fresh, in_rows = np.zeros(2), np.zeros(2), 0.0, 0.0
    for part in np.array_split(np.arange(len(time_s)), -(-len(time_s) // MOST_LIGHTS)):
        moved = _moved(sway, time_s[part])
        about = _of_most(time_s[part], frame[part], xy_px[part], cov_px2[part], stays, moved)
        found += about.squares
        expected += about.degrees
        fresh += about.fresh
        in_rows += about.in_rows
    ratio = (own_degrees + found) / (own_degrees + expected)
    surer = proves * (1.0 - stays)
    ratio = np.where(ratio < 1.0, 1.0 - surer * (1.0 - ratio), ratio)
    if in_blocks:
        hidden = max(1.0 - in_rows / max(fresh, 1e-9), 0.0)
        larger = ratio[0] - 1.0 - _of_stamps(time_s, xy_px, cov_px2, stamp_u_s)
        ratio[1] += IN_ROWS * hidden * max(larger, 0.0)
    return float(np.sqrt(ratio[0])), float(np.sqrt(ratio[1]))


def proving(snr: Floats, *, alone: bool) -> float:
    """Return how far places that agree prove that lights (n,) of `snr` are surer, 0 to 1.

    Wholly where every frame is coded `alone`. Else a coder can put the patterns that it leaves of
    faint lights into the same wrong row of many frames; bright ones it has to describe in each.
    """
    if alone:
        return 1.0
    over = float(np.median(snr)) ** 2
    return over / (over + PATTERNS**2)


def stretched(xy_px: Floats, cov_px2: Floats, scatter: tuple[float, float]) -> Floats:
    """Return covariances (n, 2, 2) multiplied along and across the way of the lights."""
    axes = _axes(xy_px)
    stretch = np.swapaxes(axes, 1, 2) @ (np.array(scatter)[:, None] * axes)
    return np.asarray(stretch @ cov_px2 @ np.swapaxes(stretch, 1, 2))


def _laid_on(
    before: Residuals, odd_before: Floats, after: Residuals, odd_after: Floats
) -> tuple[Floats, Floats]:
    """Return the odd parts (m,) of a light and of the next one where both have one."""
    one, other, level = before.pixels, after.pixels, np.abs(after.fit.modelled)
    step = np.rint(after.fit.parameters[[X, Y]] - before.fit.parameters[[X, Y]]).astype(int)
    left, top = int(other.x.min()), int(other.y.min())
    columns, rows = one.x.astype(int) + step[0] - left, one.y.astype(int) + step[1] - top
    picture = np.zeros((int(other.y.max()) - top + 1, int(other.x.max()) - left + 1))
    core = level > CORE * level.max()
    picture[other.y[core].astype(int) - top, other.x[core].astype(int) - left] = odd_after[core]
    inside = (columns >= 0) & (rows >= 0)
    inside &= (columns < picture.shape[1]) & (rows < picture.shape[0])
    here, there = odd_before[inside], picture[rows[inside], columns[inside]]
    both = (here != 0.0) & (there != 0.0)
    return here[both], there[both]


def _axes(xy_px: Floats) -> Floats:
    """Return unit vectors (n, 2, 2) along and across the way at each light, in rows."""
    place = np.arange(len(xy_px))
    ahead = xy_px[np.minimum(place + BESIDE, len(place) - 1)]
    along = ahead - xy_px[np.maximum(place - BESIDE, 0)]
    along = along / np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    return np.stack([along, np.column_stack([-along[:, 1], along[:, 0]])], axis=1)


def _of_most(
    time_s: Floats, frame: Ints, xy_px: Floats, cov_px2: Floats, stays: float, moved: Floats
) -> _About:
    """Return how lights scatter about a trend, without a few far ones.

    What lies many times as far off as most is another kind of error (the frame in which the
    exposure jumped, a light of something else), which tells nothing of theirs.
    """
    about = _about_trend(time_s, frame, xy_px, cov_px2, stays, moved)
    near = ~about.far
    if near.all() or about.far.mean() > MOST_FAR or near.sum() < LEAST_LIGHTS:
        return about
    some = time_s[near], frame[near], xy_px[near], cov_px2[near]
    return _about_trend(*some, stays, moved[near])


def _about_trend(
    time_s: Floats, frame: Ints, xy_px: Floats, cov_px2: Floats, stays: float, moved: Floats
) -> _About:
    """Return how lights scatter about a trend.

    `moved` (n, k, 2) are shapes in time that a trend may hold in x and in y.
    """
    count, axes = len(time_s), _axes(xy_px)
    spread = axes @ cov_px2 @ np.swapaxes(axes, 1, 2)
    white = axes / np.sqrt(spread[:, [0, 1], [0, 1]])[:, :, None]
    tau = 2.0 * (time_s - time_s[0]) / max(float(np.ptp(time_s)), 1e-9) - 1.0
    smooth = np.polynomial.legendre.legvander(tau, min(DEGREE + count // PER_DEGREE, count - 4))
    shapes = np.concatenate([np.repeat(smooth[:, :, None], 2, axis=2), moved], axis=1)
    design = np.einsum("nij,nkj->nikj", white, shapes).reshape(2 * count, -1)
    value = np.einsum("nij,nj->ni", white, xy_px - xy_px.mean(axis=0)).reshape(-1)
    weight = np.ones(2 * count)
    for _ in range(ROUNDS):
        base = np.linalg.qr(design * weight[:, None])[0]
        left = (value * weight - base @ (base.T @ (value * weight))).reshape(count, 2)
        size = np.abs(left / weight.reshape(count, 2))
        limit = FAR_OUT / 0.6745 * np.maximum(np.median(size, axis=0), 1e-9)
        weight = np.sqrt(np.minimum(1.0, limit / np.maximum(size, 1e-12))).reshape(-1)
    far = np.any(size > limit, axis=1)
    apart = np.abs(frame[:, None] - frame[None, :])
    together = np.power(stays, apart) if stays > 0.0 else np.eye(count)
    degrees = np.empty(2)
    for axis in (0, 1):  # the last is across
        free = np.eye(count) - base[axis::2] @ base[axis::2].T
        other = base[axis::2] @ base[1 - axis :: 2].T
        degrees[axis] = np.sum((free @ together) * free) + np.sum((other @ together) * other)
    return _About(
        squares=np.sum(np.minimum(size, limit) ** 2, axis=0),
        degrees=degrees,
        far=far,
        fresh=float(np.sum(free**2)),
        in_rows=float(np.sum((free @ _of_rows(axes[:, 1], xy_px)) * free)),
    )


def _of_rows(across: Floats, xy_px: Floats) -> Floats:
    """Return how alike (n, n) errors across a way are that belong to the rows and the columns.

    `across` (n, 2) are the unit vectors across it: of a level way it is its rows that tell.
    """
    near = np.exp(-np.abs(xy_px[:, None] - xy_px[None]) / ROW_PX)
    return np.asarray(np.einsum("ik,jk,ijk->ij", across, across, near))


def _of_stamps(time_s: Floats, xy_px: Floats, cov_px2: Floats, stamp_u_s: float) -> float:
    """Return how large a variance along the way stamps make, over the stated one."""
    along = _axes(xy_px)[:, 0]
    speed = np.sum(along * np.gradient(xy_px, time_s, axis=0), axis=1)
    return float(
        np.mean((speed * stamp_u_s) ** 2 / np.einsum("ni,nij,nj->n", along, cov_px2, along))
    )


def _moved(sway: Sway | None, time_s: Floats) -> Floats:
    """Return the picture's sway and its rate (n, 2, 2) at some times; (n, 0, 2) of a calm one.

    The rate allows for rows that are read at other times.
    """
    none = np.zeros((len(time_s), 0, 2))
    if sway is None or not len(sway.time_s):
        return none
    seen = np.isfinite(sway.away_px[:, :, 0]).any(axis=1)
    seen &= (sway.time_s > time_s[0] - AROUND_S) & (sway.time_s < time_s[-1] + AROUND_S)
    if seen.sum() < LEAST_LIGHTS:
        return none
    away, at = np.nanmedian(sway.away_px[seen], axis=1), sway.time_s[seen]
    if np.sqrt(np.mean(np.var(away, axis=0))) < SHAKEN_PX:
        return none
    rate = np.gradient(away, at, axis=0) * float(np.median(np.diff(at)))
    return np.stack(
        [
            np.column_stack([np.interp(time_s, at, one) for one in shape.T])
            for shape in (away, rate)
        ],
        axis=1,
    )
