"""Group what stands out in one frame: places at half size that lie near each other."""

from __future__ import annotations

from typing import Any, NamedTuple

import cv2
import numpy as np

from vidspeed.clip.background import Apart
from vidspeed.values import Ints, Picture

NEAR = 3  # half-size pixels: what stands out so near to each other is one spot
SKIRT = 0.1  # of a group's largest value: what is less is its skirt, by which others are not joined
FEW_PLACES = 240  # that stand out: of more, groups are found in the picture and not in a list
CLEAR = 1.6  # times the ceiling: what stands out so far is no noise

_Place = tuple[int, int, int, int]  # x and y at half size, how far it is away, its ceiling
_Run = list[Any]  # places in a row: the row, the first and the last column, the places


class Box(NamedTuple):
    """A group of half-size pixels that stand out: its rectangle, its middle, and how strongly.

    `strength` is the sum of what stands above the ceiling; `clear` says that it is no noise.
    """

    left: int
    top: int
    right: int  # one past the last
    bottom: int
    x: float
    y: float
    strength: float
    darker: bool
    clear: bool


def groups_of(apart: Apart) -> list[Box]:
    """Group the half-size pixels of one sign that stand out and lie near each other."""
    return _of_few(apart) if apart.count <= FEW_PLACES else _of_many(apart)


def places_of(over: Picture) -> Ints:
    """Return the places (n,) in a picture (h, w), row by row, that are not zero; few of many.

    Eight are looked at in one, which takes an eighth of the time of `cv2.findNonZero`.
    """
    flat = np.ascontiguousarray(over).reshape(-1)
    whole = len(flat) // 8 * 8
    words = np.flatnonzero(flat[:whole].view(np.uint64) != 0)
    near = (8 * words[:, None] + np.arange(8)).reshape(-1)
    found = near[flat[near] != 0]
    rest = np.flatnonzero(flat[whole:])
    return np.concatenate([found, rest + whole]) if len(rest) else found


def _of_few(apart: Apart) -> list[Box]:
    """Group few places: each sign by itself, first those that lie together in a row."""
    at = places_of(apart.over)
    rows, columns = np.divmod(at, apart.over.shape[1])
    away = apart.seen.reshape(-1)[at] - apart.level.reshape(-1)[at]
    ceiling = apart.ceiling.reshape(-1)[at]
    places = list(
        zip(columns.tolist(), rows.tolist(), away.tolist(), ceiling.tolist(), strict=True)
    )
    brighter = [place for place in places if place[2] > 0]
    darker = [(x, y, -size, ceiling) for x, y, size, ceiling in places if size <= 0]
    return [
        *(_boxed(group, darker=False) for group in _without_skirts(brighter)),
        *(_boxed(group, darker=True) for group in _without_skirts(darker)),
    ]


def _without_skirts(places: list[_Place]) -> list[list[_Place]]:
    """Group places of one sign, in order of rows, and group them again without the skirts."""
    groups = _joined(places)
    sizes = [place[2] for place in places]
    if not sizes or min(sizes) >= SKIRT * max(sizes):
        return groups
    least = [SKIRT * max(place[2] for place in group) for group in groups]
    kept = [
        place
        for group, size in zip(groups, least, strict=True)
        for place in group
        if place[2] >= size
    ]
    if len(kept) == len(places):
        return groups
    return _joined(sorted(kept, key=lambda place: (place[1], place[0])))


def _joined(places: list[_Place]) -> list[list[_Place]]:
    """Group places of one sign, in order of rows, that lie near each other."""
    runs: list[_Run] = []
    last_row, last = -1, 0
    for place in places:
        x, y = place[0], place[1]
        if y == last_row and x - last <= NEAR:
            runs[-1][2] = x
            runs[-1][3].append(place)
        else:
            runs.append([y, x, x, [place]])
        last_row, last = y, x
    root = list(range(len(runs)))
    first = 0
    for number, (y, left, right, _) in enumerate(runs):
        while runs[first][0] < y - NEAR:
            first += 1
        for other in range(first, number):
            if runs[other][1] - NEAR <= right and left - NEAR <= runs[other][2]:
                one, two = _root(root, other), _root(root, number)
                root[max(one, two)] = min(one, two)
    groups: dict[int, list[_Place]] = {}
    for number, run in enumerate(runs):
        groups.setdefault(_root(root, number), []).extend(run[3])
    return list(groups.values())


def _root(root: list[int], number: int) -> int:
    """Return the first run of a group that is known so far."""
    while root[number] != number:
        number = root[number]
    return number


def _boxed(group: list[_Place], *, darker: bool) -> Box:
    """Return the rectangle and the middle of a group of places."""
    columns, total, by_x, by_y, clear = [], 0, 0, 0, False
    for x, y, size, ceiling in group:
        columns.append(x)
        excess = size - ceiling
        total += excess
        by_x += excess * x
        by_y += excess * y
        if size > CLEAR * ceiling:
            clear = True
    strength = float(total)
    return Box(
        min(columns), group[0][1], max(columns) + 1, group[-1][1] + 1,
        by_x / strength, by_y / strength, strength, darker, clear,
    )  # fmt: skip


def _of_many(apart: Apart) -> list[Box]:
    """Group many places, all at once, with their skirts."""
    label, rows, columns = _labelled(apart)
    size, ceiling = apart.size[rows, columns], apart.ceiling[rows, columns]
    order = np.argsort(label, kind="stable")
    starts = np.flatnonzero(np.diff(label[order], prepend=-1))
    columns, rows, size, ceiling = columns[order], rows[order], size[order], ceiling[order]
    first = [np.minimum.reduceat(each, starts) for each in (columns, rows)]
    last = [np.maximum.reduceat(each, starts) for each in (columns, rows)]
    excess = (size - ceiling).astype(np.float64)
    strength, x, y = (
        np.add.reduceat(each, starts) for each in (excess, excess * columns, excess * rows)
    )
    clear = np.maximum.reduceat(size > CLEAR * ceiling, starts)
    places = rows[starts], columns[starts]
    darker = apart.seen[places] < apart.level[places]
    middle = x / strength, y / strength
    table = zip(*first, *last, *middle, strength, darker, clear, strict=True)
    return [
        Box(
            left=int(left), top=int(top), right=int(right) + 1, bottom=int(bottom) + 1,
            x=float(across), y=float(down),
            strength=float(strong), darker=bool(dark), clear=bool(sure),
        )
        for left, top, right, bottom, across, down, strong, dark, sure in table
    ]  # fmt: skip


def _labelled(apart: Apart) -> tuple[Ints, Ints, Ints]:
    """Return the number of a group, row and column of all places (n,) that stand out."""
    brighter = apart.brighter
    found, first = [], 0
    darker = np.asarray(cv2.subtract(apart.over, brighter), np.uint8)
    for there in (brighter, darker):
        joined = cv2.dilate(there, np.ones((NEAR, NEAR), np.uint8))
        count, labels = cv2.connectedComponents(joined, connectivity=8)
        at = places_of(there)
        label = labels.reshape(-1)[at] + first
        found.append(np.stack([label, *np.divmod(at, there.shape[1])]))
        first += count
    label, rows, columns = np.concatenate(found, axis=1)
    return label, rows, columns
