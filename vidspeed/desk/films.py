"""The frames of a pass for its page: all of them laid out in one picture, and each light near by.

Decoded once in a worker process, beside whatever else goes on there; what comes back are pictures.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vidspeed.assembly.looking import MEMORY_BYTES, MEMORY_BYTES_PER_PIXEL
from vidspeed.clip.rows import film
from vidspeed.clip.still import png_bytes
from vidspeed.desk.passes import Shown
from vidspeed.record.spacetime import laid_out, span_of
from vidspeed.spread.memory import memory_within
from vidspeed.values import Bools, Clip, Floats, Picture, Sighted, Value
from vidspeed.values.pictured import Lane

NEAR_PX = (176, 100)  # of the clip's pixels that are shown around a light
FEW_PIXELS = 200_000  # of the picture of the whole pass, which the page does not show
LARGEST_PX = 4096 * 2160


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Film(Value):
    """The pictures of one clip of a pass, as PNG files.

    `whole` shows place across, from `from_m` to `to_m`, and time down, from `early_s` to `late_s`
    by the clip's own clock, read-out allowed for. `near` shows what is around each light, None
    where its frame was not decoded; `corner_px` (n, 2) is where its top-left pixel is.
    """

    whole: bytes
    from_m: float
    to_m: float
    early_s: float
    late_s: float
    near: tuple[bytes | None, ...]
    corner_px: Floats


def film_key(clip: Clip, lane: Lane, sighted: Sighted) -> str:
    """Return a name for the film of a clip's lights: another one where they are others."""
    digest = hashlib.sha256(f"{clip.name} {lane.camera} {clip.rate_hz}".encode())
    for column in (sighted.track.time_s, sighted.track.xy_px):
        digest.update(np.round(column, 4).tobytes())
    return digest.hexdigest()[:24]


def filmed(
    path: Path, rate_hz: float | None, lane: Lane, sighted: Sighted, *, darker: bool
) -> Film:
    """Decode the frames of one clip of a pass.

    Raises ClipError where they cannot be decoded, or none is there.
    """
    track = sighted.track
    near: dict[int, bytes] = {}
    corners = np.zeros((len(track), 2))

    def look(time_s: float, picture: Picture) -> None:
        for index in np.flatnonzero(np.abs(track.time_s - time_s) < 1e-4):
            part, corner = around(picture, track.xy_px[index])
            near[int(index)], corners[index] = png_bytes(part), corner

    with memory_within(MEMORY_BYTES + MEMORY_BYTES_PER_PIXEL * LARGEST_PX):
        made = film(path, lane, darker=darker, rate_hz=rate_hz, most_pixels=FEW_PIXELS, each=look)
    early_s, late_s = span_of(made)
    whole = np.asarray(np.rint(255.0 * laid_out(made)), np.uint8)
    return Film(
        whole=png_bytes(whole),
        from_m=float(lane.x_m[0]),
        to_m=float(lane.x_m[-1]),
        early_s=early_s,
        late_s=late_s,
        near=tuple(near.get(index) for index in range(len(track))),
        corner_px=corners,
    )


def around(picture: Picture, xy_px: Floats) -> tuple[Picture, tuple[int, int]]:
    """Return what is around a place of a picture (h, w), and where its top-left pixel is.

    At the edge of the picture the part is moved, so that it is as large as everywhere.
    """
    corner = []
    for place, wide, side in zip(xy_px, NEAR_PX, picture.shape[1::-1], strict=True):
        corner.append(int(np.clip(round(float(place)) - wide // 2, 0, max(side - wide, 0))))
    x, y = corner
    return picture[y : y + NEAR_PX[1], x : x + NEAR_PX[0]], (x, y)


def seen_at_s(sighted: Sighted, lane: Lane) -> Floats:
    """Return when each light (n,) was seen by the clip's own clock: its stamp and the read-out."""
    delay_s = np.interp(sighted.x_m, lane.x_m, lane.delay_s)
    return np.asarray(sighted.track.time_s + delay_s)


def out_of(sighted: Sighted) -> Bools:
    """Tell which lights (n,) were dismissed."""
    if sighted.dismissed is None:
        return np.zeros(len(sighted.track), dtype=bool)
    return sighted.dismissed


def lanes_by_clip(shown: Shown) -> Sequence[tuple[Sighted, Lane | None, bool]]:
    """Return each clip's lights with its lane, None where the path cannot be shown."""
    assert shown.result is not None
    lanes = {
        (lane.camera, lane.clip): (lane, darker)
        for lane, darker in zip(shown.lanes, shown.darker, strict=True)
    }
    return [
        (sighted, *lanes.get((sighted.camera, sighted.clip), (None, False)))
        for sighted in shown.result.sightings
    ]
