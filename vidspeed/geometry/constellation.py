"""Lamps on surveyed markers, told apart by geometry alone: which light is which marker.

Three lights and three markers give a pose (P3P); a pose says where the other markers should be
seen; lights that are there speak for it. Every triple is tried, the best are refined with the
focal length free within its uncertainty, and what is found is believed only when it is far more
likely than lights strewn at random, and far more likely than any other way of naming them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, permutations
from math import comb

import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from vidspeed.geometry.lens import project, undistort
from vidspeed.values import Bools, Floats, Ints, Pose, Value

MOST_LIGHTS = 16  # the strongest are tried
MOST_TRIES = 120_000  # triples
COARSE = 0.02  # of the picture's width: how far off a light may be before the pose is refined
FINE_U = 3.5  # standard uncertainties that it may be off afterwards
SLACK_PX = 0.5  # beside the lights' and the survey's uncertainty: a lamp beside its marker
MOST_ROLL = np.radians(30.0)  # cameras on tripods stand about level
FARTHEST_M = 1000.0
SEARCHED = 3000  # poses whose lights are named
REFINED = 60  # namings that are refined
SURE = np.log(1000.0)  # odds that make a naming believed, against chance and against any other
LEAST = 4  # lights of a naming


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lights(Value):
    """Lights of a picture, strongest first: `xy_px` (n, 2) and `u_px` (n,) of each coordinate."""

    xy_px: Floats
    u_px: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course3d(Value):
    """What is known: markers (m, 3) with `u_m` (m,), lens (9,), focal u as a share, size, place.

    `position_m` with `position_u_m` where the camera's place was taped, else None.
    """

    xyz_m: Floats
    u_m: Floats
    lens: Floats
    focal_u: float
    size_px: tuple[int, int]
    position_m: Floats | None = None
    position_u_m: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Naming(Value):
    """One way of naming lights: `light` (m,) of each marker, -1 where none, and its pose.

    `odds` is the logarithm of how much likelier it is than lights strewn at random.
    """

    light: Ints
    pose: Pose
    lens: Floats
    odds: float


def name_lights(lights: Lights, known: Course3d, first: Sequence[Pose] = ()) -> list[Naming]:
    """Return the ways of naming the lights that are worth considering, likeliest first.

    `first` are poses that are known about, for example from picks by day; then no triple is tried.
    """
    shown = Lights(xy_px=lights.xy_px[:MOST_LIGHTS], u_px=lights.u_px[:MOST_LIGHTS])
    if first:
        poses, tries = list(first), 1.0
        shown = lights
    else:
        poses, tries = _poses(shown, known), _how_many(len(shown.xy_px), len(known.xyz_m))
    found: dict[tuple[int, ...], Naming] = {}
    for light, pose in _coarse(poses, shown, known):
        naming = _refined(light, pose, shown, known, tries)
        if naming is None:
            continue
        key = tuple(naming.light.tolist())
        if key not in found or naming.odds > found[key].odds:
            found[key] = naming
    return sorted(found.values(), key=lambda naming: -naming.odds)


def rivals(namings: Sequence[Naming]) -> list[Naming]:
    """Return the namings that nearly as well could be true as the first, itself included.

    One that merely leaves out lights of a better one is no rival of it.
    """
    if not namings:
        return []
    best = namings[0]
    close = [n for n in namings if n.odds > best.odds - SURE]
    return [best, *(n for n in close[1:] if not _within(n.light, best.light))]


def _within(light: Ints, other: Ints) -> bool:
    named = light >= 0
    return bool(np.all(light[named] == other[named]))


def _how_many(lights: int, markers: int) -> float:
    """Return how many poses all triples of lights and markers give."""
    return 4.0 * max(comb(markers, 3), 1) * max(lights * (lights - 1) * (lights - 2), 1)


def _poses(lights: Lights, known: Course3d) -> list[Pose]:
    """Return the poses of all triples that a camera on a tripod could have."""
    plane = undistort(lights.xy_px, known.lens)
    good = [k for k in range(len(plane)) if np.all(np.isfinite(plane[k]))]
    triples = sorted(combinations(range(len(known.xyz_m)), 3), key=lambda t: -_area(known, t))
    seen = list(permutations(good, 3))
    if not seen:
        return []
    triples = triples[: max(6, MOST_TRIES // len(seen))]
    turns, shifts, middles = [], [], []
    for triple in triples:
        places = np.ascontiguousarray(known.xyz_m[list(triple)])
        middle = places.mean(axis=0)
        for way in seen:
            count, found, moved = cv2.solveP3P(
                places - middle, plane[list(way)][:, None, :], np.eye(3), None, cv2.SOLVEPNP_AP3P
            )
            turns += [np.ravel(turn) for turn in found[:count]]
            shifts += [np.ravel(shift) for shift in moved[:count]]
            middles += [middle] * int(count)
    if not turns:
        return []
    return _level(np.array(turns), np.array(shifts), np.array(middles), known)


def _area(known: Course3d, triple: tuple[int, ...]) -> float:
    a, b, c = known.xyz_m[list(triple)]
    return float(np.linalg.norm(np.cross(b - a, c - a)))


def _level(turns: Floats, shifts: Floats, middles: Floats, known: Course3d) -> list[Pose]:
    """Return those poses of P3P, (k, 3) each, that a camera on a tripod could have."""
    good = np.all(np.isfinite(turns), axis=1) & np.all(np.isfinite(shifts), axis=1)
    turns, shifts, middles = turns[good], shifts[good], middles[good]
    matrices = Rotation.from_rotvec(turns).as_matrix()
    up = matrices[:, :, 2]  # course z in the picture
    good = up[:, 1] < -np.cos(MOST_ROLL) * np.hypot(up[:, 0], up[:, 1])
    good &= np.linalg.norm(shifts, axis=1) < FARTHEST_M
    positions = middles - np.einsum("kji,kj->ki", matrices, shifts)
    good &= _by_tape(positions, known)
    return [
        Pose(camera_from_course=matrix, position_m=position)
        for matrix, position in zip(matrices[good], positions[good], strict=True)
    ]


def _by_tape(positions: Floats, known: Course3d) -> Bools:
    """Tell which places (k, 3) agree with the taped one.

    Within four of its standard uncertainties, and wider for a coarse pose: a focal length that is
    off moves it by as much of its distance.
    """
    if known.position_m is None:
        return np.ones(len(positions), dtype=bool)
    away = np.linalg.norm(positions - known.position_m, axis=1)
    reach = float(np.linalg.norm(known.position_m - known.xyz_m.mean(axis=0)))
    return np.asarray(away < 4.0 * known.position_u_m + 0.15 * reach + 1.0)


def _coarse(poses: Sequence[Pose], lights: Lights, known: Course3d) -> list[tuple[Ints, Pose]]:
    """Return the namings that the most lights speak for, each once, with a pose of it."""
    reach = COARSE * known.size_px[0]
    near = [_seen_near(pose, lights, known, reach) for pose in poses]
    order = np.argsort(-np.array(near), kind="stable")[:SEARCHED]
    best: dict[tuple[int, ...], tuple[int, float, Pose]] = {}
    for pose in (poses[k] for k in order if near[k] >= LEAST):
        light, error = _nearest(project(known.xyz_m, pose, known.lens), lights, reach)
        count = int(np.count_nonzero(light >= 0))
        if count < LEAST:
            continue
        key = tuple(light.tolist())
        if key not in best or error < best[key][1]:
            best[key] = (count, error, pose)
    ranked = sorted(best.items(), key=lambda row: (-row[1][0], row[1][1]))
    return [(np.array(key), row[2]) for key, row in ranked[:REFINED]]


def _seen_near(pose: Pose, lights: Lights, known: Course3d, reach: float) -> int:
    """Return how many markers have a light near to where they should be."""
    away = project(known.xyz_m, pose, known.lens)[:, None, :] - lights.xy_px[None]
    return int(np.count_nonzero(np.any(np.sum(away**2, axis=2) < reach**2, axis=1)))


def _nearest(places: Floats, lights: Lights, reach: float | Floats) -> tuple[Ints, float]:
    """Name the light nearest to each place within reach, each light once, nearest pairs first."""
    away = np.linalg.norm(places[:, None, :] - lights.xy_px[None], axis=2)
    away = np.where(np.isfinite(away) & (away < np.reshape(reach, (-1, 1))), away, np.inf)
    light = np.full(len(places), -1, dtype=np.int64)
    error = 0.0
    while True:
        marker, number = np.unravel_index(np.argmin(away), away.shape)
        least = float(away[marker, number])
        if not np.isfinite(least):
            return light, error
        light[marker] = number
        error += least**2
        away[marker, :] = np.inf
        away[:, number] = np.inf


def _refined(
    light: Ints, pose: Pose, lights: Lights, known: Course3d, tries: float
) -> Naming | None:
    """Fit pose and focal length to a naming, name again, and weigh it."""
    lens = known.lens
    for _ in range(4):
        if np.count_nonzero(light >= 0) < LEAST:
            return None
        pose, lens = _fitted(light, pose, lights, known)
        places = project(known.xyz_m, pose, lens)
        again, _ = _nearest(places, lights, _reach(pose, lens, lights, known))
        if np.array_equal(again, light):
            break
        light = again
    return _weighed(light, pose, lens, lights, known, tries)


def _spread(pose: Pose, lens: Floats, known: Course3d) -> Floats:
    """Return the uncertainty (m,) of where each marker should be seen, pixels."""
    depth = np.linalg.norm(known.xyz_m - pose.position_m, axis=1)
    return np.asarray(np.hypot(lens[0] * known.u_m / np.maximum(depth, 1.0), SLACK_PX))


def _reach(pose: Pose, lens: Floats, lights: Lights, known: Course3d) -> Floats:
    usual = float(np.median(lights.u_px))
    return np.asarray(FINE_U * np.hypot(_spread(pose, lens, known), usual) + 1.0)


def _fitted(light: Ints, pose: Pose, lights: Lights, known: Course3d) -> tuple[Pose, Floats]:
    """Return pose and lens that the named lights fit best, the focal length by its prior."""
    from scipy.optimize import least_squares  # here: slow to import

    named = np.flatnonzero(light >= 0)
    seen, places = lights.xy_px[light[named]], known.xyz_m[named]
    spread = np.hypot(_spread(pose, known.lens, known)[named], lights.u_px[light[named]])
    focal_u = max(known.focal_u, 1e-6)

    def at(theta: Floats) -> tuple[Pose, Floats]:
        turn = Rotation.from_rotvec(theta[:3]).as_matrix() @ pose.camera_from_course
        lens = known.lens.copy()
        lens[0:2] *= np.exp(theta[6] * focal_u)
        return Pose(camera_from_course=turn, position_m=pose.position_m + theta[3:6]), lens

    def left(theta: Floats) -> Floats:
        there, lens = at(theta)
        error = np.nan_to_num(project(places, there, lens) - seen, nan=1e4) / spread[:, None]
        rows = [error.ravel(), theta[6:7]]
        if known.position_m is not None and known.position_u_m > 0.0:
            rows.append((there.position_m - known.position_m) / known.position_u_m)
        return np.concatenate(rows)

    done = least_squares(left, np.zeros(7), x_scale="jac", max_nfev=40)
    return at(done.x)


def _weighed(
    light: Ints, pose: Pose, lens: Floats, lights: Lights, known: Course3d, tries: float
) -> Naming | None:
    """Return a naming with its odds against lights strewn at random, None where it has too few.

    Each light that is where a marker should be is likelier by the ratio of the densities; a
    marker in the picture without a light speaks a little against. The pose took up what three and
    a half lights say, and the best of all tries was taken.
    """
    named = np.flatnonzero(light >= 0)
    if len(named) < LEAST:
        return None
    places = project(known.xyz_m, pose, lens)
    spread = np.hypot(_spread(pose, lens, known)[named], lights.u_px[light[named]])
    error = np.sum((places[named] - lights.xy_px[light[named]]) ** 2, axis=1) / spread**2
    area = float(known.size_px[0] * known.size_px[1])
    gain = np.log(area / (2.0 * np.pi * spread**2)) - error / 2.0
    gain -= np.log(max(len(lights.xy_px), 1))
    with np.errstate(invalid="ignore"):
        inside = np.all((places > 0) & (places < np.array(known.size_px)), axis=1)
    missed = int(np.count_nonzero(inside)) - int(np.count_nonzero(inside[named]))
    free = 3.5 if tries > 1.0 else 1.0
    odds = float(gain.sum()) * (1.0 - free / len(named)) - np.log(tries) - 1.5 * missed
    return Naming(light=light, pose=pose, lens=lens, odds=odds)
