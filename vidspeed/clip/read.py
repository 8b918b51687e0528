"""Open a clip and give its frames: luma as the decoder made it, stamps as the file has them.

PyAV reads. Nothing converts colours, nothing counts frames over a nominal rate: a frame's time
is its presentation stamp in the container's own time base, after the edit list (which FFmpeg's
MP4 reader applies). The luma comes turned as it is shown. Where a file stamps its frames in the
order in which they are stored, they get these stamps in the order in which they are shown.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import islice
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import av
from av.container import InputContainer
from av.sidedata.sidedata import Type as SideData
from av.video.stream import VideoStream

from vidspeed.clip.ahead import ahead
from vidspeed.clip.boxes import MovieBoxes, movie_boxes
from vidspeed.clip.container import (
    PROBED,
    READABLE,
    frames_ahead,
    open_clip,
    stamped_as_stored,
    tags_of,
    video_stream,
)
from vidspeed.clip.order import Damage, StoredOrder
from vidspeed.clip.raw import file_sha256, refuse_unreadable
from vidspeed.clip.shown import Luma, display_of, has_luma, luma_of, readout_row, turned
from vidspeed.errors import ClipError
from vidspeed.spread.progress import alive
from vidspeed.values import Picture, Value
from vidspeed.values.timed import SoundTrack

__all__ = ["ClipReader", "Frame", "Header", "Luma", "file_sha256", "readout_row", "turned"]

LEAST_SIDE_PX = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One decoded frame.

    `luma` (h, w) is as shown: uint8, or uint16 in levels of ten bits where the file holds more
    than eight. `index` counts decoded frames from 0; `stamp` is in ticks of the time base.
    `colours` (h, w, 3) uint8, red, green, blue, are there where they were asked for.
    """

    index: int
    stamp: int
    time_s: float
    luma: Luma
    colours: Picture | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Header(Value):
    """What the first frame and the container say; sizes (width, height) as shown."""

    file: str
    container: str
    size_px: tuple[int, int]
    rotation_deg: int  # counter-clockwise turn from the stored to the shown picture
    mirrored: bool  # the stored picture is flipped left to right before that turn
    codec: str
    bit_depth: int
    full_range: bool
    interlaced: bool
    time_base: Fraction
    duration_s: float | None  # as the container announces it
    frames_announced: int | None
    nominal_hz: float | None  # the rate that the container or the codec names
    reordered: bool  # stamps were in the order of storing
    sound: SoundTrack | None
    tags: Mapping[str, str] = field(default_factory=dict)  # of the file and its picture track
    notes: tuple[str, ...] = ()

    @property
    def has_sound(self) -> bool:
        """Say whether there is a sound track."""
        return self.sound is not None


class ClipReader:
    """A clip, open; use it with `with`. `frames` may be asked for once.

    An `eager` one goes on decoding some frames ahead while a frame is worked through.

    `header` is known at once. `unstamped` counts the first frames where they have no stamp,
    `cut_short` says that the file ended before its index did.

    Raises
    ------
    ClipError
        Where the file is missing, empty, no clip, or of a kind that cannot be measured.
    """

    def __init__(self, path: Path, *, from_s: float | None = None, eager: bool = False) -> None:
        self.path = path
        self.unstamped = 0
        self.cut_short = False
        self._container = open_clip(path)
        self._decoded = self._decode()
        try:
            self._stream = video_stream(path, self._container)
            self._order = StoredOrder() if stamped_as_stored(path, self._stream) else None
            if self._order is not None:
                self._stream.thread_type = "SLICE"  # packets and frames keep step
            self._damage = Damage()
            if from_s is not None:
                self._seek(from_s)
            if eager:
                self._decoded = ahead(self._decoded, frames_ahead(self._stream))
            self._first: tuple[Any, int | None] | None = self._begin()
            self._stored_px = (self._first[0].width, self._first[0].height)
            self.header = _header(
                path,
                self._container,
                self._stream,
                self._first[0],
                reordered=self._order is not None and self._container.format.name != "avi",
            )
        except BaseException:
            self._end()
            raise

    @property
    def damaged(self) -> int:
        """Return how many frames could not be decoded so far."""
        return self._damage.damaged

    @property
    def skipped(self) -> int:
        """Return how many frames were left out so far because they rest on damaged ones."""
        return self._damage.skipped

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._end()

    def _end(self) -> None:
        self._decoded.close()
        self._container.close()

    def frames(self, *, coloured: bool = False) -> Iterator[Frame]:
        """Yield the frames in the order in which they are presented; damaged ones are left out.

        Raises
        ------
        ClipError
            Where a frame has no stamp, is interlaced, or the picture's size changes on the way.
        """
        header, index, current = self.header, 0, self._first
        self._first = None  # a frame that is held is one that the decoder must do without
        ticks, a_second = header.time_base.as_integer_ratio()
        while current is not None:
            frame, stamp = current
            self._check(frame, stamp, index)
            time_s = (stamp or 0) * ticks / a_second
            way = (header.rotation_deg, header.mirrored)
            luma = turned(luma_of(frame), *way)
            colours = turned(frame.to_ndarray(format="rgb24"), *way) if coloured else None
            yield Frame(index=index, stamp=stamp or 0, time_s=time_s, luma=luma, colours=colours)
            current, index = next(self._decoded, None), index + 1

    def _check(self, frame: av.VideoFrame, stamp: int | None, index: int) -> None:
        """Refuse what would be measured wrongly."""
        if stamp is None:
            raise ClipError(
                f"{self.path.name}: frame {index} has no time stamp; {READABLE}, "
                "not a stream taken out of it"
            )
        if frame.interlaced_frame:
            raise ClipError(
                f"{self.path.name}: the frames are interlaced: each holds two half pictures of "
                "different times, line by line; film with progressive frames (such as 50p or 60p)"
            )
        if (frame.width, frame.height) != self._stored_px:
            raise ClipError(
                f"{self.path.name}: the picture's size changes at frame {index} from "
                f"{self._stored_px[0]} x {self._stored_px[1]} to {frame.width} x {frame.height}; "
                "one size throughout is needed"
            )

    def _begin(self) -> tuple[Any, int | None]:
        """Return the first frame that has a stamp; Matroska has none for frames before zero."""
        for frame, stamp in islice(self._decoded, PROBED):
            if stamp is not None:
                return frame, stamp
            self.unstamped += 1
        if self.unstamped:
            raise ClipError(
                f"{self.path.name}: the frames have no time stamps (a bare stream?); "
                f"{READABLE}, not a stream taken out of it"
            )
        raise ClipError(f"{self.path.name}: no frame can be decoded; {READABLE}")

    def _seek(self, from_s: float) -> None:
        """Go to the key frame before a moment; a file without an index is read from its start."""
        stream = self._stream
        base = stream.time_base or Fraction(1, 1)
        try:
            self._container.seek(max(0, int(from_s / base)), stream=stream, backward=True)
        except av.FFmpegError:  # now it may stand anywhere, and AVI may not even go to 0
            self._container.close()
            self._container = open_clip(self.path)
            self._stream = video_stream(self.path, self._container)
            if self._order is not None:
                self._stream.thread_type = "SLICE"

    def _decode(self) -> Generator[tuple[Any, int | None]]:
        """Yield good frames with their stamps; after damage go on at the next key frame."""
        packets = self._container.demux(self._stream)
        while True:
            alive()  # decoding a long clip is no silence
            try:
                packet = next(packets)
            except StopIteration:
                break
            except av.FFmpegError:
                refuse_unreadable(self.path)
                self.cut_short = True
                break
            if packet.is_corrupt and packet.size:
                self.cut_short = True
            if self._order is not None:
                self._order.begin(packet)
            self._damage.sent(packet)
            try:
                decoded = packet.decode()
            except av.FFmpegError:
                self._damage.failed()
                continue
            for frame in decoded:
                stamp = frame.pts if self._order is None else self._order.stamp(frame)
                if self._damage.passes(frame):
                    yield frame, stamp
        self._damage.end(str(self._stream.codec_context.name))


def _header(
    path: Path,
    container: InputContainer,
    stream: VideoStream,
    frame: av.VideoFrame,
    *,
    reordered: bool,
) -> Header:
    """Gather what does not change from frame to frame."""
    rotation, mirrored = _display(path, frame)
    size = (frame.width, frame.height)
    if min(size) < LEAST_SIDE_PX:
        raise ClipError(
            f"{path.name}: the picture is {size[0]} x {size[1]}, at least {LEAST_SIDE_PX} each way "
            "are needed; a damaged file says such things: copy it from the camera again"
        )
    if frame.time_base is None or frame.time_base <= 0:
        raise ClipError(f"{path.name}: the file has no time base; {READABLE}")
    kind = frame.format
    full = int(frame.color_range) == 2 or kind.name.startswith("yuvj") or not has_luma(kind)
    return Header(
        file=path.name,
        container=container.format.name.split(",")[0],
        size_px=size if rotation % 180 == 0 else (size[1], size[0]),
        rotation_deg=rotation,
        mirrored=mirrored,
        codec=str(stream.codec_context.name),
        bit_depth=kind.components[0].bits,
        full_range=full,
        interlaced=bool(frame.interlaced_frame),
        time_base=Fraction(frame.time_base),
        duration_s=float(container.duration) / 1e6 if container.duration else None,
        frames_announced=stream.frames or None,
        nominal_hz=float(stream.guessed_rate) if stream.guessed_rate else None,
        reordered=reordered,
        sound=_sound(container),
        tags=tags_of(container, stream),
        notes=tuple(_header_notes(stream, mirrored, reordered, movie_boxes(path))),
    )


def _sound(container: InputContainer) -> SoundTrack | None:
    """Return what the container says of its first sound track."""
    if not container.streams.audio:
        return None
    stream = container.streams.audio[0]
    duration, base = stream.duration, stream.time_base
    codec = stream.codec_context
    return SoundTrack(
        codec=str(codec.name) if codec is not None else "unknown",
        rate_hz=int(stream.rate or 0) if codec is not None else 0,
        channels=int(stream.channels or 0) if codec is not None else 0,
        duration_s=float(duration * base) if duration is not None and base is not None else None,
    )


def _header_notes(
    stream: VideoStream, mirrored: bool, reordered: bool, boxes: MovieBoxes | None
) -> Iterator[str]:
    """Yield what a person should know of the picture."""
    aspect = stream.sample_aspect_ratio
    if aspect not in (None, 0, 1):
        yield f"the pixels are not square ({aspect}); positions are in stored pixels"
    if mirrored:
        yield (
            "the file asks for a mirrored picture, and it is taken as it is shown; "
            "where writing in it reads backwards, film with mirroring off"
        )
    if boxes is not None and boxes.pieced:
        yield (
            f"its edit list shows {boxes.pieces} of the recording; it is not followed: the whole "
            "recording is read, at its own times"
        )
    if reordered:
        yield (
            "the file stamps its frames in the order of storing, not of showing; "
            "they have these stamps in the order in which they are shown"
        )


def _display(path: Path, frame: av.VideoFrame) -> tuple[int, bool]:
    """Return the counter-clockwise turn (0, 90, 180, 270) and the mirroring that are asked for."""
    kept: Any = frame.side_data  # a mapping by kind, which PyAV's types do not say
    matrix = kept.get(SideData.DISPLAYMATRIX)
    angle, mirrored = display_of(None if matrix is None else bytes(matrix))
    rounded = round(angle) % 360
    if rounded % 90 or abs(angle - round(angle)) > 0.01:
        raise ClipError(
            f"{path.name}: the file asks for a turn of {angle:g} degrees; "
            "only 0, 90, 180 and 270 can be shown without resampling"
        )
    return rounded, mirrored
