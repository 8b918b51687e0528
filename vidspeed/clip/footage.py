"""Keep of the decoded frames what the pictures of a pass will need, so that none is decoded again.

The window of the last frames stays at half size, within a bounded number of bytes. Where what ended
flew like a craft, each of its frames leaves one row along its way, packed, and all of them the
brightest value of each pixel, as a JPEG. When the pass has been solved its path lies within a few
pixels of that way, and the rows are those of the path.
"""

from __future__ import annotations

import zlib
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import cv2
import numpy as np

from vidspeed.clip.background import to_eight_bits
from vidspeed.clip.medians import BAND
from vidspeed.clip.read import Luma
from vidspeed.clip.rows import MOST_PIXELS, joined_by, reach_px, step_for, window_around
from vidspeed.clip.shelf import Shelf
from vidspeed.clip.window import Pane
from vidspeed.values import Floats, Footage, Picture
from vidspeed.values.pictured import Filmed, Lane

MOST_HELD = 14 << 20  # bytes of the half-size frames that are held
WIDEST = 1000  # half-size pixels: of larger pictures, every second of what is held
EARLY_S, LATE_S = 0.3, 0.3  # before the first spot and after the last
LEAST_SPOTS = 6
PER_PX = 2.0  # of the picture, from place to place along the way
NEAR = 0.6  # of a row's reach: a path that lies farther off the way is decoded again
COVERED = 0.1  # of a pass's time that may be missing at either end
QUALITY = 92
ZIP_LEVEL = 4
MOST_BYTES = 24 << 20  # of a clip's footage: some 350 passes


Brightest = Callable[[slice], Luma | None]  # rows (h, w) of the brightest values


class Flown(NamedTuple):
    """The spots of something that flew like a craft: times (n,), places (n, 2), of which sign."""

    time_s: Floats
    xy_px: Floats
    darker: bool


class _Held(NamedTuple):
    time_s: float
    half: Picture  # of the window


class Recorder:
    """Holds the last frames, and makes footage of them; state that `take` moves on."""

    def __init__(self, size_px: tuple[int, int]) -> None:
        self._size_px = size_px
        self._held: deque[_Held] = deque()
        self._bytes = 0
        self._step = 1
        self._corner_px = (0, 0)
        self._made: Shelf[Footage] = Shelf()
        self._made_bytes = 0

    def take(self, panes: Sequence[Pane]) -> None:
        """Hold the windows of the next frames."""
        for pane in panes:
            self._corner_px = pane.corner_px
            half: Any = pane.half
            while half.shape[1] > WIDEST:
                half = cv2.resize(half, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
            self._step = round(2.0 * pane.half.shape[1] / half.shape[1])
            self._held.append(_Held(pane.time_s, np.asarray(half)))
            self._bytes += half.nbytes
        while self._bytes > MOST_HELD:
            self._bytes -= self._held.popleft().half.nbytes

    def time_s(self, back: int) -> float:
        """Return the time of the frame so many back, the last one being 1."""
        return self._held[-min(max(back, 1), len(self._held))].time_s

    def keep(self, flown: Flown, brightest: Brightest, since_s: float) -> None:
        """Make footage of a flight; `brightest` gives rows of all frames since a moment."""
        first_s, last_s = float(flown.time_s[0]), float(flown.time_s[-1])
        frames = [row for row in self._held if first_s - EARLY_S <= row.time_s <= last_s + LATE_S]
        whole_time = since_s <= first_s and frames and frames[0].time_s <= first_s
        if flown.darker or len(flown.time_s) < LEAST_SPOTS or not whole_time:
            return
        way_px = _way(flown.xy_px, self._size_px)
        rows, columns = window_around(way_px, self._size_px[::-1])
        part, step = _in_bands(brightest, rows, self._size_px[0])
        if part is None:
            return
        made = Footage(
            time_s=np.array([row.time_s for row in frames]),
            way_px=way_px,
            rows=_packed(self._rows(frames, way_px)),
            jpeg=_jpeg(part),
            corner_px=(columns.start, rows.start),
            step=step,
        )
        size = made.rows.nbytes + made.jpeg.nbytes
        if self._made_bytes + size <= MOST_BYTES:
            self._made.put(made, size)
            self._made_bytes += size

    def let_go(self) -> None:
        """Hold no frames any more: there is nothing left to be kept of them."""
        self._held.clear()
        self._bytes = 0

    def footage(self) -> tuple[Footage, ...]:
        """Return what was kept, in the order in which it ended."""
        return tuple(self._made)

    def _rows(self, frames: Sequence[_Held], way_px: Floats) -> Picture:
        """Return the brightest level across the way at each place of it (n, k), 0 outside."""
        step, (left, top) = self._step, self._corner_px
        shift = 0.5 * (step - 1)
        local = (way_px - (left, top) - shift) / step
        along = np.gradient(local, axis=0)
        along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
        reach = max(1, round(reach_px(max(self._size_px)) / step))
        offsets = np.arange(-reach, reach + 1)[:, None, None]
        across = np.column_stack([-along[:, 1], along[:, 0]])
        places = (local[None] + offsets * across[None]).astype(np.float32)
        return np.array(
            [
                cv2.remap(
                    row.half, places[..., 0], places[..., 1], cv2.INTER_LINEAR,
                    borderMode=cv2.BORDER_CONSTANT, borderValue=0,
                ).max(axis=0)
                for row in frames
            ]
        )  # fmt: skip


def film_from(footage: Sequence[Footage], lane: Lane, size_px: tuple[int, int]) -> Filmed | None:
    """Return the frames of a pass as they were kept; None where none of them shows all of it."""
    slack_s = COVERED * (lane.to_s - lane.from_s)
    for kept in footage:
        if kept.time_s[0] > lane.from_s + slack_s or kept.time_s[-1] < lane.to_s - slack_s:
            continue
        at = _place_along(kept.way_px, lane.line_px, size_px)
        every = None if at is None else _unpacked(kept)
        if at is None or every is None:
            continue
        inside = (kept.time_s >= lane.from_s) & (kept.time_s <= lane.to_s)
        left = np.clip(np.nan_to_num(at).astype(int), 0, len(kept.way_px) - 2)
        share = np.nan_to_num(at) - left
        rows = every[inside].astype(np.float32)
        level = rows[:, left] * (1.0 - share) + rows[:, left + 1] * share
        return Filmed(
            lane=lane,
            time_s=kept.time_s[inside],
            rows=np.where(np.isfinite(at), np.rint(level), 0.0).astype(np.uint8),
            packed=kept.jpeg,
            corner_px=kept.corner_px,
            step=kept.step,
        )
    return None


def _way(xy_px: Floats, size_px: tuple[int, int]) -> Floats:
    """Return the way of spots (n, 2), from edge to edge of the picture, in even steps (k, 2)."""
    middle = xy_px.mean(axis=0)
    ahead = np.linalg.svd(xy_px - middle, full_matrices=False)[2][0]
    aside = np.array([-ahead[1], ahead[0]])
    u, v = (xy_px - middle) @ ahead, (xy_px - middle) @ aside
    bend = np.polynomial.Polynomial.fit(u, v, 2 if len(u) > LEAST_SPOTS else 1)
    corners = np.array([[x, y] for x in (0.0, size_px[0]) for y in (0.0, size_px[1])])
    far = (corners - middle) @ ahead
    along = np.arange(far.min(), far.max(), PER_PX)
    way = middle + along[:, None] * ahead + bend(along)[:, None] * aside
    inside = ((way > -0.5) & (way < np.array(size_px) - 0.5)).all(axis=1)
    first, last = int(np.argmax(inside)), len(inside) - int(np.argmax(inside[::-1]))
    return np.asarray(way[first:last]) if inside.any() else xy_px


def _place_along(way_px: Floats, line_px: Floats, size_px: tuple[int, int]) -> Floats | None:
    """Return where along the way (in its places) each place (m, 2) of a path lies, NaN outside.

    None where a place within the picture lies too far beside the way.
    """
    with np.errstate(invalid="ignore"):
        seen = ((line_px > -0.5) & (line_px < np.array(size_px) - 0.5)).all(axis=1)
    if not seen.any() or len(way_px) < 3:
        return None
    ahead = (way_px[-1] - way_px[0]) / np.linalg.norm(way_px[-1] - way_px[0])
    aside = np.array([-ahead[1], ahead[0]])
    u, v = way_px @ ahead, way_px @ aside
    if np.any(np.diff(u) <= 0.0):
        return None
    place = line_px[seen] @ ahead
    within = (place >= u[0] - PER_PX) & (place <= u[-1] + PER_PX)
    off = np.abs(np.interp(place, u, v) - line_px[seen] @ aside)
    if np.any(off > NEAR * reach_px(max(size_px))) or not within.all():
        return None
    at = np.full(len(line_px), np.nan)
    at[seen] = np.interp(place, u, np.arange(len(u)))
    return at


def _in_bands(brightest: Brightest, rows: slice, width: int) -> tuple[Picture | None, int]:
    """Return some rows, joined to few pixels, and the side of the blocks; a few rows at a time."""
    step = step_for((rows.stop - rows.start) * width, MOST_PIXELS)
    last = rows.start + (rows.stop - rows.start) // step * step
    bands = []
    for top in range(rows.start, last, BAND * step):
        seen = brightest(slice(top, min(top + BAND * step, last)))
        if seen is None:
            return None, step
        bands.append(joined_by(to_eight_bits(seen), step))
    return np.concatenate(bands), step


def _packed(rows: Picture) -> Picture:
    """Return rows (n, k) packed: away from the craft they are much alike, and take a tenth so."""
    return np.frombuffer(zlib.compress(rows.tobytes(), ZIP_LEVEL), dtype=np.uint8)


def _unpacked(kept: Footage) -> Picture | None:
    """Return the rows (n, k) of footage, None where it does not hold as many."""
    count, places = len(kept.time_s), len(kept.way_px)
    try:
        plain = zlib.decompressobj().decompress(kept.rows.tobytes(), count * places)
    except zlib.error:
        return None
    if len(plain) != count * places:
        return None
    return np.frombuffer(plain, dtype=np.uint8).reshape(count, places)


def _jpeg(picture: Picture) -> Picture:
    done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    return np.asarray(data, np.uint8).ravel() if done else np.zeros(0, np.uint8)
