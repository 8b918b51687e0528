"""Names beside points: none covers another, and none leaves the drawing."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from vidspeed.record.labels import Placed, beside, box

ROOM = np.array([0.0, 0.0, 400.0, 200.0])


def common(one, other):
    low, high = np.maximum(one[:2], other[:2]), np.minimum(one[2:], other[2:])
    return float(np.prod(np.maximum(high - low, 0.0)))


def test_names_of_points_that_stand_close_together_can_all_be_read():
    points = np.array([[200.0, 100.0], [204.0, 103.0], [206.0, 97.0], [260.0, 101.0]])
    names = ["middle north", "middle south", "centre pole", "east peg"]
    placed = beside(points, names, [], ROOM, 9.0)
    boxes = [box(*row, 9.0) for row in zip(points, names, placed, strict=True)]
    letter = 0.6 * 9.0 * 9.0
    assert max(common(one, other) for one, other in combinations(boxes, 2)) < 0.2 * letter


def test_a_single_name_stands_where_it_always_stood_unless_something_does():
    point = np.array([[100.0, 100.0]])
    (plain,) = beside(point, ["start"], [], ROOM, 9.0)
    assert plain == Placed((7.0, 6.0), "left")
    (other,) = beside(point, ["start"], [box(point[0], "start", plain, 9.0)], ROOM, 9.0)
    assert other != plain


def test_a_name_at_the_edge_is_written_inwards():
    for x, side in ((396.0, "right"), (4.0, "left")):
        (placed,) = beside(np.array([[x, 100.0]]), ["finish pole"], [], ROOM, 9.0)
        assert placed.side == side
