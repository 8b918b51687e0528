"""Open a clip and give its frames: luma as the decoder made it, stamps as the file has them.

PyAV reads. Nothing converts colours, nothing counts frames over a nominal rate: a frame's time
is its presentation stamp in the container's own time base, after the edit list (which FFmpeg's
MP4 reader applies). The luma comes turned as it is shown.
"""

from __future__ import annotations

import hashlib
from collections.abc import Generator, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import av
import numpy as np
from av.container import InputContainer
from av.sidedata.sidedata import Type as SideData
from av.video.stream import VideoStream
from numpy.typing import NDArray

from vidspeed.errors import ClipError
from vidspeed.values import Floats, Value

Luma = NDArray[Any]  # uint8, or uint16 in levels of ten bits

LUMA_FIRST = ("gray", "gray10le", "gray12le", "gray16le", "nv12", "nv21", "p010le")
READABLE = "an MP4, MOV, MKV or AVI file as the camera wrote it is needed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One decoded frame.

    `luma` (h, w) is as shown: uint8, or uint16 in levels of ten bits where the file holds more
    than eight. `index` counts decoded frames from 0; `stamp` is in ticks of the time base.
    """

    index: int
    stamp: int
    time_s: float
    luma: Luma


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Header(Value):
    """What the first frame and the container say; sizes (width, height) as shown."""

    file: str
    size_px: tuple[int, int]
    rotation_deg: int  # counter-clockwise turn from the stored to the shown picture
    codec: str
    bit_depth: int
    full_range: bool
    time_base: Fraction
    duration_s: float | None  # as the container announces it
    frames_announced: int | None
    has_sound: bool
    notes: tuple[str, ...] = ()


class ClipReader:
    """A clip, open; use it with `with`. `frames` may be asked for once.

    `header` is known at once. `damaged` counts the frames and packets that could not be decoded
    so far, `cut_short` says that the file ended before its index did.

    Raises
    ------
    ClipError
        Where the file is missing, empty, no clip, or of a kind that cannot be measured.
    """

    def __init__(self, path: Path, *, from_s: float | None = None) -> None:
        self.path = path
        self.damaged = 0
        self.cut_short = False
        self._container = _open(path)
        try:
            self._stream = _video_stream(path, self._container)
            if from_s is not None:
                self._seek(from_s)
            self._decoded = self._decode()
            self._first = next(self._decoded, None)
            if self._first is None:
                raise ClipError(f"{path.name}: no frame can be decoded; {READABLE}")
            self.header = _header(path, self._container, self._stream, self._first)
        except BaseException:
            self._container.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._decoded.close()
        self._container.close()

    def frames(self) -> Iterator[Frame]:
        """Yield the frames in the order in which they are presented; damaged ones are left out.

        Raises
        ------
        ClipError
            Where a frame has no stamp, is interlaced, or the picture's size changes on the way.
        """
        turn = self.header.rotation_deg
        frame, index = self._first, 0
        while frame is not None:
            self._check(frame, index)
            stamp = int(frame.pts) if frame.pts is not None else 0
            time_s = float(stamp * self.header.time_base)
            yield Frame(index=index, stamp=stamp, time_s=time_s, luma=turned(_luma(frame), turn))
            frame, index = next(self._decoded, None), index + 1

    def _check(self, frame: av.VideoFrame, index: int) -> None:
        """Refuse what would be measured wrongly."""
        name, first = self.path.name, self._first
        if frame.pts is None:
            raise ClipError(
                f"{name}: frame {index} has no time stamp (a bare stream?); "
                f"{READABLE}, not a stream taken out of it"
            )
        if frame.interlaced_frame:
            raise ClipError(
                f"{name}: the frames are interlaced (two half pictures of different times); "
                "film with progressive frames"
            )
        if first is not None and (frame.width, frame.height) != (first.width, first.height):
            raise ClipError(
                f"{name}: the picture's size changes at frame {index} from "
                f"{first.width} x {first.height} to {frame.width} x {frame.height}; "
                "one size throughout is needed"
            )

    def _seek(self, from_s: float) -> None:
        """Go to the key frame before a moment; a file without an index is read from its start."""
        stream = self._stream
        base = stream.time_base or Fraction(1, 1)
        try:
            self._container.seek(max(0, int(from_s / base)), stream=stream, backward=True)
        except av.FFmpegError:
            self._container.seek(0)

    def _decode(self) -> Generator[Any]:
        """Decode packet by packet, stepping over what is damaged."""
        packets = self._container.demux(self._stream)
        while True:
            try:
                packet = next(packets)
            except StopIteration:
                return
            except av.FFmpegError:
                self.cut_short = True
                return
            if packet.is_corrupt and packet.size:
                self.cut_short = True
            try:
                decoded = packet.decode()
            except av.FFmpegError:
                self.damaged += 1
                continue
            for frame in decoded:
                if frame.is_corrupt:
                    self.damaged += 1
                else:
                    yield frame


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def turned(luma: Luma, rotation_deg: int) -> Luma:
    """Turn a stored picture counter-clockwise by a multiple of 90 degrees."""
    return np.ascontiguousarray(np.rot90(luma, rotation_deg // 90)) if rotation_deg else luma


def readout_row(xy_px: Floats, size_px: tuple[int, int], rotation_deg: int) -> Floats:
    """Return where in the read-out (n,), 0 to 1, the row of each light (n, 2) lies.

    The sensor is read along the rows of the stored picture; `xy_px` and `size_px` (width,
    height) are of the picture as shown, `rotation_deg` is the counter-clockwise turn between.

    Examples
    --------
    >>> readout_row(np.array([[100.0, 270.0]]), (1920, 1080), 0)
    array([0.25])
    >>> readout_row(np.array([[270.0, 100.0]]), (1080, 1920), 90)
    array([0.25])
    """
    width, height = size_px
    row = {
        0: xy_px[:, 1] / height,
        90: xy_px[:, 0] / width,
        180: (height - 1 - xy_px[:, 1]) / height,
        270: (width - 1 - xy_px[:, 0]) / width,
    }[rotation_deg % 360]
    return np.clip(row, 0.0, 1.0)


def _open(path: Path) -> InputContainer:
    """Open the container, or say what the file is instead."""
    name = path.name
    if not path.exists():
        raise ClipError(f"{name}: there is no such file in {path.parent}; check `file` of the clip")
    if not path.is_file():
        raise ClipError(f"{name}: this is a folder, not a clip; {READABLE}")
    if path.stat().st_size == 0:
        raise ClipError(f"{name}: the file is empty (0 bytes); copy it from the camera again")
    try:
        container = av.open(str(path), "r")
        if container.format.name == "image2" or container.format.name.endswith("_pipe"):
            container.close()
            raise ClipError(f"{name}: this is a picture, not a clip; {READABLE}")
        return container
    except PermissionError:
        raise ClipError(f"{name}: the file may not be read; check its permissions") from None
    except (av.FFmpegError, OSError, ValueError) as error:
        raise ClipError(f"{name}: {_what_it_is(path, error)}") from None


def _what_it_is(path: Path, error: Exception) -> str:
    """Say what is wrong with a file that FFmpeg does not open."""
    with path.open("rb") as file:
        head = file.read(512)
    if head[4:8] in (b"ftyp", b"moov", b"mdat", b"wide", b"free"):
        return (
            "the clip is cut short: its index (moov) is missing, so the recording was not "
            "finished or only half was copied; copy it from the camera again"
        )
    if not any(byte < 9 or 13 < byte < 32 for byte in head):
        return f"this is text, not a clip; {READABLE}"
    reason = getattr(error, "strerror", None) or str(error)
    return f"this is not a clip that can be read ({reason}); {READABLE}"


def _video_stream(path: Path, container: InputContainer) -> VideoStream:
    """Return the stream of moving pictures; a cover picture is none."""
    cover = av.stream.Disposition.attached_pic
    streams = [stream for stream in container.streams.video if not stream.disposition & cover]
    if not streams:
        sound = "only sound" if container.streams.audio else "no pictures"
        raise ClipError(f"{path.name}: there is {sound} in this file; {READABLE}")
    stream = streams[0]
    stream.thread_type = "AUTO"
    return stream


def _header(
    path: Path, container: InputContainer, stream: VideoStream, frame: av.VideoFrame
) -> Header:
    """Gather what does not change from frame to frame."""
    rotation = _rotation(path, frame)
    size = (frame.width, frame.height)
    duration = float(container.duration) / 1e6 if container.duration else None
    notes = []
    aspect = stream.sample_aspect_ratio
    if aspect not in (None, 0, 1):
        notes.append(f"the pixels are not square ({aspect}); positions are in stored pixels")
    if frame.time_base is None:
        raise ClipError(f"{path.name}: the file has no time base; {READABLE}")
    return Header(
        file=path.name,
        size_px=size if rotation % 180 == 0 else (size[1], size[0]),
        rotation_deg=rotation,
        codec=str(stream.codec_context.name),
        bit_depth=frame.format.components[0].bits,
        full_range=int(frame.color_range) == 2 or frame.format.name.startswith("yuvj"),
        time_base=Fraction(frame.time_base),
        duration_s=duration,
        frames_announced=stream.frames or None,
        has_sound=bool(container.streams.audio),
        notes=tuple(notes),
    )


def _rotation(path: Path, frame: av.VideoFrame) -> int:
    """Return the counter-clockwise turn (0, 90, 180, 270) that the display matrix asks for."""
    kept: Any = frame.side_data  # a mapping by kind, which PyAV's types do not say
    matrix = kept.get(SideData.DISPLAYMATRIX)
    if matrix is not None:
        a, b, _, c, d = np.frombuffer(bytes(matrix), dtype="=i4")[:5].astype(float)
        if a * d - b * c < 0:
            raise ClipError(
                f"{path.name}: the file asks for a mirrored picture; "
                "film with the main camera and mirroring off"
            )
    angle = int(frame.rotation)
    if angle % 90:
        raise ClipError(
            f"{path.name}: the file asks for a turn of {angle} degrees; "
            "only 0, 90, 180 and 270 can be shown without resampling"
        )
    return angle % 360


def _luma(frame: av.VideoFrame) -> Luma:
    """Return a copy of the decoder's Y plane (h, w)."""
    kind = frame.format
    if kind.is_rgb or kind.has_palette or not (kind.is_planar or kind.name in LUMA_FIRST):
        frame = frame.reformat(format="gray")
        kind = frame.format
    line, plane = frame.planes[0].line_size, memoryview(frame.planes[0])
    bits = kind.components[0].bits
    if bits == 8:
        rows8 = np.frombuffer(plane, np.uint8).reshape(frame.height, line)
        return rows8[:, : frame.width].copy()
    order = ">" if kind.is_big_endian else "<"
    rows = np.frombuffer(plane, np.dtype(f"{order}u2")).reshape(frame.height, line // 2)
    shift = 6 if kind.name.startswith("p010") else bits - 10
    levels = rows[:, : frame.width]
    return (levels >> shift if shift >= 0 else levels << -shift).astype(np.uint16)
