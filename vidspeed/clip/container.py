"""Open the container of a clip with PyAV, and list what it stores without decoding it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from itertools import islice
from pathlib import Path
from typing import Any

import av
import numpy as np
from av.container import InputContainer
from av.video.stream import VideoStream

from vidspeed.clip.boxes import movie_boxes
from vidspeed.clip.order import THREADS
from vidspeed.errors import ClipError
from vidspeed.spread.progress import alive
from vidspeed.values import Ints, Value

READABLE = "an MP4, MOV, MKV or AVI file as the camera wrote it is needed"
MOST_DECODED, FEWEST_THREADS = 30 << 20, 3  # bytes of pictures that are decoded at a time
MOST_WAITING = 12_000_000  # bytes of those that then wait, less than one of 3840 x 2160
PROBED = 24  # frames by which the order of the stamps is judged
EARLY_S = 0.5  # before the first frame wanted a clip is read: a decoder has begun by then
LISTS = ("concat", "hls", "dash", "imf", "sdp")  # formats that lead to other files
MOST_PIXELS = 36_000_000  # 8192 x 4320 and a little more
MARKED = 3  # packets in which encoders leave their names
ENCODERS = re.compile(rb"x264 - core \d+|x265 \(build \d+\)|Lavc[\d.]*\d|XviD\d+|DivX\d+")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Packets(Value):
    """What a file stores: `stamps` (n,) of all frames that are shown, in ticks, in order.

    `sound_s` is how long the sound lasts by its own stamps, None where there is none; `marks` are
    the names that encoders left in the first packets; `tags` those of the file and its picture
    track.
    """

    stamps: Ints
    time_base: Fraction
    sound_s: float | None
    marks: tuple[str, ...]
    tags: Mapping[str, str]


def packets_of(path: Path) -> Packets:
    """List what a file stores; nothing is decoded.

    Raises
    ------
    ClipError
        Where the file is no clip.
    """
    with open_clip(path) as container:
        stream = video_stream(path, container)
        stored = stamped_as_stored(path, stream)
        sound = container.streams.audio[:1]
        pictures: list[int] = []
        heard: list[tuple[int, int]] = []
        marks: list[str] = []
        for packet in _packets(container, stream, *sound):
            if not packet.size or packet.is_discard:
                continue
            stamp = packet.dts if stored else packet.pts
            if stamp is None:
                continue
            if packet.stream_index != stream.index:
                heard.append((int(stamp), int(packet.duration or 0)))
                continue
            if len(pictures) < MARKED:
                marks += [found.decode("ascii") for found in ENCODERS.findall(bytes(packet))]
            pictures.append(int(stamp))
        base = stream.time_base or Fraction(1, 1)
        tick_s = float(sound[0].time_base or 0) if sound else 0.0
        tags = tags_of(container, stream)
    return Packets(
        stamps=np.array(sorted(pictures), dtype=np.int64),
        time_base=base,
        sound_s=(heard[-1][0] + heard[-1][1] - heard[0][0]) * tick_s if heard else None,
        marks=tuple(dict.fromkeys(marks)),
        tags=tags,
    )


def tags_of(container: InputContainer, stream: VideoStream) -> dict[str, str]:
    """Return the tags of a file and of its picture track; of one name that of the file."""
    return {**stream.metadata, **container.metadata}


def _packets(container: InputContainer, *streams: Any) -> Iterator[Any]:
    """Yield packets as far as the file can be read."""
    packets = container.demux(*streams)
    while True:
        alive()
        try:
            yield next(packets)
        except (StopIteration, av.FFmpegError):
            return


def stamped_as_stored(path: Path, stream: VideoStream) -> bool:
    """Say whether a file stamps its frames in the order of storing though it shows them in another.

    AVI can do no else; an MP4 without composition offsets, or frames packed by an old program
    into another container, show it by stamps that go back as the first frames come out.
    """
    if not stream.codec_context.has_b_frames:
        return False
    with open_clip(path) as container:
        if container.format.name == "avi":
            return True
        again = video_stream(path, container)
        first = [row.pts for row in islice(_packets(container, again), PROBED) if row.size]
        known = [stamp for stamp in first if stamp is not None]
        if not known or known != sorted(known):
            return False
    with open_clip(path) as container:
        again = video_stream(path, container)
        shown: list[int] = []
        for packet in islice(_packets(container, again), PROBED):
            try:
                shown += [frame.pts for frame in packet.decode() if frame.pts is not None]
            except av.FFmpegError:
                return False
    return shown != sorted(shown)


def check_file(path: Path) -> None:
    """Raise ClipError where there is no file with bytes in it."""
    name = path.name
    if not path.exists():
        home = path.absolute().parent
        raise ClipError(f"{name}: there is no such file in {home}; check its name and folder")
    if path.is_dir():
        raise ClipError(f"{name}: this is a folder, not a clip; {READABLE}")
    if not path.is_file():
        raise ClipError(f"{name}: this is a pipe or a device, no file with bytes of its own")
    if path.stat().st_size == 0:
        raise ClipError(f"{name}: the file is empty (0 bytes); copy it from the camera again")


def open_clip(path: Path) -> InputContainer:
    """Open the container, or say what the file is instead."""
    name = path.name
    check_file(path)
    try:
        whole = str(path.absolute())  # or else FFmpeg takes `day:1/clip.mp4` for a protocol
        container = av.open(whole, "r", metadata_errors="replace", options=_options(path))
        if container.format.name == "image2" or container.format.name.endswith("_pipe"):
            container.close()
            raise ClipError(f"{name}: this is a picture, not a clip; {READABLE}")
        if container.format.name in LISTS:
            container.close()
            raise ClipError(f"{name}: this is a list of other files, not a clip; {READABLE}")
        return container
    except PermissionError:
        raise ClipError(f"{name}: the file may not be read; check its permissions") from None
    except (av.FFmpegError, OSError, ValueError) as error:
        raise ClipError(f"{name}: {_what_it_is(path, error)}") from None


def _options(path: Path) -> dict[str, str]:
    """Read the recording itself where an edit list pieces it together or changes its speed."""
    boxes = movie_boxes(path)
    return {"ignore_editlist": "1"} if boxes is not None and boxes.pieced else {}


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


def video_stream(path: Path, container: InputContainer) -> VideoStream:
    """Return the stream of moving pictures; a cover picture is none."""
    cover = av.stream.Disposition.attached_pic
    streams = [stream for stream in container.streams.video if not stream.disposition & cover]
    if not streams:
        sound = "only sound" if container.streams.audio else "no pictures"
        raise ClipError(f"{path.name}: there is {sound} in this file; {READABLE}")
    stream = streams[0]
    _check_decoder(path, stream)
    stream.thread_type = "AUTO"
    stream.codec_context.thread_count = _threads(stream)
    if stream.codec_context.name == "mjpeg":  # other decoders say what they had to guess
        stream.codec_context.options |= {"err_detect": "explode"}
    return stream


def frames_ahead(stream: VideoStream) -> int:
    """Return how many decoded frames may wait: none of large pictures."""
    return MOST_WAITING // _frame_bytes(stream)


def _threads(stream: VideoStream) -> int:
    """Return how many threads decode: enough that some work while others wait for each other.

    Each holds a picture, so that of large pictures there are fewer.
    """
    return min(THREADS, max(FEWEST_THREADS, MOST_DECODED // _frame_bytes(stream)))


def _frame_bytes(stream: VideoStream) -> int:
    """Return how large a frame of eight bits with its colours is."""
    context = stream.codec_context
    return max(context.width * context.height * 3 // 2, 1)


def _check_decoder(path: Path, stream: VideoStream) -> None:
    """Refuse pictures that nothing here decodes, or too large ones, before memory is taken."""
    codec: Any = (
        stream.codec_context
    )  # None where the code is unknown, which PyAV's types do not say
    if codec is None:
        raise ClipError(
            f"{path.name}: the pictures are in a code that no decoder here knows; {READABLE}"
        )
    if codec.width * codec.height > MOST_PIXELS:
        raise ClipError(
            f"{path.name}: the file says that its pictures are {codec.width} x {codec.height}, "
            f"more than {MOST_PIXELS // 1_000_000} million pixels, the most that are measured; a "
            "damaged file says such things: copy it from the camera again, or film with fewer"
        )
    codec.options = {"max_pixels": str(MOST_PIXELS)}
