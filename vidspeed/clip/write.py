"""Write clips: pictures and stamps into a file, exactly as asked (PyAV).

The luma goes into the Y plane as it is: no colour conversion touches it. Stamps are whole
numbers of a time base and are stored as such; where a container cannot hold them, that is an
error and never a rounding in silence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

import av
import numpy as np
from av.codec import Codec
from av.codec.codec import UnknownCodecError
from av.container import OutputContainer
from av.video.reformatter import ColorRange
from av.video.stream import VideoStream

from vidspeed.errors import ClipError
from vidspeed.values import Floats, Ints, Picture, Value

CodecName = Literal["h264", "hevc", "mjpeg", "ffv1"]

ENCODERS: Mapping[str, tuple[str, ...]] = {
    "h264": ("libx264", "libopenh264", "h264_videotoolbox", "h264_mf"),
    "hevc": ("libx265", "libkvazaar", "hevc_videotoolbox", "hevc_mf"),
    "mjpeg": ("mjpeg",),
    "ffv1": ("ffv1",),
}
CONTAINERS: Mapping[str, str] = {
    ".mp4": "mp4",
    ".mov": "mov",
    ".m4v": "mp4",
    ".mkv": "matroska",
    ".avi": "avi",
}
BT709 = 1
SMALLEST_TIMESCALE = 10_000  # ticks a second, so that a reader's own rounding does no harm


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stamps(Value):
    """Presentation stamps: `pts` (n,) whole numbers of `time_base` seconds, increasing."""

    pts: Ints
    time_base: Fraction

    @property
    def time_s(self) -> Floats:
        """Return the stamps (n,) in seconds."""
        seconds = np.asarray(self.pts, np.float64) * self.time_base.numerator
        return np.asarray(seconds / self.time_base.denominator, np.float64)


def even_stamps(count: int, rate_hz: Fraction | float, start: int = 0) -> Stamps:
    """Stamp `count` frames at a steady rate, exactly: 60000/1001 gives steps of 1001/60000 s.

    A float is taken as the nearest fraction with a denominator up to 1001. `start` is the
    number of frame intervals before the first frame.

    Examples
    --------
    >>> stamps = even_stamps(3, Fraction(60000, 1001))
    >>> stamps.pts.tolist(), stamps.time_base
    ([0, 1001, 2002], Fraction(1, 60000))
    """
    rate = Fraction(rate_hz).limit_denominator(1001)
    fold = -(-SMALLEST_TIMESCALE // rate.numerator)
    steps = (start + np.arange(count, dtype=np.int64)) * (rate.denominator * fold)
    return Stamps(pts=steps, time_base=Fraction(1, rate.numerator * fold))


def uneven_stamps(time_s: Floats, time_base: Fraction = Fraction(1, 90_000)) -> Stamps:
    """Stamp frames with the whole number of `time_base` nearest to each of `time_s` (n,)."""
    pts = np.rint(np.asarray(time_s) / float(time_base)).astype(np.int64)
    return Stamps(pts=pts, time_base=time_base)


def encoder_for(codec: str) -> str:
    """Return the name of the encoder that this machine has for a codec.

    Raises
    ------
    ClipError
        Where the codec is not one of `ENCODERS`, or no encoder of it is there.
    """
    if codec not in ENCODERS:
        raise ClipError(f"codec '{codec}' is not known; allowed are {', '.join(ENCODERS)}")
    for name in ENCODERS[codec]:
        try:
            Codec(name, "w")
        except UnknownCodecError:
            continue
        return name
    raise ClipError(f"no encoder for {codec} is here; take another codec, for example mjpeg")


def write_clip(
    path: Path,
    frames: Iterable[Picture],
    *,
    stamps: Stamps,
    codec: CodecName = "h264",
    crf: int | None = None,
    preset: str = "veryfast",
    full_range: bool = False,
    rotation_deg: int = 0,
    metadata: Mapping[str, str] | None = None,
    threads: int = 1,
) -> str:
    """Write luma pictures (h, w) uint8 as a clip; return the name of the encoder it took.

    The same pictures give the same bytes on one machine for one number of `threads`.

    Parameters
    ----------
    path
        The suffix names the container: .mp4, .mov, .m4v, .mkv (stamps in milliseconds only) or
        .avi (mjpeg and ffv1 with even stamps only).
    frames
        As many pictures as there are stamps, all of one even size.
    crf
        Constant quality for h264 and hevc (0 to 51, 18 is very good, None is 18); for mjpeg the
        quantiser (2 to 31, None is 3); ffv1 is lossless and takes no notice.
    full_range
        True: luma 0 to 255, False: 16 to 235. It is only the tag; the luma is not changed.
    rotation_deg
        Counter-clockwise turn from the stored to the shown picture, a multiple of 90.

    Raises
    ------
    ClipError
        Where the container cannot hold what is asked, or pictures and stamps do not match.
    """
    container_name = _checked_container(path, codec, stamps, rotation_deg)
    encoder = encoder_for(codec)
    pictures = iter(frames)
    first = next(pictures, None)
    if first is None:
        raise ClipError(f"{path.name}: no picture was given, at least one is needed")
    try:
        with _opened(path, container_name, stamps, metadata) as container:
            stream = _video_stream(container, encoder, first.shape, stamps, threads)
            stream.codec_context.options = _options(encoder, crf, preset, threads)
            _tag(stream, container_name, codec, full_range, rotation_deg)
            frame_of = _framer(path.name, first.shape, stamps, full_range)
            count = 0
            for count, picture in enumerate(_chained(first, pictures), start=1):
                container.mux(stream.encode(frame_of(count - 1, picture)))
            if count != len(stamps.pts):
                raise ClipError(f"{path.name}: {count} pictures for {len(stamps.pts)} stamps")
            container.mux(stream.encode(None))
    except OSError as error:
        raise ClipError(f"{path.name}: cannot be written: {error.strerror or error}") from error
    return encoder


def _checked_container(path: Path, codec: str, stamps: Stamps, rotation_deg: int) -> str:
    """Return the container's name; refuse what it could only hold altered."""
    name = CONTAINERS.get(path.suffix.lower())
    if name is None:
        allowed = ", ".join(CONTAINERS)
        raise ClipError(f"{path.name}: suffix '{path.suffix}' is not known; allowed are {allowed}")
    steps = np.diff(stamps.pts)
    if np.any(steps <= 0):
        raise ClipError(f"{path.name}: the stamps do not increase")
    if name == "matroska" and stamps.time_base != Fraction(1, 1000):
        raise ClipError(f"{path.name}: .mkv holds milliseconds; give stamps with base 1/1000 s")
    if name == "avi" and codec not in ("mjpeg", "ffv1"):
        raise ClipError(f"{path.name}: .avi has no place for the stamps of {codec}; take .mp4")
    if name == "avi" and (len(set(steps.tolist())) > 1 or stamps.pts[0] != 0):
        raise ClipError(f"{path.name}: .avi holds even stamps from 0 only; take .mp4")
    if rotation_deg % 90 != 0 or (rotation_deg % 360 and name == "avi"):
        raise ClipError(f"{path.name}: rotation {rotation_deg} cannot be stored; take .mp4 and 90s")
    return name


def _opened(
    path: Path, container_name: str, stamps: Stamps, metadata: Mapping[str, str] | None
) -> OutputContainer:
    """Open the file to be written, without anything in it that differs from run to run."""
    options = {"fflags": "+bitexact"}
    if container_name in ("mp4", "mov"):
        options["video_track_timescale"] = str(1 / stamps.time_base)
        options["movie_timescale"] = options["video_track_timescale"]  # of the edit list
        options["movflags"] = "+faststart"
        if metadata:
            options["movflags"] += "+use_metadata_tags"
    container = av.open(str(path), "w", format=container_name, options=options)
    container.metadata.update(metadata or {})
    return container


def _video_stream(
    container: OutputContainer, encoder: str, shape: Sequence[int], stamps: Stamps, threads: int
) -> VideoStream:
    """Add the stream, set to the pictures' size and the stamps' time base."""
    if shape[0] % 2 or shape[1] % 2 or len(shape) != 2:
        raise ClipError(f"a picture of shape {tuple(shape)} cannot be written; even (h, w) only")
    stream = container.add_stream(encoder, rate=_nominal_rate(stamps))
    assert isinstance(stream, VideoStream)  # every name in ENCODERS is one
    stream.height, stream.width = shape[0], shape[1]
    stream.pix_fmt = "yuv420p"
    stream.time_base = _tick(container, stamps)
    stream.codec_context.time_base = stream.time_base
    stream.codec_context.thread_count = threads
    return stream


def _nominal_rate(stamps: Stamps) -> Fraction:
    """Return the rate that the median step of the stamps suggests."""
    if len(stamps.pts) < 2:
        return Fraction(30)
    step = int(np.median(np.diff(stamps.pts)))
    return 1 / (max(step, 1) * stamps.time_base)


def _tick(container: OutputContainer, stamps: Stamps) -> Fraction:
    """Return the encoder's time base: AVI counts frames, the others count the stamps' base."""
    return 1 / _nominal_rate(stamps) if container.format.name == "avi" else stamps.time_base


def _options(encoder: str, crf: int | None, preset: str, threads: int) -> dict[str, str]:
    """Return the encoder's options."""
    quality = str(18 if crf is None else crf)
    if encoder == "libx264":
        return {"crf": quality, "preset": preset}
    if encoder == "libx265":
        quiet = f"log-level=none:pools={threads}:frame-threads={threads}:info=0"
        return {"crf": quality, "preset": preset, "x265-params": quiet}
    if encoder == "ffv1":
        return {"level": "3"}
    if encoder == "mjpeg":
        quality = str(3 if crf is None else max(crf, 2))
    return {"qmin": quality, "qmax": quality, "strict": "unofficial"}


def _tag(
    stream: VideoStream, container_name: str, codec: str, full_range: bool, rotation_deg: int
) -> None:
    """Say in the stream what the luma's range is and how the picture is to be turned."""
    range_tag = ColorRange.JPEG if full_range else ColorRange.MPEG
    stream.codec_context.color_range = int(range_tag)
    stream.codec_context.colorspace = BT709  # without it libx264 leaves the range unsaid
    if codec == "hevc" and container_name in ("mp4", "mov"):
        stream.codec_context.codec_tag = "hvc1"
    if rotation_deg % 360:
        stream.set_display_rotation(rotation_deg % 360)


def _framer(
    name: str, shape: Sequence[int], stamps: Stamps, full_range: bool
) -> Callable[[int, Picture], av.VideoFrame]:
    """Return a function that makes a frame of a picture, its chroma grey."""
    height, width = shape[0], shape[1]
    planes = np.full((height * 3 // 2, width), 128, np.uint8)
    steps = np.diff(stamps.pts, append=stamps.pts[-1:] + _last_step(stamps))
    range_tag = int(ColorRange.JPEG if full_range else ColorRange.MPEG)

    def frame_of(index: int, picture: Picture) -> av.VideoFrame:
        if picture.shape != tuple(shape) or picture.dtype != np.uint8:
            raise ClipError(f"{name}: picture {index} is not {width} x {height} of 8 bits")
        if index >= len(stamps.pts):
            raise ClipError(f"{name}: more pictures than the {len(stamps.pts)} stamps")
        planes[:height] = picture
        frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
        frame.pts = int(stamps.pts[index])
        frame.duration = int(steps[index])
        frame.time_base = stamps.time_base
        frame.color_range = range_tag
        return frame

    return frame_of


def _last_step(stamps: Stamps) -> int:
    """Return how long the last frame is shown: as long as the one before it."""
    return int(stamps.pts[-1] - stamps.pts[-2]) if len(stamps.pts) > 1 else 1


def _chained(first: Picture, rest: Iterable[Picture]) -> Iterable[Any]:
    """Yield the first picture, then the rest."""
    yield first
    yield from rest
