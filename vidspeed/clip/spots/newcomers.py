"""Which groups of a frame are new, and soon gone: what has changed and stays is no light.

Blocks of a coder do so, and edges of the ground where the wind shakes the tripod.
"""

from __future__ import annotations

from vidspeed.clip.spots.groups import Box

MOST_PAIRS = 400  # groups of two frames that are compared one by one
STANDING, LIKE = 0.35, 3.0  # half-size pixels, and ratio of strengths: it was there before
SAME = 1.1  # ratio of strengths of what has stayed
GROWN = 1.2  # times as strong as before: of what is no noise, something else stands there now
MOST_GROWN = 4  # groups of a frame that may do so at once: a coder foretells hardly more than two
NEW, GREW, STOOD = 0, 1, 2  # of a group: none stood there before, a fainter one, the same one


def new_of(boxes: list[Box], before: list[Box]) -> list[Box]:
    """Return the groups that were not there in the frame before.

    Where many have grown at once the ground shakes, and its edges stand out more and more.
    """
    if len(boxes) * len(before) > MOST_PAIRS:
        rows: dict[int, list[Box]] = {}
        for old in before:
            rows.setdefault(int(old.y), []).append(old)
        near = (-1, 0, 1)  # rows: what stands is nearer than that
        stood = [max(_stood(box, rows.get(int(box.y) + row, [])) for row in near) for box in boxes]
    else:
        stood = [_stood(box, before) for box in boxes]
    most = GREW if stood.count(GREW) <= MOST_GROWN else NEW
    return [box for box, was in zip(boxes, stood, strict=True) if was <= most]


def _stood(box: Box, before: list[Box]) -> int:
    """Say whether one of some groups of the frame before is the same one, or may be.

    A coder foretells a light: what is plain and has grown stands where a fainter image of it stood.
    """
    x, y, found = box.x, box.y, NEW
    for old in before:
        if -STANDING < old.y - y < STANDING and -STANDING < old.x - x < STANDING:
            share = old.strength / box.strength
            if 1.0 / LIKE < share < LIKE and old.darker == box.darker:
                if not box.clear or share > 1.0 / GROWN:
                    return STOOD
                found = GREW
    return found


def gone_of(chosen: list[Box], boxes: list[Box], after: list[Box]) -> list[Box]:
    """Return those of a frame's groups that were chosen and that the frame after no longer shows.

    What is plain passes all the same, since a coder may leave its image; and so does everything of
    a frame that comes twice, as all of its groups show.
    """
    if not chosen or all(_stays(box, after) for box in boxes):
        return chosen
    return [box for box in chosen if box.clear or not _stays(box, after)]


def _stays(box: Box, after: list[Box]) -> bool:
    """Say whether a group is one of the frame after it, as strong as before."""
    x, y = box.x, box.y
    for new in after:
        if -STANDING < new.y - y < STANDING and -STANDING < new.x - x < STANDING:
            share = new.strength / box.strength
            if 1.0 / SAME < share < SAME and new.darker == box.darker:
                return True
    return False
