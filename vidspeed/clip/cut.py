"""Write a piece of a clip anew: its frames as somebody drew on them, its stamps and its sound."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from av.container import OutputContainer

from vidspeed.clip.container import EARLY_S, open_clip
from vidspeed.clip.read import ClipReader, Frame
from vidspeed.clip.scan import frame_numbers
from vidspeed.clip.write import encoder_for
from vidspeed.errors import ClipError
from vidspeed.values import Picture

Draw = Callable[[float, Picture], Picture]

SOUND_HZ = 48_000
MOST_SLOW = 64
QUALITY = {"libx264": {"crf": "18", "preset": "fast"}}


def cut(
    source: Path,
    target: Path,
    draw: Draw,
    *,
    from_s: float,
    to_s: float,
    slow: int = 1,
    rate_hz: float | None = None,
) -> int:
    """Write the frames of a clip between two moments, drawn on; return how many they are.

    Every frame keeps the stamp that it has in the source, times `slow`; so does the sound, which
    becomes deeper by as much. Nothing is written where no frame lies between the moments.

    Parameters
    ----------
    target
        An .mp4 file.
    draw
        Given a frame's time and its colours (h, w, 3) uint8, as shown; returns what is written, of
        one size throughout.
    slow
        1: as fast as the source plays.
    rate_hz
        The true capture rate of a source that was stored for slow playback: the moments, and the
        times that `draw` is given, are then frame over rate.

    Raises
    ------
    ClipError
        Where the source cannot be read, no frame lies there, or the target cannot be written.
    """
    if target.suffix.lower() != ".mp4":
        raise ClipError(f"{target.name}: an annotated clip is an .mp4 file; name it so")
    if not 1 <= slow <= MOST_SLOW:
        raise ClipError(f"slowed {slow} times is not possible; 1 to {MOST_SLOW} are")
    clock = Clock(source, rate_hz)
    span_s = clock.stamps_of(from_s, to_s)
    with ClipReader(source, from_s=max(0.0, span_s[0] - EARLY_S)) as reader:
        wanted = _between(reader.frames(coloured=True), *span_s)
        first = next(wanted, None)
        if first is None:
            raise ClipError(f"{source.name}: no frame lies between {from_s:.3f} and {to_s:.3f} s")
        base = reader.header.time_base
        try:
            return _write(source, target, _pen(draw, clock), (first, wanted), base, span_s, slow)
        except OSError as error:
            reason = error.strerror or error
            raise ClipError(f"{target.name}: cannot be written: {reason}") from error


class Clock:
    """Tells the true time of a clip's frames: their stamps, or their numbers over a rate."""

    def __init__(self, path: Path, rate_hz: float | None) -> None:
        self._rate_hz = rate_hz
        self._numbers: dict[float, int] = {}  # of captured frames, by stamp in seconds
        if rate_hz is not None:
            with ClipReader(path) as reader:
                base = reader.header.time_base
            numbers = frame_numbers(path, base)
            self._numbers = {float(stamp * base): number for stamp, number in numbers.items()}

    def time_of(self, stamp_s: float) -> float:
        """Return the time of a frame."""
        if self._rate_hz is None:
            return stamp_s
        return self._numbers.get(stamp_s, -1) / self._rate_hz

    def stamps_of(self, from_s: float, to_s: float) -> tuple[float, float]:
        """Return the stamps, in seconds, between which the frames of a span lie."""
        if self._rate_hz is None:
            return from_s, to_s
        inside = [s for s in self._numbers if from_s <= self.time_of(s) <= to_s]
        return min(inside, default=from_s), max(inside, default=to_s)


def _pen(draw: Draw, clock: Clock) -> Draw:
    """Return what draws a frame by its stamp."""
    return lambda stamp_s, colours: draw(clock.time_of(stamp_s), colours)


def _between(frames: Iterator[Frame], from_s: float, to_s: float) -> Iterator[Frame]:
    """Yield the frames between two moments, these included."""
    for frame in frames:
        if frame.time_s > to_s:
            return
        if frame.time_s >= from_s:
            yield frame


def _write(
    source: Path,
    target: Path,
    draw: Draw,
    frames: tuple[Frame, Iterator[Frame]],
    base: Fraction,
    span_s: tuple[float, float],
    slow: int,
) -> int:
    """Write the file; return the number of frames."""
    first, rest = frames
    drawn = _drawn(draw, first)
    scale = str(base.denominator)
    options = {"video_track_timescale": scale, "movie_timescale": scale, "movflags": "+faststart"}
    with av.open(str(target), "w", format="mp4", options=options) as container:
        video = _video(container, drawn.shape, Fraction(1, base.denominator))
        sound = _Sound(container, source, span_s, slow)
        count = 0
        frame: Frame | None = first
        while frame is not None:
            picture = av.VideoFrame.from_ndarray(drawn, format="rgb24").reformat(
                format="yuv420p", dst_colorspace="ITU709", dst_color_range="MPEG"
            )
            picture.pts = frame.stamp * base.numerator * slow
            picture.time_base = Fraction(1, base.denominator)
            container.mux(video.encode(picture))
            count += 1
            frame = next(rest, None)
            drawn = _drawn(draw, frame) if frame is not None else drawn
        container.mux(video.encode(None))
        sound.write()
    return count


def _drawn(draw: Draw, frame: Frame) -> Picture:
    """Return a frame drawn on, of even sides as coders want them."""
    assert frame.colours is not None
    picture = draw(frame.time_s, frame.colours)
    more = [(0, side % 2) for side in picture.shape[:2]]
    return np.ascontiguousarray(np.pad(picture, (*more, (0, 0)), mode="edge"))


def _video(container: OutputContainer, shape: tuple[int, ...], base: Fraction) -> Any:
    """Add the picture track."""
    encoder = encoder_for("h264")
    stream: Any = container.add_stream(encoder, rate=30)
    stream.height, stream.width = shape[0], shape[1]
    stream.pix_fmt = "yuv420p"
    stream.time_base = base
    stream.codec_context.time_base = base
    stream.codec_context.color_range = 1
    stream.codec_context.colorspace = 1
    stream.codec_context.options = QUALITY.get(encoder, {})
    return stream


class _Sound:
    """The sound of a piece of a clip, on its way into the file; nothing where there is none."""

    def __init__(
        self, container: OutputContainer, source: Path, span_s: tuple[float, float], slow: int
    ) -> None:
        self._container, self._source = container, source
        self._span_s, self._slow = span_s, slow
        with open_clip(source) as opened:
            there = bool(opened.streams.audio) and opened.streams.audio[0].codec_context is not None
        self._stream: Any = container.add_stream("aac", rate=SOUND_HZ) if there else None

    def write(self) -> None:
        """Decode the sound of the span, slowed, and write it at its own moments."""
        if self._stream is None:
            return
        resampler = av.AudioResampler(format="fltp", layout="stereo", rate=SOUND_HZ)
        at: int | None = None
        for frame in self._frames():
            if at is None:
                at = round(float(frame.pts * frame.time_base) * self._slow * SOUND_HZ)
            frame.pts = None
            frame.sample_rate = max(1, round(frame.sample_rate / self._slow))
            for piece in resampler.resample(frame):
                at = self._encode(piece, at)
        if at is not None:
            for piece in resampler.resample(None):
                at = self._encode(piece, at)
            self._container.mux(self._stream.encode(None))

    def _encode(self, piece: Any, at: int) -> int:
        """Write a piece that begins at a sample; return where the next one begins."""
        piece.pts, piece.time_base = at, Fraction(1, SOUND_HZ)
        self._container.mux(self._stream.encode(piece))
        return at + int(piece.samples)

    def _frames(self) -> Iterator[Any]:
        """Yield the decoded sound of the span; what cannot be decoded is left out."""
        with open_clip(self._source) as opened:
            packets = opened.demux(opened.streams.audio[0])
            while True:
                try:
                    decoded: Any = next(packets).decode()
                except StopIteration:
                    return
                except av.FFmpegError:
                    continue
                for frame in decoded:
                    if frame.pts is None or frame.time_base is None:
                        continue
                    begin_s = float(frame.pts * frame.time_base)
                    if begin_s > self._span_s[1]:
                        return
                    if begin_s >= self._span_s[0]:
                        yield frame
