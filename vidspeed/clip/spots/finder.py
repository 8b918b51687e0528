"""Choose in frame after frame what may be a light, of all that stands out of the background.

A frame waits for the next one: what stands at the same place before or after it has changed and
stayed, as the blocks of a coder do, and needs not be measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import chain, islice, pairwise
from typing import Any, NamedTuple

import cv2
import numpy as np

from vidspeed.clip.background import HIGHEST, Apart, Backdrop
from vidspeed.clip.deviations import UNIT
from vidspeed.clip.read import Luma
from vidspeed.clip.spots.groups import Box, groups_of
from vidspeed.clip.spots.lights import Cut, Spot, cut_of, spots_of
from vidspeed.clip.spots.newcomers import gone_of, new_of
from vidspeed.clip.window import Pane

MOST_SPOTS = 24  # the strongest of a frame are kept, of either sign
MOST_DOUBTFUL = 8  # beyond so many only those that are clear: a coder's key frame has many
BESIDE = 8  # half-size pixels: nearer to a stronger spot of the other sign, it is its fringe
WHITE = 215  # levels: a core that is white is at least so bright, whatever white is in the file
CORE = 60  # half-size pixels: a lamp that saturates so widely may flood a picture with its halo
HALO = 0.25  # of what stands out farthest: what is less is its halo
WIDEST = 0.2  # share of the picture that such a lamp may take without its halo
MOST_CLEAR = 6  # spots that may do so and are not taken for noise


class Look(NamedTuple):
    """A frame's window, what stands out in it, and the background's samples at that time."""

    pane: Pane
    apart: Apart
    ring: tuple[Luma, ...]


class _Marked(NamedTuple):
    """What stands out in a frame, and of that what is to be measured if the next frame lets it."""

    look: Look
    boxes: list[Box]
    chosen: list[Box]


class _Held(NamedTuple):
    """A frame that waits for the next one: what stood out in it, and the patches of its choice."""

    time_s: float
    boxes: list[Box]
    cuts: list[Cut]


class Finder:
    """Finds the spots of frame after frame; remembers what stood out in the frame before."""

    def __init__(self, backdrop: Backdrop) -> None:
        self._backdrop = backdrop
        self._before: list[Box] = []
        self._held: _Held | None = None

    def spots(self, looks: Sequence[Look]) -> list[tuple[float, list[Spot]]]:
        """Take some frames; return time and spots, strongest of each sign first, of those done.

        A frame is done when the next one is here: what stands at the same place in the frame
        before, or in the one after, has changed and stayed, as the blocks of a coder do, and is no
        spot.
        """
        marked = [self._marked(look) for look in looks]
        if not marked:
            return []
        done = [] if self._held is None else [_let(self._held, marked[0].boxes)]
        for one, after in pairwise(marked):
            gone = gone_of(one.chosen, one.boxes, after.boxes)
            done.append((one.look.pane.time_s, _cuts(one, gone)))
        last = marked[-1]
        self._held = _Held(last.look.pane.time_s, last.boxes, _cuts(last, last.chosen))
        return _measured(done)

    def rest(self) -> list[tuple[float, list[Spot]]]:
        """Return time and spots of the last frame, if there is one, which no other will follow."""
        held, self._held = self._held, None
        return [] if held is None else _measured([(held.time_s, held.cuts)])

    def _marked(self, look: Look) -> _Marked:
        """Return what stands out in a frame and is new."""
        apart = look.apart
        if not apart.count:
            self._before = []
            self._backdrop.adapt(0)
            return _Marked(look, [], [])
        if apart.flooded:
            self._before = []
            if self._backdrop.follow_jump(look.pane.half):
                look = look._replace(
                    apart=self._backdrop.apart(look.pane.half), ring=self._backdrop.ring
                )
                apart = look.apart
            if apart.flooded:
                apart = without_halo(apart)
                look = look._replace(apart=apart)
            if not apart.count:
                return _Marked(look, [], [])
        boxes = groups_of(apart)
        new = new_of(boxes, self._before)
        self._before = boxes
        clear = sum(box.clear for box in new)
        self._backdrop.adapt(len(new) - min(clear, MOST_CLEAR))
        brighter = [box for box in new if not box.darker]
        darker = [box for box in new if box.darker]
        strongest = [*_strongest(brighter, darker), *_strongest(darker, brighter)]
        return _Marked(look, boxes, strongest)


def _cuts(marked: _Marked, boxes: Sequence[Box]) -> list[Cut]:
    """Cut the patches of some groups out of a frame."""
    pane, ring, uneven = marked.look.pane, marked.look.ring, marked.look.apart.uneven
    return [cut_of(pane, ring, box, marked.boxes, uneven=uneven) for box in boxes]


def _let(held: _Held, after: list[Box]) -> tuple[float, list[Cut]]:
    """Return the patches of a frame that are not in the next one, too."""
    gone = {id(box) for box in gone_of([cut.box for cut in held.cuts], held.boxes, after)}
    return held.time_s, [cut for cut in held.cuts if id(cut.box) in gone]


def _measured(frames: Sequence[tuple[float, list[Cut]]]) -> list[tuple[float, list[Spot]]]:
    """Measure the patches of some frames, all together."""
    spots = iter(spots_of(list(chain.from_iterable(cuts for _, cuts in frames))))
    return [(time_s, list(islice(spots, len(cuts)))) for time_s, cuts in frames]


def without_halo(apart: Apart) -> Apart:
    """Return what stands out of a flooded picture without the halo of a lamp; nothing without one.

    A very bright lamp near by fills much of a small picture with its core and the light around it.
    Its core is white, and no exposure jumps by so much in so small a part of the picture.
    """
    brighter = apart.brighter
    white = (apart.seen >= WHITE * UNIT).astype(np.uint8)
    least = HALO * float(cv2.minMaxLoc(apart.size, brighter)[1])
    ceiling = np.maximum(apart.ceiling, np.int16(min(least, float(HIGHEST))))
    over: Any = cv2.bitwise_and(cv2.compare(apart.size, ceiling, cv2.CMP_GT), brighter)
    count = cv2.countNonZero(over)
    core = cv2.countNonZero(cv2.bitwise_and(white, over))
    if core < max(CORE, HALO * count) or count > WIDEST * over.size:
        over, count = np.zeros_like(over), 0
    return replace(apart, ceiling=ceiling, over=over, count=count)


def _strongest(boxes: list[Box], others: list[Box]) -> list[Box]:
    """Return the strongest groups, without the fringes of stronger ones of the other sign.

    Lenses, sharpening and codecs put a dark rim around a light, and a light one around the dark.
    """
    kept = sorted(boxes, key=lambda box: -box.strength)[:MOST_SPOTS]
    kept = [*kept[:MOST_DOUBTFUL], *(box for box in kept[MOST_DOUBTFUL:] if box.clear)]
    stronger = sorted(others, key=lambda box: -box.strength)
    found = []
    for box in kept:
        left, right = box.left - BESIDE, box.right + BESIDE
        top, bottom, strength = box.top - BESIDE, box.bottom + BESIDE, box.strength
        for other in stronger:
            if strength >= other.strength:
                found.append(box)
                break
            across = left < other.right and other.left < right
            if across and top < other.bottom and other.top < bottom:
                break
        else:
            found.append(box)
    return found
