"""Text that a camera writes into its pictures: date and time, a name, in a line near an edge.

It lies on the grid of the pixels, wherever the camera looks, and would say that it never moved.
"""

from __future__ import annotations

import cv2
import numpy as np

from vidspeed.values import Bools, Picture

HARD = 50.0  # levels over two pixels, of an edge that no lens draws but letters have
SAME = 30.0  # levels by which a coder, and what is behind the letters, may change them
EDGE = 0.15  # of the height: text lies this near to the upper or lower edge,
TALLEST, SHORTEST_PX = 0.1, 5  # and a line of it is at most so much of the height, and at least
LONG = 2.5  # times as long as it is high, at least
STROKES = 6  # hard edges in one row of pixels of it, at least: two a stroke
APART = 0.035  # of the width: the letters and words of a line are no farther apart
BESIDE = 8  # heights on either side of what stayed the same in which digits may change
MARGIN_PX = 8  # around it, within which a piece of the background has some of it


def burnt(reference: Picture, picture: Picture) -> Bools | None:
    """Return where (h, w) two pictures (h, w) show lines of one text in one place, None: nowhere.

    It is all of a line, with digits that changed. Of a camera that did not move, anything of the
    scene that looks like a line of text is there, too.
    """
    hard = np.minimum(_edges(reference), _edges(picture)) >= HARD
    hard &= cv2.absdiff(reference, picture) <= SAME
    height, width = hard.shape
    rows = int(np.ceil(EDGE * height))
    hard[rows : height - rows] = False
    reach = 2 * (int(APART * width) // 2) + 1
    joined = cv2.morphologyEx(hard.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, reach), np.uint8))
    _, names, boxes, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    found = np.zeros(hard.shape, dtype=bool)
    for name, (left, top, wide, high, _) in enumerate(boxes.tolist()):
        part = hard[top : top + high, left : left + wide] & (
            names[top : top + high, left : left + wide] == name
        )
        if name and SHORTEST_PX <= high <= TALLEST * height and _is_line(part):
            aside = BESIDE * high
            found[
                max(top - MARGIN_PX, 0) : top + high + MARGIN_PX,
                max(left - aside, 0) : left + wide + aside,
            ] = True
    return found if found.any() else None


def _is_line(hard: Bools) -> bool:
    """Tell whether hard edges (h, w) are long enough and have the strokes of a line of text."""
    high, wide = hard.shape
    starts = hard[:, 1:] & ~hard[:, :-1]
    return bool(wide >= LONG * high and np.quantile(starts.sum(axis=1), 0.5) >= STROKES)


def _edges(picture: Picture) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    """Return how far the levels of a picture (h, w) differ over two pixels of a row."""
    level = picture.astype(np.float32)
    found = np.zeros_like(level)
    found[:, 1:-1] = np.abs(level[:, 2:] - level[:, :-2])
    return found
