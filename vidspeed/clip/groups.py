"""Group what stands out in one frame: places at half size that lie near each other."""

from __future__ import annotations

from operator import mul
from typing import NamedTuple

import cv2
import numpy as np

from vidspeed.clip.background import Apart
from vidspeed.values import Bools, Ints

NEAR = 3  # half-size pixels: what stands out so near to each other is one spot
SKIRT = 0.1  # of a group's largest value: what is less is its skirt, by which others are not joined
FEW_PLACES = 64  # that stand out: their groups are found one by one
MOST_PLACES = 240  # of more, groups are found in the picture and not in a list
CLEAR = 1.6  # times the ceiling: what stands out so far is no noise

_Place = tuple[int, int, int, int]  # x and y at half size, how far it is away, its ceiling


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


def _of_few(apart: Apart) -> list[Box]:
    """Group few places, one by one."""
    found = np.asarray(cv2.findNonZero(apart.over)).reshape(-1, 2)
    columns, rows = found[:, 0], found[:, 1]
    away, ceiling = apart.away[rows, columns].tolist(), apart.ceiling[rows, columns].tolist()
    places = list(zip(columns.tolist(), rows.tolist(), away, ceiling, strict=True))
    groups = _chained(places)
    most = [max(abs(place[2]) for place in group) for group in groups]
    kept = [
        place
        for group, size in zip(groups, most, strict=True)
        for place in group
        if abs(place[2]) >= SKIRT * size
    ]
    if len(kept) < len(places):
        groups = _chained(sorted(kept, key=lambda place: (place[1], place[0])))
    return [_boxed(group) for group in groups]


def _chained(places: list[_Place]) -> list[list[_Place]]:
    """Group places, in order of rows, by the sign that they share and the nearness to others."""
    root = list(range(len(places)))
    first = 0
    for number, (x, y, away, _) in enumerate(places):
        while places[first][1] < y - NEAR:
            first += 1
        for other in range(first, number):
            beside, _, its_away, _ = places[other]
            if -NEAR <= beside - x <= NEAR and (its_away > 0) == (away > 0):
                one, two = _root(root, other), _root(root, number)
                root[max(one, two)] = min(one, two)
    groups: dict[int, list[_Place]] = {}
    for number, place in enumerate(places):
        groups.setdefault(_root(root, number), []).append(place)
    return list(groups.values())


def _root(root: list[int], number: int) -> int:
    """Return the first place of a group that is known so far."""
    while root[number] != number:
        number = root[number]
    return number


def _boxed(group: list[_Place]) -> Box:
    """Return the rectangle and the middle of a group of places."""
    columns, rows = [place[0] for place in group], [place[1] for place in group]
    excess = [abs(place[2]) - place[3] for place in group]
    strength = float(sum(excess))
    return Box(
        left=min(columns), top=min(rows), right=max(columns) + 1, bottom=max(rows) + 1,
        x=sum(map(mul, excess, columns)) / strength, y=sum(map(mul, excess, rows)) / strength,
        strength=strength, darker=group[0][2] < 0,
        clear=any(abs(place[2]) > CLEAR * place[3] for place in group),
    )  # fmt: skip


def _of_many(apart: Apart) -> list[Box]:
    """Group many places, all at once."""
    if apart.count > MOST_PLACES:
        label, rows, columns = _labelled(apart)
    else:
        places = np.asarray(cv2.findNonZero(apart.over), np.int64).reshape(-1, 2)
        columns, rows = places[:, 0], places[:, 1]
        label = _linked(rows, columns, apart.away[rows, columns] > 0)
        size = apart.size[rows, columns]
        most = np.zeros(len(rows), np.int16)
        np.maximum.at(most, label, size)
        kept = size >= SKIRT * most[label]
        if not kept.all():
            rows, columns = rows[kept], columns[kept]
            label = _linked(rows, columns, apart.away[rows, columns] > 0)
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
    darker = apart.away[rows[starts], columns[starts]] < 0
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


def _linked(rows: Ints, columns: Ints, brighter: Bools) -> Ints:
    """Give each of some places (n,) a number that its group shares."""
    near = (np.abs(rows[:, None] - rows) <= NEAR) & (np.abs(columns[:, None] - columns) <= NEAR)
    near &= brighter[:, None] == brighter
    label = np.arange(len(rows))
    while True:
        lowest = np.where(near, label, len(rows)).min(axis=1)
        lowest = lowest[lowest]
        if np.array_equal(lowest, label):
            return label
        label = lowest


def _labelled(apart: Apart) -> tuple[Ints, Ints, Ints]:
    """Return the number of a group, row and column of all places (n,) that stand out."""
    brighter = cv2.compare(apart.away, apart.ceiling, cv2.CMP_GT)
    found, first = [], 0
    for there in (brighter, cv2.subtract(apart.over, brighter)):
        joined = cv2.dilate(there, np.ones((NEAR, NEAR), np.uint8))
        count, labels = cv2.connectedComponents(joined, connectivity=8)
        rows, columns = np.nonzero(there)
        found.append(np.stack([labels[rows, columns] + first, rows, columns]))
        first += count
    label, rows, columns = np.concatenate(found, axis=1)
    return label, rows, columns
