"""Where a network of distances may begin: rough places from the distances alone."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from vidspeed.values import Floats, Ints


def first_places(
    pairs: Ints, horizontal_m: Floats, posts: tuple[int, int], side: Floats
) -> list[Floats]:
    """Return rough places (n, 2) about the axis from the first post to the second, several.

    `pairs` (d, 2) are the points of each horizontal distance (d,), `side` (n,) +1 where a point
    is known to stand left of the axis, -1 right, 0 not known. One is laid out point by point
    from the posts, one by classical scaling of the distances, with the shortest way along other
    distances where one was not measured (W. Torgerson, Psychometrika 17 (1952) 401-419).
    """
    from scipy.sparse.csgraph import shortest_path  # here: slow to import

    count = len(side)
    table = np.full((count, count), np.inf)
    for (first, second), distance in zip(pairs, horizontal_m, strict=True):
        table[first, second] = table[second, first] = distance
    ways = shortest_path(np.where(np.isfinite(table), table, 0.0), directed=False)
    reach = np.where(np.isfinite(ways), ways, 2.0 * np.max(ways[np.isfinite(ways)], initial=1.0))
    scaled = _about_axis(_scaling(reach), posts)
    length = table[posts]
    base = float(length) if np.isfinite(length) else float(np.hypot(*scaled[posts[1]]))
    return [_point_by_point(table, posts, base, side, scaled), scaled]


def _scaling(distances_m: Floats) -> Floats:
    """Return places (n, 2) whose distances are near those of a full table (n, n)."""
    count = len(distances_m)
    centre = np.eye(count) - 1.0 / count
    values, vectors = np.linalg.eigh(-0.5 * centre @ distances_m**2 @ centre)
    return np.asarray(vectors[:, -2:] * np.sqrt(np.maximum(values[-2:], 1e-6)))


def _about_axis(places_m: Floats, posts: tuple[int, int]) -> Floats:
    """Turn and shift places so that the posts lie on the x axis, the first at the origin."""
    moved = places_m - places_m[posts[0]]
    x, y = moved[posts[1]]
    length = max(float(np.hypot(x, y)), 1e-6)
    turn = np.array([[x, y], [-y, x]]) / length
    return np.asarray(moved @ turn.T)


def _point_by_point(
    table: Floats, posts: tuple[int, int], base_m: float, side: Floats, otherwise: Floats
) -> Floats:
    """Lay out points one after the other, each from the two best of those already there."""
    places = otherwise.copy()
    places[posts[0]], places[posts[1]] = (0.0, 0.0), (base_m, 0.0)
    known = [posts[0], posts[1]]
    waiting = [point for point in range(len(side)) if point not in known]
    while waiting:
        waiting.sort(key=lambda point: -int(np.isfinite(table[point, known]).sum()))
        point = waiting.pop(0)
        near = [other for other in known if np.isfinite(table[point, other])]
        choices = list(_cuts(places, near, table[point]))
        if choices:
            places[point] = min(
                choices,
                key=lambda place: (
                    side[point] * place[1] < 0.0,
                    _misfit(place, places[near], table[point, near]),
                ),
            )
        known.append(point)
    return places


def _cuts(places_m: Floats, near: list[int], distance_m: Floats) -> Iterator[Floats]:
    """Yield where the circles about the two known points farthest apart cut."""
    if len(near) < 2:
        return
    apart = np.linalg.norm(places_m[near][:, None] - places_m[near][None], axis=2)
    first, second = np.unravel_index(int(np.argmax(apart)), apart.shape)
    a, b = near[int(first)], near[int(second)]
    base = max(float(apart[first, second]), 1e-6)
    along = (places_m[b] - places_m[a]) / base
    x = (distance_m[a] ** 2 - distance_m[b] ** 2 + base**2) / (2.0 * base)
    y = np.sqrt(max(float(distance_m[a] ** 2 - x**2), 1e-4))
    across = np.array([-along[1], along[0]])
    yield places_m[a] + x * along + y * across
    yield places_m[a] + x * along - y * across


def _misfit(place_m: Floats, others_m: Floats, distance_m: Floats) -> float:
    apart = np.linalg.norm(others_m - place_m, axis=1)
    return float(np.sum((apart - distance_m) ** 2))
