"""Damaged clips: small good ones of every kind, and every way we could think of to spoil a file.

What a mutation does follows from its seed alone; the file formats are known here only as far as
it takes to spoil them well.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from tests.schedule import kept_schedule
from tests.tiny import edit, scene_text
from vidspeed.clip.read import ClipReader
from vidspeed.render.session import render_scene_file

os.environ.setdefault("SVT_LOG", "1")  # one encoder talks unless asked not to

SIZE = (320, 180)
RATE_HZ = 60
RENDERED = "clips/north/pass-1.mp4"
KINDS = {  # name: container, encoder, its pixel format, its options, the container's options
    "h264.mp4": ("mp4", "libx264", "yuv420p", {"crf": "15", "preset": "fast"}, {}),
    "h264.mov": ("mov", "libx264", "yuv420p", {"crf": "15", "bf": "0", "g": "12"}, {}),
    "h264.mkv": ("matroska", "libx264", "yuv420p", {"crf": "15", "bf": "2"}, {}),
    "h264-index-first.mp4": (
        "mp4", "libx264", "yuv420p", {"crf": "15"}, {"movflags": "+faststart"},
    ),
    "h264-pieces.mp4": (
        "mp4", "libx264", "yuv420p", {"crf": "15", "g": "10"},
        {"movflags": "+frag_keyframe+empty_moov"},
    ),
    "hevc.mp4": ("mp4", "libx265", "yuv420p", {"crf": "14", "preset": "fast"}, {}),
    "hevc.mkv": ("matroska", "libx265", "yuv420p10le", {"crf": "14", "preset": "fast"}, {}),
    "mjpeg.avi": ("avi", "mjpeg", "yuvj420p", {"qmin": "2", "qmax": "2"}, {}),
    "mjpeg.mov": ("mov", "mjpeg", "yuvj420p", {"qmin": "2", "qmax": "2"}, {}),
    "vp9.webm": (
        "webm", "libvpx-vp9", "yuv420p", {"crf": "15", "b": "0", "cpu-used": "8", "g": "20"}, {},
    ),
    "vp9.mkv": ("matroska", "libvpx-vp9", "yuv420p", {"crf": "15", "b": "0", "cpu-used": "8"}, {}),
    "prores.mov": ("mov", "prores_ks", "yuv422p10le", {"profile": "2"}, {}),
    "av1.mp4": ("mp4", "libsvtav1", "yuv420p", {"crf": "15", "preset": "10"}, {}),
    "av1.webm": ("webm", "libsvtav1", "yuv420p", {"crf": "15", "preset": "10"}, {}),
    "mpeg4.avi": ("avi", "mpeg4", "yuv420p", {"qmin": "2", "qmax": "2", "g": "15"}, {}),
}  # fmt: skip
QUIET = {
    "libx265": {"x265-params": "log-level=none:pools=1:frame-threads=1:info=0"},
    "libsvtav1": {"svtav1-params": "lp=1"},
}
EXTREMES = (
    0, 1, 2, 7, 8, 0x7F, 0x80, 0xFF, 0xFFFF, 0x10000, 60_000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF,
)  # fmt: skip
TABLES = (b"stts", b"ctts", b"elst", b"mdhd", b"mvhd", b"tkhd", b"trun", b"tfdt", b"tfhd", b"mvex")
SIZES = (b"stsz", b"stsc", b"stco", b"co64", b"stsd", b"avc1", b"hvc1", b"hev1", b"av01", b"vp09")
HOLDERS = (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"edts", b"moof", b"traf", b"dinf", b"mvex")
VIDEO_SAMPLE_HEADER = 78  # bytes of a sample entry before its boxes


def render_base(folder: Path) -> Path:
    """Render the session whose clip is spoilt: a flight line so well known that time shows."""
    scene = folder.with_suffix(".toml")
    text = scene_text()
    for old, new in (
        ("clip_s = 0.9", "clip_s = 0.7"),
        ("offset_u_m = 0.2", "offset_u_m = 0.03"),
        ("height_u_m = 0.2", "height_u_m = 0.03"),
        ("[480, 270]", "[320, 180]"),
        ("focal_px = 280.0", "focal_px = 187.0"),
        ("focal_u_px = 3.0", "focal_u_px = 2.0"),
        ("[239.5, 134.5]", "[159.5, 89.5]"),
        ("crf = 17", "crf = 8"),
        ("lamp_signal = 6.0", "lamp_signal = 14.0"),
    ):
        assert old in text, old
        text = text.replace(old, new)
    scene.write_text(text, encoding="utf-8")
    render_scene_file(scene, folder, workers=1)
    return folder


def name_clip(folder: Path, name: str) -> Path:
    """Let the session take its clip from `name` in the folder; return where it belongs."""
    edit(folder / "session.toml", f'file = "{RENDERED}"', f'file = "{name}"')
    return folder / name


@kept_schedule()
def write_kind(kind: str, path: Path, pictures: Sequence[np.ndarray]) -> None:
    """Encode pictures (h, w) uint8 as one kind of clip."""
    container, encoder, pixels, options, wrapped = KINDS[kind]
    with av.open(
        str(path), "w", format=container, options={"fflags": "+bitexact"} | wrapped
    ) as out:
        stream = out.add_stream(encoder, rate=RATE_HZ)
        stream.height, stream.width = pictures[0].shape
        stream.pix_fmt = pixels
        stream.codec_context.time_base = Fraction(1, RATE_HZ)
        stream.codec_context.thread_count = 1
        stream.codec_context.options = {"threads": "1"} | options | QUIET.get(encoder, {})
        for number, picture in enumerate(pictures):
            grey = av.VideoFrame.from_ndarray(picture, format="gray")
            frame = grey.reformat(format=pixels)
            frame.pts, frame.time_base = number, Fraction(1, RATE_HZ)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))


def all_kinds(base: Path, folder: Path, kinds: Sequence[str] = tuple(KINDS)) -> dict[str, bytes]:
    """Return the base session's clip as every kind of file."""
    with ClipReader(base / RENDERED) as reader:
        pictures = [frame.luma for frame in reader.frames()]
    for kind in kinds:
        write_kind(kind, folder / kind, pictures)
    return {kind: (folder / kind).read_bytes() for kind in kinds}


# --- what is done to a file ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Box:
    """A box of an MP4 or MOV file: it begins at `start`, its content at `content`."""

    kind: bytes
    start: int
    content: int
    end: int


def boxes(data: bytes, start: int = 0, end: int | None = None) -> Iterator[Box]:
    """Yield the boxes of a file, those inside others too."""
    end = len(data) if end is None else end
    while start + 8 <= end:
        size, kind = struct.unpack_from(">I4s", data, start)
        content = start + 8
        if size == 1 and content + 8 <= end:
            size, content = struct.unpack_from(">Q", data, content)[0], content + 8
        stop = min(start + size, end) if size else end
        if stop < content:
            return
        yield Box(kind, start, content, stop)
        if kind in HOLDERS:
            yield from boxes(data, content, stop)
        if kind == b"stsd" and content + 8 < stop:
            yield from boxes(data, content + 8, stop)
        if kind in (b"avc1", b"hvc1", b"hev1", b"av01"):
            yield from boxes(data, content + VIDEO_SAMPLE_HEADER, stop)
        start = stop


Spoiler = Callable[[np.random.Generator, bytearray, Sequence[bytes]], bytearray]


def flip_bits(rng: np.random.Generator, data: bytearray, others: Sequence[bytes]) -> bytearray:
    """Flip one bit to three hundred, anywhere."""
    for _ in range(int(3 ** rng.uniform(0, 5.2))):
        data[int(rng.integers(len(data)))] ^= 1 << int(rng.integers(8))
    return data


def flip_in_head(rng: np.random.Generator, data: bytearray, others: Sequence[bytes]) -> bytearray:
    """Put random bytes into the first kilobyte or the last, where headers and indices are."""
    for _ in range(int(rng.integers(1, 12))):
        place = int(rng.integers(min(1024, len(data))))
        data[place if rng.random() < 0.6 else len(data) - 1 - place] = int(rng.integers(256))
    return data


def cut_box(rng: np.random.Generator, data: bytearray, others: Sequence[bytes]) -> bytearray:
    """Take out a box, or keep its size and take out what follows; elsewhere any stretch."""
    found = list(boxes(bytes(data)))
    if len(found) > 3:
        box = found[int(rng.integers(len(found)))]
        start, end = (box.start, box.end) if rng.random() < 0.6 else (box.content, box.end)
    else:
        start = int(rng.integers(len(data)))
        end = start + int(rng.integers(1, 1 + len(data) // 4))
    return data[:start] + data[end:]


def lie_of_sizes(rng: np.random.Generator, data: bytearray, others: Sequence[bytes]) -> bytearray:
    """State wrong sizes: of boxes, of pictures, of tables; elsewhere any whole number."""
    found = list(boxes(bytes(data)))
    for _ in range(int(rng.integers(1, 4))):
        if len(found) > 3 and rng.random() < 0.85:
            chosen = [box for box in found if box.kind in SIZES] if rng.random() < 0.6 else found
            box = chosen[int(rng.integers(len(chosen)))]
            inside = box.content + 4 * int(rng.integers(0, max(1, min(8, _words(box)))))
            place = box.start if rng.random() < 0.4 else inside
        else:
            place = int(rng.integers(max(1, min(len(data) - 4, 4096))))
        _put(rng, data, place)
    return data


def spoil_stamps(rng: np.random.Generator, data: bytearray, others: Sequence[bytes]) -> bytearray:
    """Change what the time tables say; elsewhere a number of the first kilobyte."""
    found = [box for box in boxes(bytes(data)) if box.kind in TABLES]
    for _ in range(int(rng.integers(1, 4))):
        place = int(rng.integers(max(1, min(len(data) - 4, 1024))))
        if found:
            box = found[int(rng.integers(len(found)))]
            place = box.content + 4 * int(rng.integers(0, max(1, _words(box))))
        _put(rng, data, place, plausible=True)
    return data


def picture_size(rng: np.random.Generator, data: bytearray, others: Sequence[bytes]) -> bytearray:
    """Write another picture size wherever the right one stands as two numbers of 16 bits."""
    wide, high = (int(rng.choice([16, 322, 4096, 16_000, 60_000, 65_535])) for _ in range(2))
    for order in (">", "<"):
        for pair, new in (
            (struct.pack(f"{order}HH", *SIZE), struct.pack(f"{order}HH", wide, high)),
            (struct.pack(f"{order}HH", *SIZE[::-1]), struct.pack(f"{order}HH", high, wide)),
            (struct.pack(f"{order}II", *SIZE), struct.pack(f"{order}II", wide, high)),
        ):
            data = data.replace(pair, new)
    return data


def truncate(rng: np.random.Generator, data: bytearray, others: Sequence[bytes]) -> bytearray:
    """Keep the beginning, or the end."""
    place = int(rng.integers(1, len(data)))
    return data[:place] if rng.random() < 0.75 else data[place:]


def splice(rng: np.random.Generator, data: bytearray, others: Sequence[bytes]) -> bytearray:
    """Put a piece of another clip in, or in the place of as much; or put two clips end to end."""
    other = others[int(rng.integers(len(others)))]
    start = int(rng.integers(len(other)))
    piece = other[start : start + int(rng.integers(1, 20_000))]
    place = int(rng.integers(len(data)))
    if rng.random() < 0.15:
        return data + other
    end = place + len(piece) if rng.random() < 0.5 else place
    return data[:place] + piece + data[end:]


def zero(rng: np.random.Generator, data: bytearray, others: Sequence[bytes]) -> bytearray:
    """Let a range be zeros, as a card that was pulled out leaves it."""
    for _ in range(int(rng.integers(1, 4))):
        place = int(rng.integers(len(data)))
        length = min(int(rng.choice([16, 512, 4096, 16_384])), len(data) - place)
        data[place : place + length] = bytes(length)
    return data


def shuffle(rng: np.random.Generator, data: bytearray, others: Sequence[bytes]) -> bytearray:
    """Exchange two blocks, as a broken file system does."""
    size = int(rng.choice([512, 4096]))
    one, two = sorted(int(rng.integers(max(1, len(data) - size))) for _ in range(2))
    first, second = data[one : one + size], data[two : two + size]
    data[one : one + len(second)] = second
    data[two : two + len(first)] = first
    return data


def _words(box: Box) -> int:
    return (box.end - box.content) // 4


def _put(rng: np.random.Generator, data: bytearray, place: int, *, plausible: bool = False) -> None:
    """Write an extreme or a near number of four bytes over what stands there."""
    if place < 0 or place + 4 > len(data):
        return
    (there,) = struct.unpack_from(">I", data, place)
    number = EXTREMES[int(rng.integers(len(EXTREMES)))]
    if rng.random() < (0.6 if plausible else 0.3):
        near = (there // 2, 2 * there, there + 1, there - 1, 10 * there, there ^ 1, there + 1000)
        number = near[int(rng.integers(len(near)))]
    struct.pack_into(">I", data, place, number & 0xFFFFFFFF)


SPOILERS: tuple[Spoiler, ...] = (
    flip_bits, flip_in_head, cut_box, lie_of_sizes, spoil_stamps, picture_size, truncate, splice,
    zero, shuffle,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Case:
    """One damaged file: `number` of `seed`."""

    number: int
    kind: str
    spoiler: str
    data: bytes


def case(seed: int, number: int, good: dict[str, bytes]) -> Case:
    """Return damaged file `number`: kinds and ways of damage take turns."""
    rng = np.random.default_rng([seed, number])
    kinds = list(good)
    kind = kinds[number % len(kinds)]
    spoiler = SPOILERS[number // len(kinds) % len(SPOILERS)]
    data = spoiler(rng, bytearray(good[kind]), [good[name] for name in kinds])
    return Case(number, kind, spoiler.__name__, bytes(data))
