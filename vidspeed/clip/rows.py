"""Decode the frames of a pass once more: a row along its path from each, and all in one picture."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from vidspeed.clip.background import to_eight_bits
from vidspeed.clip.container import EARLY_S
from vidspeed.clip.facts import frame_numbers
from vidspeed.clip.read import ClipReader
from vidspeed.clip.still import packed
from vidspeed.errors import ClipError
from vidspeed.spread.progress import alive, report
from vidspeed.values import Floats, Picture
from vidspeed.values.pictured import Filmed, Lane

Places = NDArray[np.float32]

MOST_PIXELS = 1_600_000  # of the picture of the whole pass; those of a larger one are joined
REACH = 0.006  # a row gathers this part of the picture's longer side, to both sides of the path
LEAST_REACH_PX = 4
MOST_FRAMES = 4000


def film(
    path: Path,
    lane: Lane,
    *,
    darker: bool = False,
    rate_hz: float | None = None,
    most_pixels: int = MOST_PIXELS,
    each: Callable[[float, Picture], None] | None = None,
) -> Filmed:
    """Return the frames of a pass, laid out for pictures.

    Parameters
    ----------
    darker
        The craft is darker than what is behind it.
    rate_hz
        The true capture rate of a clip that was stored for slow playback; the times of `lane`
        are then frame over rate.
    each
        Called with time and picture (h, w) uint8 of every frame.

    Raises
    ------
    ClipError
        Where the clip cannot be read or shows none of these frames.
    """
    report(lane.clip, 0, 0)  # from now on a decoder that hangs is noticed
    times: list[float] = []
    rows: list[Picture] = []
    whole: Picture | None = None
    window = (slice(0), slice(0))
    places = _places(lane.line_px, 0)
    for time_s, picture in wanted_frames(path, lane.from_s, lane.to_s, rate_hz=rate_hz):
        if whole is None:
            window = window_around(lane.line_px, picture.shape)
            places = _places(lane.line_px, max(picture.shape))
            whole = picture[window].copy()
        elif darker:
            np.minimum(whole, picture[window], out=whole)
        else:
            np.maximum(whole, picture[window], out=whole)
        if each is not None:
            each(time_s, picture)
        times.append(time_s)
        rows.append(_row(picture, places, darker))
        if len(times) == MOST_FRAMES:
            break
    if whole is None:
        raise ClipError(f"{path.name}: no frame of pass {lane.label} can be decoded again")
    picture, step = joined(whole, most_pixels, darker)
    return Filmed(
        lane=lane,
        time_s=np.array(times),
        rows=np.array(rows),
        packed=packed(picture),
        corner_px=(window[1].start, window[0].start),
        step=step,
        darker=darker,
    )


def wanted_frames(
    path: Path, from_s: float, to_s: float, *, rate_hz: float | None = None
) -> Iterator[tuple[float, Picture]]:
    """Yield time and picture (h, w) uint8 of the frames between two moments, these included."""
    numbers: dict[int, int] = {}
    seek_s = from_s
    if rate_hz is not None:
        with ClipReader(path) as reader:
            base = reader.header.time_base
        numbers = frame_numbers(path, base)
        stamps = [stamp for stamp, number in numbers.items() if number >= from_s * rate_hz - 0.5]
        seek_s = float(min(stamps, default=0) * base)
    with ClipReader(path, from_s=max(0.0, seek_s - EARLY_S)) as reader:
        for frame in reader.frames():
            alive()
            time_s = frame.time_s
            if rate_hz is not None:
                time_s = numbers.get(frame.stamp, -1) / rate_hz
            if time_s > to_s:
                return
            if time_s >= from_s:
                yield time_s, to_eight_bits(frame.luma)


def window_around(line_px: Floats, shape: tuple[int, ...]) -> tuple[slice, slice]:
    """Return the rows and columns of the picture around a path: whole width, what is near it."""
    height, width = shape[:2]
    y = line_px[np.isfinite(line_px).all(axis=1), 1]
    y = y[(y > -0.5) & (y < height)]
    if not len(y):
        return slice(0, height), slice(0, width)
    room = max(0.6 * float(np.ptp(y)), 0.22 * width)
    return slice(max(0, int(y.min() - room)), min(height, int(y.max() + room) + 1)), slice(0, width)


def reach_px(longer_px: int) -> int:
    """Return how far a row gathers to both sides of the path, by the picture's longer side."""
    return max(LEAST_REACH_PX, round(REACH * longer_px))


def _places(line_px: Floats, longer_px: int) -> Places:
    """Return where a row is sampled: (k, m, 2) pixels across the path, float32."""
    reach = reach_px(longer_px)
    along = np.gradient(np.nan_to_num(line_px, nan=-1e4), axis=0)
    length = np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    across = np.column_stack([-along[:, 1], along[:, 0]]) / length
    offsets = np.arange(-reach, reach + 1, dtype=np.float64)[:, None, None]
    places = np.nan_to_num(line_px, nan=-1e4)[None] + offsets * across[None]
    return np.asarray(places, dtype=np.float32)


def _row(picture: Picture, places: Places, darker: bool) -> Picture:
    """Return the brightest (or darkest) level across the path at each place (m,), 0 outside."""
    seen = cv2.remap(
        picture, places[..., 0], places[..., 1], cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT, borderValue=0,
    )  # fmt: skip
    return np.asarray(seen.min(axis=0) if darker else seen.max(axis=0), np.uint8)


def joined(picture: Picture, most_pixels: int, darker: bool = False) -> tuple[Picture, int]:
    """Return a picture with blocks of `step` x `step` pixels joined to their brightest value."""
    step = step_for(picture.size, most_pixels)
    return joined_by(picture, step, darker), step


def step_for(pixels: int, most_pixels: int) -> int:
    """Return the side of the blocks that are joined where there are so many pixels."""
    return max(1, int(np.ceil(np.sqrt(pixels / most_pixels))))


def joined_by(picture: Picture, step: int, darker: bool = False) -> Picture:
    """Return a picture (h, w) with blocks of `step` x `step` pixels joined; what is left is cut."""
    if step == 1:
        return picture
    height, width = (side // step * step for side in picture.shape)
    edges = [np.arange(0, side, step) for side in (height, width)]
    join = np.minimum if darker else np.maximum
    lines = join.reduceat(picture[:height, :width], edges[0], axis=0)
    return np.asarray(join.reduceat(lines, edges[1], axis=1), np.uint8)
