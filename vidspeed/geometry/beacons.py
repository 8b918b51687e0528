"""Lamps that stand still: found in two pictures, and matched as one turned and zoomed view.

After dark they are often all that a picture shows of its surroundings, and between a picture by
day and one after dark they are all that both show. Chance matches are held off by counting: how
many agreements as good would be expected of lamps strewn at random.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import comb

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.geometry.turned import UNKNOWNS, carried, fit, reached, slopes
from vidspeed.values import Bools, Floats, Ints, Movement, Picture, Value

NARROW, WIDE = 1.6, 6.0  # Gaussians whose difference shows lamps, pixels
SIGMAS = 4.5  # above its surroundings
MOST = 400  # lamps of a picture, the strongest; by day most of them are none
ANCHORS = 12  # the strongest lamps of the darker picture: movements are guessed from these
APART_PX = 40.0  # two lamps nearer to each other than this guess no movement
MOST_TURN_RAD, MOST_ZOOM = 0.06, 0.04  # of a movement that is looked for
REACH = 0.08  # of the picture's width: the largest shift that is looked for
NEAR_PX = 2.5  # a lamp this near to where it should be is there
CHANCE = 1e-5  # expected number of chance agreements above which a match is not believed
MANY, LEAST_OF_MANY = 2.0, 4  # lamps of one picture over those of the other; that must agree then
PLAIN = 8.0  # a lamp's height over the roughness around it: fewer than four must all be so plain
UNEVEN = 1.25  # of a lamp's two halves: neighbouring pixels err alike, as a codec makes them
HALVES_PX = 4  # from its centre so far a lamp's halves are compared
FLOOR_PX = 0.01  # of a lamp's place; how crooked it is is seen and comes beside it
REACH_PX, WINDOW_PX = 8, 2.0  # half a lamp's patch; the window that finds its centre
SHARPEST = 0.35  # a light whose neighbours all stay below this share of it is a hot pixel


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Beacons(Value):
    """Lamps of one picture, strongest first: `xy_px` (n, 2), `u_px` (n,) of each coordinate.

    `plain` (n,) is how many times as high each is as its surroundings are rough.
    """

    xy_px: Floats
    u_px: Floats
    plain: Floats


def beacons(picture: Picture) -> Beacons:
    """Find small bright spots of a picture (h, w).

    What a codec or a crooked lamp does to its place shows in how unlike its two halves are. A
    faint lamp may come out of a codec round and yet beside its place: it is known no better than
    the middle one of the picture is round.
    """
    level = picture.astype(np.float32)
    raised = cv2.GaussianBlur(level, (0, 0), NARROW) - cv2.GaussianBlur(level, (0, 0), WIDE)
    calm = np.minimum(np.abs(raised), 4.0 * float(np.median(np.abs(raised))) + 2.0)
    around = np.sqrt(np.maximum(cv2.boxFilter(calm * calm, -1, (61, 61)), 0.0)) + 0.15
    tops = raised >= cv2.dilate(raised, np.ones((9, 9), np.uint8))
    there = tops & (raised > SIGMAS * around)
    there[:6], there[-6:], there[:, :6], there[:, -6:] = False, False, False, False
    rows, columns = np.nonzero(there)
    order = np.argsort(-(raised[rows, columns] / around[rows, columns]))[:MOST]
    noise = max(1.4826 * float(np.median(np.abs(level - cv2.medianBlur(picture, 3)))), 0.3)
    found = [_centred(level, int(columns[k]), int(rows[k])) for k in order]
    kept = np.array([row for row in found if row is not None]).reshape(-1, 6)
    if not len(kept):
        return Beacons(xy_px=kept[:, :2], u_px=kept[:, 2], plain=kept[:, 5])
    uneven = UNEVEN * np.maximum(kept[:, 4], np.median(kept[:, 4]))
    u_px = kept[:, 2] * np.maximum(np.maximum(noise, kept[:, 3]), uneven)
    return Beacons(xy_px=kept[:, :2], u_px=np.hypot(u_px, FLOOR_PX), plain=kept[:, 5])


def _centred(level: NDArray[np.float32], x: int, y: int) -> tuple[float, ...] | None:
    """Return the centre of a spot, how its error grows with noise, what noise is there, its height.

    The centre is where a Gaussian window finds as much light on either side of it, above a plane
    through what surrounds it. The noise is told twice: by the surroundings, and by what the two
    halves of the spot differ in; the height is over the first. None for a hot pixel.
    """
    height, width = level.shape
    half = REACH_PX if min(x, y, width - 1 - x, height - 1 - y) >= REACH_PX else 5
    patch = level[y - half : y + half + 1, x - half : x + half + 1].astype(float)
    light, rough = _above_plane(patch)
    beside = (light[half, half - 1], light[half, half + 1], light[half - 1, half],
              light[half + 1, half])  # fmt: skip
    if max(beside) < SHARPEST * light[half, half]:
        return None
    across = np.arange(-half, half + 1)
    place, total, lever = np.zeros(2), 0.0, 0.0
    for _ in range(30):
        sides = [np.exp(-0.5 * ((across - at) / WINDOW_PX) ** 2) for at in place]
        window = np.outer(sides[1], sides[0])
        weight = light * window
        total = float(weight.sum())
        if total <= 0.0:
            return None
        away = np.array([weight.sum(axis=0) @ across, weight.sum(axis=1) @ across]) / total - place
        place = place + np.clip(1.6 * away, -1.0, 1.0)  # about Newton's step for a sharp lamp
        lever = float(np.sqrt(np.sum((window * (across - place[0])) ** 2)))
        if np.abs(away).max() < 1e-3:
            break
    if np.abs(place).max() > 3.0:
        return None
    uneven = _unlike_halves(light, place + half)
    height = float(light[half - 2 : half + 3, half - 2 : half + 3].max()) / rough
    return x + place[0], y + place[1], 1.6 * lever / total, rough, uneven, height


def _unlike_halves(light: Floats, centre: Floats) -> float:
    """Return the noise of a pixel that makes a spot differ from itself turned by half a turn.

    The pixels that move the centre most count most.
    """
    from scipy.ndimage import map_coordinates  # here: slow to import

    steps = np.arange(-HALVES_PX, HALVES_PX + 1.0)
    grid = np.meshgrid(centre[1] + steps, centre[0] + steps, indexing="ij")
    seen = map_coordinates(light, grid, order=3, mode="mirror")
    apart = (seen - seen[::-1, ::-1]) / np.sqrt(2.0)
    away2 = steps[:, None] ** 2 + steps[None, :] ** 2
    weight = away2 * np.exp(-0.5 * away2 / WINDOW_PX**2)
    return float(np.sqrt(np.sum(weight * apart**2) / np.sum(weight)))


def _above_plane(patch: Floats) -> tuple[Floats, float]:
    """Return a patch above the plane through its border, and how rough the border is."""
    size = len(patch)
    rows, columns = np.mgrid[0:size, 0:size]
    border = (rows < 2) | (columns < 2) | (rows >= size - 2) | (columns >= size - 2)
    design = np.column_stack([np.ones(size * size), rows.ravel(), columns.ravel()])
    edge = border.ravel()
    kept = edge.copy()
    plane = np.zeros(3)
    for _ in range(3):  # without what stands out of it: another lamp
        plane = np.linalg.lstsq(design[kept], patch.ravel()[kept], rcond=None)[0]
        left = patch.ravel() - design @ plane
        spread = 1.4826 * float(np.median(np.abs(left[edge]))) + 0.2
        kept = edge & (np.abs(left) < 3.0 * spread)
    return left.reshape(size, size), spread


def match_beacons(
    reference: Picture, picture: Picture, lens: Floats, hidden: Bools | None = None
) -> Movement | None:
    """Return how `picture` lies against `reference` by their lamps, None where chance could do it.

    Two lamps are needed; the more of them agree, the likelier it is no chance. Four are needed
    where one picture shows many more than the other, as by day: most of those are no lamps, and
    they do not lie as if strewn. Four are needed, too, where not all are plain: a bright patch of
    ground is found anew some way off. `lens` (9,) is the camera's. Lamps in what is `hidden` (h, w)
    are none.
    """
    first, second = _within(beacons(reference), lens), beacons(picture)
    if hidden is not None:
        first, second = _outside(first, hidden), _outside(second, hidden)
    if min(len(first.u_px), len(second.u_px)) < 2:
        return None
    best: tuple[float, Floats, Ints] | None = None
    for start in _guesses(first, second, reference.shape[1]):
        pairs = _near(first, second, start)
        chance = _chance(first, second, start, len(pairs), reference.shape)
        if best is None or chance < best[0]:
            best = (chance, start, pairs)
    if best is None or best[0] > CHANCE:
        return None
    found = _settled(first, second, best[1], lens)
    if found is None or found.matches < _least(first, second, best[2]):
        return None
    return found


def _within(found: Beacons, lens: Floats) -> Beacons:
    """Leave out the lamps where the lens model has no place."""
    return _some(found, reached(found.xy_px, lens))


def _outside(found: Beacons, hidden: Bools) -> Beacons:
    """Leave out the lamps in what is hidden (h, w)."""
    column, row = np.rint(found.xy_px).astype(int).T
    return _some(found, ~hidden[row, column])


def _some(found: Beacons, kept: Bools) -> Beacons:
    return Beacons(xy_px=found.xy_px[kept], u_px=found.u_px[kept], plain=found.plain[kept])


def _least(first: Beacons, second: Beacons, pairs: Ints) -> int:
    """Return how many lamps must agree at least, of which these pairs (k, 2) are thought to."""
    fewer, more = sorted((len(first.u_px), len(second.u_px)))
    plain = np.minimum(first.plain[pairs[:, 0]], second.plain[pairs[:, 1]])
    return LEAST_OF_MANY if more > MANY * fewer or plain.min() < PLAIN else 2


def _guesses(first: Beacons, second: Beacons, width: int) -> list[Floats]:
    """Return movements (4,) that bring two lamps of one picture onto two of the other."""
    swap = len(first.u_px) < len(second.u_px)
    few, many = (first.xy_px, second.xy_px) if swap else (second.xy_px, first.xy_px)
    reach = REACH * width
    near = [many[np.linalg.norm(many - place, axis=1) < reach][:24] for place in few[:ANCHORS]]
    found = []
    for one, other in combinations(range(len(near)), 2):
        base = few[other] - few[one]
        if np.linalg.norm(base) < APART_PX or not len(near[one]) or not len(near[other]):
            continue
        span = near[other][None, :] - near[one][:, None]
        ratio = (span[..., 0] + 1j * span[..., 1]) / complex(*base)
        with np.errstate(divide="ignore"):
            fits = (np.abs(np.log(np.abs(ratio))) < MOST_ZOOM) & (
                np.abs(np.angle(ratio)) < MOST_TURN_RAD
            )
        for a, b in zip(*np.nonzero(fits), strict=True):
            found.append((few[one], near[one][a], ratio[a, b], swap))
    return [_as_unknowns(*row) for row in found]


def _as_unknowns(place: Floats, there: Floats, ratio: complex, swap: bool) -> Floats:
    """Return turn and zoom about a lamp as unknowns; the shift is that of the lamp itself."""
    if not swap:
        place, there, ratio = there, place, 1.0 / ratio
    return np.array([*(there - place), np.angle(ratio), np.log(np.abs(ratio)), *place])


def _near(first: Beacons, second: Beacons, guess: Floats) -> Ints:
    """Return the pairs (k, 2) of lamps that a guess brings together, each lamp in one pair."""
    return _pairs(_guessed(first.xy_px, guess), second.xy_px, 2.0 * NEAR_PX)


def _guessed(xy_px: Floats, guess: Floats) -> Floats:
    """Return where a guess, turn and zoom about a lamp and its shift, puts points (n, 2)."""
    turn = np.exp(guess[3]) * np.array(
        [[np.cos(guess[2]), -np.sin(guess[2])], [np.sin(guess[2]), np.cos(guess[2])]]
    )
    return np.asarray((xy_px - guess[4:6]) @ turn.T + guess[4:6] + guess[0:2])


def _pairs(should: Floats, there: Floats, within_px: float) -> Ints:
    """Return pairs (k, 2) of points that are each other's nearest and near enough."""
    apart = np.linalg.norm(should[:, None] - there[None, :], axis=2)
    apart = np.where(np.isfinite(apart), apart, 1e9)
    theirs = apart.argmin(axis=1)
    ours = apart.argmin(axis=0)
    index = np.arange(len(should))
    kept = (ours[theirs] == index) & (apart[index, theirs] < within_px)
    return np.column_stack([index[kept], theirs[kept]])


def _chance(
    first: Beacons, second: Beacons, guess: Floats, count: int, shape: tuple[int, ...]
) -> float:
    """Return how many agreements of `count` lamps, moved as little, chance would give.

    Of n lamps strewn over an area A, one lies inside an area a of it with n a / A. Two lamps fix
    the movement (the first within the shift, the second within turn and zoom), the others must
    then be there. A. Desolneux, L. Moisan, J.-M. Morel, "From Gestalt theory to image analysis",
    2008, ch. 3: what is expected less than once is meant.
    """
    fewer, more = sorted((len(first.u_px), len(second.u_px)))
    if count < 2:
        return float("inf")
    density = more / float(shape[0] * shape[1])
    shift = np.pi * max(float(np.hypot(*guess[:2])), 3.0) ** 2
    base = 0.5 * shape[1]
    turned = (2.0 * max(abs(guess[2]) * base, 3.0)) * (2.0 * max(abs(guess[3]) * base, 3.0))
    there = np.pi * NEAR_PX**2
    return float(
        comb(fewer, count) * comb(count, 2)
        * density * shift * density * turned * (density * there) ** (count - 2)
    )  # fmt: skip


def _settled(first: Beacons, second: Beacons, guess: Floats, lens: Floats) -> Movement | None:
    """Fit the movement through the lens, match again by it, and fit again."""
    pairs = _near(first, second, guess)
    centre = lens[2:4][None, :]
    unknowns = np.array([*(_guessed(centre, guess) - centre)[0], guess[2], guess[3]])
    u_px = np.ones(1)
    for _ in range(3):
        u_px = np.hypot(first.u_px[pairs[:, 0]], second.u_px[pairs[:, 1]])
        unknowns, _, left = fit(
            first.xy_px[pairs[:, 0]], second.xy_px[pairs[:, 1]], lens, unknowns, u_px,
            scale_px=max(4.0, NEAR_PX / float(np.median(u_px)) / 3.0),
        )  # fmt: skip
        pairs = _pairs(carried(first.xy_px, unknowns, lens), second.xy_px, NEAR_PX)
        if len(pairs) < 2:
            return None
    u_px = np.hypot(first.u_px[pairs[:, 0]], second.u_px[pairs[:, 1]])
    left = second.xy_px[pairs[:, 1]] - carried(first.xy_px[pairs[:, 0]], unknowns, lens)
    by = slopes(first.xy_px[pairs[:, 0]], unknowns, lens) / u_px[:, None, None]
    rows = by.reshape(-1, UNKNOWNS)
    dof = len(rows) - UNKNOWNS
    widened = max(1.0, float(np.sum((left / u_px[:, None]) ** 2)) / dof) if dof else 1.0
    return Movement(
        shift_px=unknowns[:2],
        turn_rad=float(unknowns[2]),
        zoom=float(np.exp(unknowns[3])),
        covariance=np.asarray(widened * np.linalg.inv(rows.T @ rows), np.float64),
        method="lamps",
        matches=len(pairs),
        rms_px=float(np.sqrt(np.mean(left**2))),
    )
