"""Clips of every kind with a counter in the picture, written with PyAV and patched box by box.

Shares nothing with the reader: what is read back is compared with what was asked for here.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from av.codec.codec import UnknownCodecError

from tests.schedule import kept_schedule

HEIGHT, WIDTH = 96, 160
BITS, SIDE = 10, 24  # of the counter: two rows of five blocks
DARK, BRIGHT = 40, 210
TICK = Fraction(1, 90_000)


@dataclass
class Kind:
    """A container with a codec in it, and how exactly it holds stamps."""

    suffix: str
    encoder: str
    pix_fmt: str = "yuv420p"
    options: dict[str, str] = field(default_factory=dict)
    time_base: Fraction = TICK

    def __str__(self):
        return f"{self.suffix[1:]}-{self.encoder}-{self.pix_fmt}"


H264 = {"bf": "3", "g": "12", "crf": "16"}
H265 = {"x265-params": "log-level=none:bframes=3:keyint=12:pools=1:frame-threads=1", "crf": "16"}
VP9 = {"cpu-used": "8", "crf": "20", "b": "0", "g": "12", "auto-alt-ref": "1", "lag-in-frames": "8"}
AV1 = {"preset": "8", "crf": "20", "g": "12", "svtav1-params": "lp=1"}
MILLI = Fraction(1, 1000)
STAMPED = [
    Kind(".mp4", "libx264", options=H264),
    Kind(".mp4", "libx265", options=H265),
    Kind(".mp4", "libx265", "yuv420p10le", options=H265),
    Kind(".mp4", "libsvtav1", options=AV1),
    Kind(".mp4", "libvpx-vp9", options=VP9),
    Kind(".mp4", "mjpeg", "yuvj420p"),
    Kind(".mov", "libx264", "yuvj420p", options=H264),
    Kind(".mov", "prores_ks", "yuv422p10le"),
    Kind(".mov", "mjpeg", "yuvj420p"),
    Kind(".mkv", "libx264", options=H264, time_base=MILLI),
    Kind(".mkv", "libx265", options=H265, time_base=MILLI),
    Kind(".mkv", "libsvtav1", "yuv420p10le", options=AV1, time_base=MILLI),
    Kind(".mkv", "ffv1", time_base=MILLI),
    Kind(".webm", "libvpx-vp9", options=VP9, time_base=MILLI),
    Kind(".webm", "libsvtav1", options=AV1, time_base=MILLI),
]
COUNTED = [  # AVI counts frames and holds no stamps
    Kind(".avi", "mjpeg", "yuvj420p"),
    Kind(".avi", "ffv1"),
    Kind(".avi", "mpeg4", options={"bf": "2", "g": "12", "qmin": "2", "qmax": "4"}),
    Kind(".avi", "libx264", options=H264),
]


def need(encoder: str) -> None:
    """Skip where PyAV's FFmpeg has no such encoder."""
    try:
        av.codec.Codec(encoder, "w")
    except UnknownCodecError:
        pytest.skip(f"PyAV's FFmpeg has no encoder {encoder}")


def counter(number: int) -> np.ndarray:
    """Draw a number as blocks (h, w): the lowest bit at the top left."""
    picture = np.full((HEIGHT, WIDTH), DARK, np.uint8)
    for bit in range(BITS):
        if number >> bit & 1:
            x, y = 16 + (bit % 5) * 28, 16 + (bit // 5) * 36
            picture[y : y + SIDE, x : x + SIDE] = BRIGHT
    return picture


def number_in(luma: np.ndarray) -> int:
    """Read the number that a shown picture counts; levels of ten bits are brought to eight."""
    levels = luma.astype(float) / (4.0 if luma.dtype == np.uint16 else 1.0)
    number = 0
    for bit in range(BITS):
        x, y = 16 + (bit % 5) * 28 + 6, 16 + (bit // 5) * 36 + 6
        number |= int(levels[y : y + 12, x : x + 12].mean() > (DARK + BRIGHT) / 2) << bit
    return number


@kept_schedule()
def write_counted(
    path: Path,
    kind: Kind,
    pts,
    *,
    numbers=None,
    time_base: Fraction | None = None,
    muxer: dict[str, str] | None = None,
    metadata: dict[str, str] | None = None,
    sound_s: float | None = None,
    rate: Fraction = Fraction(30),
    turn_deg: int = 0,
) -> Path:
    """Write counters 0, 1, 2 ... (or `numbers`) at the stamps `pts`, in ticks of `time_base`.

    `turn_deg` asks the player to turn the picture, counter-clockwise.
    """
    need(kind.encoder)
    base = time_base or kind.time_base
    with av.open(str(path), "w", options=muxer or {}) as container:
        container.metadata.update(metadata or {})
        stream = container.add_stream(kind.encoder, rate=rate, options=dict(kind.options))
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, kind.pix_fmt
        stream.time_base = stream.codec_context.time_base = base
        stream.codec_context.thread_count = 1
        if turn_deg:
            stream.set_display_rotation(turn_deg)
        sound = container.add_stream("aac", rate=48_000, layout="mono") if sound_s else None
        planes = np.full((HEIGHT * 3 // 2, WIDTH), 128, np.uint8)
        for number, stamp in zip(numbers or range(len(pts)), pts, strict=True):
            planes[:HEIGHT] = counter(number)
            frame = av.VideoFrame.from_ndarray(planes, "yuv420p")
            if kind.pix_fmt != "yuv420p":
                frame = frame.reformat(format=kind.pix_fmt)
            frame.pts, frame.time_base = int(stamp), base
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
        if sound is not None:
            _put_sound(container, sound, sound_s)
    return path


def _put_sound(container, stream, seconds: float) -> None:
    rng = np.random.default_rng(1)
    for k in range(round(seconds * 48_000 / 1024)):
        samples = rng.normal(0.0, 0.1, (1, 1024)).astype(np.float32)
        frame = av.AudioFrame.from_ndarray(samples, "fltp", "mono")
        frame.sample_rate, frame.pts = 48_000, 1024 * k
        container.mux(stream.encode(frame))
    container.mux(stream.encode(None))


def box(kind: bytes, *bodies: bytes) -> bytes:
    body = b"".join(bodies)
    return struct.pack(">I", 8 + len(body)) + kind + body


def split(data: bytes) -> list[tuple[bytes, bytes]]:
    """Return kind and body of each box (32 bit sizes only, as PyAV writes them)."""
    found, place = [], 0
    while place < len(data):
        size, kind = struct.unpack_from(">I4s", data, place)
        found.append((kind, data[place + 8 : place + size]))
        place += size
    return found


def rebuilt(data: bytes, way: tuple[bytes, ...], change) -> bytes:
    """Change the body of the first box along a way; `change` of None gives a new one."""
    done, out = False, []
    for kind, body in split(data):
        if kind == way[0] and not done:
            done = True
            new = change(body) if len(way) == 1 else rebuilt(body, way[1:], change)
            out.append(box(kind, new) if new is not None else b"")
        else:
            out.append(box(kind, body))
    if not done and len(way) == 1:
        out.append(box(way[0], change(None)))
    return b"".join(out)


def patched(path: Path, way: tuple[bytes, ...], change) -> Path:
    """Change a box of a file whose index lies behind its pictures; return the new file."""
    data = path.read_bytes()
    kinds = [kind for kind, _ in split(data)]
    assert kinds.index(b"mdat") < kinds.index(b"moov")  # so that no offset moves
    out = path.with_name(f"patched-{path.name}")
    out.write_bytes(rebuilt(data, way, change))
    return out


def with_edits(path: Path, rows) -> Path:
    """Give the first track an edit list: rows of duration (movie ticks), media time, rate."""
    body = struct.pack(">II", 0, len(rows)) + b"".join(
        struct.pack(">IiI", duration, media, round(rate * 65536)) for duration, media, rate in rows
    )
    return patched(path, (b"moov", b"trak", b"edts"), lambda _: box(b"elst", body))


def without_offsets(path: Path) -> Path:
    """Take the composition offsets and the edit list away, as a careless program leaves them."""
    bare = patched(path, (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"ctts"), lambda _: None)
    return patched(bare, (b"moov", b"trak", b"edts"), lambda _: None)
