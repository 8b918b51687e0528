"""What the camera saw: the facts of a clip, tracks, and a scan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vidspeed.values.base import Floats, Ints, Picture, Value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClipFacts(Value):
    """What a clip's file says of itself; `size_px` (width, height) as shown after rotation."""

    file: str
    size_px: tuple[int, int]
    rotation_deg: int  # counter-clockwise turn from the stored to the shown picture: 0 90 180 270
    codec: str
    bit_depth: int
    frames: int  # decoded
    duration_s: float
    interval_s: float  # median time between frames
    time_base_s: float
    stamp_u_s: float  # standard uncertainty of one stamp from its quantisation
    has_sound: bool
    sha256: str
    mirrored: bool = False  # flipped left to right before the turn
    start_s: float = 0.0  # time of the first frame
    notes: tuple[str, ...] = ()  # dropped, repeated, uneven, backward stamps: a sentence each


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Moved(Value):
    """What is allowed for of how a clip's picture lies off the calibrated view.

    Picks are moved by the shift at the lens centre, the turn (from +x towards +y) and the zoom,
    and `u_px` is a standard uncertainty of each coordinate that all picks have in common.
    """

    shift_px: tuple[float, float] = (0.0, 0.0)
    turn_rad: float = 0.0
    zoom: float = 1.0
    u_px: float = 0.0

    @property
    def far(self) -> bool:
        """Tell whether the course lies elsewhere in the picture than was taken."""
        return float(np.hypot(*self.shift_px)) > 2.0 or abs(self.turn_rad) > 0.005

    def unknowns(self) -> Floats:
        """Return shift, turn and the logarithm of the zoom (4,)."""
        return np.array([*self.shift_px, self.turn_rad, np.log(self.zoom)])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Track(Value):
    """Lights of successive frames that belong together, n of them, in order of time.

    `time_s` is the frame's stamp before any correction. `cov_px2` (n, 2, 2) is the covariance of
    `xy_px` from the pixel noise alone. `row` (n,) from 0 to 1 says where in the read-out the
    light's row lies. `time_u_s` (n,) is what the stamp's quantisation leaves open. The streak
    columns are NaN where a light is a point or the fit does not give them. `interval_s` is the
    median time between the frames of its clip, None where only the lights are known. `drag_u_px`
    is by how much its coder may hold a slow light back, the same in all frames.
    """

    frame: Ints
    time_s: Floats
    xy_px: Floats
    cov_px2: Floats
    row: Floats
    time_u_s: Floats
    streak_px: Floats  # length of the streak, end to end
    streak_u_px: Floats
    streak_angle_rad: Floats  # picture frame, from +x towards +y
    peak: Floats  # height above the background in luma levels, negative where darker
    snr: Floats  # peak over the noise of a pixel
    fill: Floats | None = None  # darkest part within a streak over its bright ones, NaN: a point
    interval_s: float | None = None
    drag_u_px: float = 0.0
    moved: Moved | None = None  # of its clip
    wide: bool = False  # most of its lights are white over much: they may be far brighter than seen

    def __len__(self) -> int:
        return len(self.time_s)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strip(Value):
    """Where in the picture a craft can be, and how fast: `polygon_px` (n, 2), px/s (low, high)."""

    polygon_px: Floats
    speed_px_s: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Corridor(Value):
    """The flight line in the picture, at n places `x_m` of the course at equal steps.

    `middle_px` (n, 2) is the line, `reach_px` (n,) how far across it in the picture a craft may
    be; `speed_mps` (low, high) along the course.
    """

    x_m: Floats
    middle_px: Floats
    reach_px: Floats
    speed_mps: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sway(Value):
    """Where m fixed pieces of the background were in each of n frames.

    `places_px` (m, 2) are their middles, `away_px` (n, m, 2) how far each lay from there, NaN
    where it was not seen. `replaced` (n,) is the share of pieces in whose place something else
    was: the picture moved too far, or something stood before them. `later` has what was chosen and
    followed for a moment where hardly any of them was found any more. `changing` (m,), if known, is
    the share of the frames in which a piece looked otherwise than shifted: grass that waves.
    """

    time_s: Floats
    places_px: Floats
    away_px: Floats
    replaced: Floats
    changing: Floats | None = None
    later: tuple[Sway, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Footage(Value):
    """What is kept of the n frames in which something flew like a craft, for its pictures.

    `way_px` (k, 2) is its way through the picture; `rows` (m,) uint8 holds, packed by zlib, n rows
    of k: the brightest level (uint8) across a few pixels to both sides of it. `jpeg` holds the
    brightest value of each pixel over these frames; its top-left pixel is `corner_px`, each of its
    pixels stands for `step` x `step`.
    """

    time_s: Floats
    way_px: Floats
    rows: Picture
    jpeg: Picture
    corner_px: tuple[int, int]
    step: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scan(Value):
    """All that one decode of a clip gives.

    `brightest` and `still` (h, w) uint8: the brightest value of each pixel over the clip, and
    its median background.
    """

    facts: ClipFacts
    tracks: tuple[Track, ...]
    brightest: Picture
    still: Picture
    sway: Sway | None = None
    footage: tuple[Footage, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptScan(Value):
    """A scan that was made before, and where in the picture it looked."""

    strip: Strip | None
    scan: Scan


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptFaint(Value):
    """What was found by adding up along a corridor before."""

    corridor: Corridor
    tracks: tuple[Track, ...]
