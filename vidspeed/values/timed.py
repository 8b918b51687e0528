"""What a clip's file says of its time: stamps, edits, tags, sound, and what follows from them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from vidspeed.values.base import Value

Origin = Literal["original", "re-encoded", "cannot tell"]
Verdict = Literal["steady", "uneven", "stored for slow playback", "repaired", "not to be trusted"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edit(Value):
    """One row of an edit list: plays `duration_s` from `media_s` on (None: nothing, a wait)."""

    duration_s: float
    media_s: float | None
    rate: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Segment(Value):
    """A run of frames of one rate by the stamps: from which frame on, how many, how far apart."""

    first: int
    frames: int
    interval_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaptureTag(Value):
    """A tag that states at how many frames a second the camera captured."""

    key: str
    rate_hz: float
    agrees: bool | None  # with the stamps; None: not compared


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SoundTrack(Value):
    """The sound of a clip; `duration_s` None where the file does not say."""

    codec: str
    rate_hz: int
    channels: int
    duration_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClipTimes(Value):
    """The account of a file's time; sizes (width, height) as shown.

    `dropped` counts frames that are missing by the stamps, `repeated` those that show the one
    before again, `backward` stamps that do not go forward, `damaged` frames that could not be
    decoded, or only from such as could not. `nominal_hz` is the rate that the file names,
    `real_hz` frames over time by the stamps, `rate_factor` the first over the second: by it a
    speed would be wrong that took the nominal rate.
    """

    file: str
    container: str
    codec: str
    size_px: tuple[int, int]
    rotation_deg: int
    mirrored: bool
    bit_depth: int
    full_range: bool
    interlaced: bool
    frames: int
    frames_announced: int | None
    damaged: int
    cut_short: bool
    time_base: str
    time_base_s: float
    first_stamp_s: float
    duration_s: float
    interval_s: float | None
    spread_s: float | None
    shortest_s: float | None
    longest_s: float | None
    stamp_u_s: float
    dropped: int
    repeated: int
    backward: int
    reordered: bool  # the file stamps frames in the order of storing; put right here
    segments: tuple[Segment, ...]
    edits: tuple[Edit, ...]
    nominal_hz: float | None
    real_hz: float | None
    rate_factor: float | None
    capture_tags: tuple[CaptureTag, ...]
    sound: SoundTrack | None
    origin: Origin
    origin_reasons: tuple[str, ...]
    verdict: Verdict
    reasons: tuple[str, ...]
