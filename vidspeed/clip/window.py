"""The part of the picture that is searched: where the strip says that a craft can be."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vidspeed.clip.background import halved
from vidspeed.clip.read import Frame, Luma
from vidspeed.values import Bools, Floats, Picture, Strip

MARGIN_PX = 24.0  # around the strip: a streak may reach out of it, and strips are not exact
CELL = 8  # half-size pixels: the strip's outline is not drawn finer than this
PAD = 4  # half-size pixels around all that, so that patches are whole, nearly


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pane:
    """The part of a frame that is searched; no value, since its arrays are not copied.

    `luma` (h, w) begins at `corner_px` (x, y) of the whole picture, both even; `half` (h/2, w/2)
    is the same part at half size.
    """

    frame: int
    time_s: float
    luma: Luma
    half: Picture
    corner_px: tuple[int, int] = (0, 0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Window:
    """A rectangle of half-size pixels, and where `inside` (h, w) it a craft can be; None: all."""

    left: int
    top: int
    right: int  # one past the last
    bottom: int
    inside: Bools | None

    def cut(self, frame: Frame, *, copied: bool = False) -> Pane:
        """Cut the window out of a frame; `copied` where the frame is to be let go."""
        luma = frame.luma[2 * self.top : 2 * self.bottom, 2 * self.left : 2 * self.right]
        return Pane(
            frame=frame.index,
            time_s=frame.time_s,
            luma=luma.copy() if copied else luma,
            half=halved(luma),
            corner_px=(2 * self.left, 2 * self.top),
        )


def window_of(size_px: tuple[int, int], strip: Strip | None) -> Window:
    """Return the window of a picture (width, height) around a strip; None: the whole picture."""
    width, height = size_px[0] // 2, size_px[1] // 2
    whole = Window(left=0, top=0, right=width, bottom=height, inside=None)
    if strip is None:
        return whole
    cells = _near(np.asarray(strip.polygon_px, np.float64), width, height)
    inside = cells.repeat(CELL, axis=0).repeat(CELL, axis=1)[:height, :width]
    rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    if not len(rows):
        return Window(left=0, top=0, right=width, bottom=height, inside=inside)
    left, top = max(int(columns[0]) - PAD, 0), max(int(rows[0]) - PAD, 0)
    right, bottom = min(int(columns[-1]) + 1 + PAD, width), min(int(rows[-1]) + 1 + PAD, height)
    return Window(
        left=left, top=top, right=right, bottom=bottom, inside=inside[top:bottom, left:right]
    )


def _near(polygon_px: Floats, width: int, height: int) -> Bools:
    """Say of each cell of a half-size picture whether it lies in a polygon's hull or near it."""
    hull = cv2.convexHull(polygon_px.astype(np.float32)).reshape(-1, 2).astype(np.float64)
    along = np.roll(hull, -1, axis=0) - hull
    area = float(np.sum(hull[:, 0] * along[:, 1] - hull[:, 1] * along[:, 0]))
    length = np.maximum(np.linalg.norm(along, axis=1), 1e-9)
    x = 2.0 * (np.arange(0, width, CELL) + 0.5 * CELL)
    y = 2.0 * (np.arange(0, height, CELL) + 0.5 * CELL)
    beyond = np.full((len(y), len(x)), -np.inf)
    for corner, way, size in zip(hull, along, length, strict=True):
        turn = way[0] * (y[:, None] - corner[1]) - way[1] * (x[None, :] - corner[0])
        beyond = np.maximum(beyond, -np.sign(area) * turn / size)
    return np.asarray(beyond <= MARGIN_PX)
