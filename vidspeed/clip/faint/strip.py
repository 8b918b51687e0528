"""The picture along the flight line, one row a frame: a pass is then nearly a straight line.

Every frame is smoothed to the size of a lamp's image, freed of what is wide, and sampled at the
places of a corridor: along the course at equal steps, and at some places across it. Each sample is
then freed of what changes slowly (`slowly.py`), divided by its own scatter over time, and cut off
at a few standard deviations: so a lamp that stands still or flickers weighs little, and no single
frame can carry a sum over many.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.clip.background import level_scale
from vidspeed.clip.facts import frame_numbers
from vidspeed.clip.faint.slowly import gap_frames, take_out
from vidspeed.clip.read import ClipReader, Frame, Luma
from vidspeed.spread.progress import alive
from vidspeed.values import Corridor, Floats, Ints, Value

STEP_ACROSS_PX = 2.0
BLUR_PX = 1.5  # of the smoothing; a lamp's image is seldom narrower
WIDE_PX = 31  # what is wider is no lamp
EDGE_PX = 16  # around the corridor, so that the smoothing is whole there
UNIT = 32  # of a sample, in a standard deviation
CUT = 3.0  # standard deviations beyond which a sample says no more
MOST_BYTES = 96 << 20  # of the samples of one window of time
LEAST_FRAMES = 24  # of a window
LONGEST_S = 8.0

Samples = NDArray[np.int8]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout(Value):
    """Where a corridor is sampled: m places across by n along, of the whole picture.

    `places_px` (m, n, 2); `share` (m,) from -1 to 1 is how far across, of the reach.
    """

    places_px: Floats
    share: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretch(Value):
    """The samples of some frames: `samples` (t, m, n) in `UNIT` of a standard deviation."""

    frame: Ints
    time_s: Floats
    samples: Samples


def layout_of(corridor: Corridor) -> Layout:
    """Lay places out across and along a corridor."""
    reach = float(corridor.reach_px.max())
    share = np.linspace(-1.0, 1.0, 2 * int(np.ceil(reach / STEP_ACROSS_PX)) + 1)
    across = across_of(corridor.middle_px) * corridor.reach_px[:, None]
    return Layout(places_px=corridor.middle_px + share[:, None, None] * across, share=share)


def across_of(line_px: Floats) -> Floats:
    """Return the unit vectors (n, 2) across a line (n, 2) in the picture."""
    along = np.gradient(line_px, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    return np.column_stack([-along[:, 1], along[:, 0]])


def longest_s(corridor: Corridor) -> float:
    """Return how long the slowest craft is in the corridor."""
    return float(np.ptp(corridor.x_m)) / corridor.speed_mps[0]


def stretches(
    path: Path, corridor: Corridor, *, rate_hz: float | None = None
) -> Iterator[tuple[Layout, Stretch]]:
    """Yield the samples of a clip in windows of time, which overlap by the slowest pass.

    A window is four times as long as that, as far as memory allows.

    Raises
    ------
    ClipError
        Where the clip cannot be read.
    """
    layout = layout_of(corridor)
    most = max(MOST_BYTES // (2 * layout.places_px[..., 0].size), 2 * LEAST_FRAMES)
    pass_s = longest_s(corridor)
    span_s = min(4.0 * pass_s, LONGEST_S)
    sampler: _Sampler | None = None
    waiting: list[tuple[int, float, Any]] = []
    fresh = 0
    for frame in timed_frames(path, rate_hz):
        alive()
        if sampler is None:
            sampler = _Sampler(layout, frame.luma.shape)
        if waiting and frame.time_s <= waiting[-1][1]:
            continue  # a stamp that goes back
        waiting.append((frame.index, frame.time_s, sampler.rows(frame.luma)))
        fresh += 1
        full = len(waiting) >= most or waiting[-1][1] - waiting[0][1] >= span_s
        if full and len(waiting) >= LEAST_FRAMES:
            yield layout, _stretch(waiting, corridor)
            again = sum(row[1] >= waiting[-1][1] - pass_s for row in waiting)
            waiting, fresh = waiting[-min(again, len(waiting) // 2) :], 0
    if fresh and len(waiting) >= LEAST_FRAMES:
        yield layout, _stretch(waiting, corridor)


def timed_frames(
    path: Path, rate_hz: float | None = None, *, from_s: float | None = None
) -> Iterator[Frame]:
    """Yield the frames of a clip with their times: stamps, or the captured frame over its rate.

    `from_s`: begin at the key frame before that stamp; no stated rate then.
    """
    with ClipReader(path, from_s=from_s) as reader:
        if rate_hz is None:
            yield from reader.frames()
            return
        numbers, captured = frame_numbers(path, reader.header.time_base), -1
        for frame in reader.frames():
            captured = numbers.get(frame.stamp, captured + 1)
            yield replace(frame, time_s=captured / rate_hz)


class _Sampler:
    """Samples frames at the places of a layout."""

    def __init__(self, layout: Layout, shape: tuple[int, ...]) -> None:
        places = layout.places_px
        low = np.floor(places.reshape(-1, 2).min(axis=0)).astype(int) - EDGE_PX
        high = np.ceil(places.reshape(-1, 2).max(axis=0)).astype(int) + EDGE_PX + 1
        left, top = max(int(low[0]), 0), max(int(low[1]), 0)
        right, bottom = min(int(high[0]), shape[1]), min(int(high[1]), shape[0])
        self._window = np.s_[top:bottom, left:right]
        self._x = (places[..., 0] - left).astype(np.float32)
        self._y = (places[..., 1] - top).astype(np.float32)

    def rows(self, luma: Luma) -> Any:
        """Return the samples (m, n) float16 of a frame, in luma levels about what is wide."""
        part = luma[self._window].astype(np.float32) * np.float32(level_scale(luma))
        near = cv2.GaussianBlur(part, (0, 0), BLUR_PX)
        wide = cv2.blur(part, (WIDE_PX, WIDE_PX))
        seen = cv2.remap(
            near - wide, self._x, self._y, cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT, borderValue=0,
        )  # fmt: skip
        return seen.astype(np.float16)


def _stretch(waiting: list[tuple[int, float, Any]], corridor: Corridor) -> Stretch:
    """Take out of the samples of a window what changes slowly; divide them by their scatter."""
    time_s = np.array([row[1] for row in waiting])
    levels = np.array([row[2] for row in waiting])
    take_out(levels, gap_frames(corridor, float(np.median(np.diff(time_s)))))
    return Stretch(
        frame=np.array([row[0] for row in waiting], np.int64),
        time_s=time_s,
        samples=normalised(levels),
    )


def normalised(levels: Any) -> Samples:
    """Return samples (t, m, n) about their mean over time, in `UNIT` of their own scatter.

    Scatter is steadied over the neighbours and never much below the middle one; a frame that
    scatters more than the others as a whole is first brought down to them.
    """
    mean = levels.mean(axis=0, dtype=np.float32)
    centres = [float(np.median(row - mean)) for row in levels]
    widths = np.array(
        [np.median(np.abs(row - mean - c)) for row, c in zip(levels, centres, strict=True)]
    )
    gains = 1.0 / np.maximum(widths / max(float(np.median(widths)), 1e-6), 1.0)
    spread = np.zeros(mean.shape, np.float32)
    for row, centre, gain in zip(levels, centres, gains.tolist(), strict=True):
        spread += np.square((row - mean - centre) * gain)
    spread = np.sqrt(spread / len(levels))
    around = cv2.blur(spread, (9, 9))
    scale = np.maximum(np.maximum(spread, around), 0.5 * float(np.median(spread)) + 1e-3)
    found = np.empty(levels.shape, np.int8)
    for own, row, centre, gain in zip(found, levels, centres, gains.tolist(), strict=True):
        z = (row - mean - centre) * gain / scale
        own[:] = np.rint(np.clip(z, -CUT, CUT) * UNIT)
    return found


def bilinear(picture: Any, place_px: Floats) -> Floats:
    """Return a picture's values (d,) at places (d, 2) x, y; 0 outside."""
    size = picture.shape[0] - 1
    x, y = place_px[:, 0], place_px[:, 1]
    inside = (x >= 0.0) & (x < size) & (y >= 0.0) & (y < size)
    x, y = np.where(inside, x, 0.0), np.where(inside, y, 0.0)
    left, top = x.astype(int), y.astype(int)
    fx, fy = x - left, y - top
    value = (1.0 - fy) * ((1.0 - fx) * picture[top, left] + fx * picture[top, left + 1])
    value += fy * ((1.0 - fx) * picture[top + 1, left] + fx * picture[top + 1, left + 1])
    return np.asarray(np.where(inside, value, 0.0))
