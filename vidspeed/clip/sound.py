"""The sound track of a clip: samples with the time at which the file says they were recorded."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av
import numpy as np

from vidspeed.clip.container import check_file
from vidspeed.errors import ClipError
from vidspeed.values import Floats, Value

GAP_S = 0.002  # stamps that are off by more than this are a gap or an overlap


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sound(Value):
    """A sound track: `samples` (n,) from -1 to 1, the mean of the channels.

    Sample k was recorded at `start_s` + k / `rate_hz` on the clock of the file's stamps. Where
    the track has a gap the samples are 0; `notes` says so.
    """

    file: str
    rate_hz: float
    start_s: float
    samples: Floats
    channels: int
    notes: tuple[str, ...] = ()

    @property
    def time_s(self) -> Floats:
        """Return the time (n,) of each sample."""
        return np.asarray(self.start_s + np.arange(len(self.samples)) / self.rate_hz)


def read_sound(path: Path) -> Sound:
    """Decode the first sound track of a clip.

    Raises
    ------
    ClipError
        Where the file cannot be opened, has no sound, or none of it can be decoded.
    """
    check_file(path)
    try:
        container = av.open(str(path.absolute()), "r")
    except (av.FFmpegError, OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise ClipError(f"{path.name}: this is not a clip that can be read ({reason})") from None
    with container:
        if not container.streams.audio:
            raise ClipError(f"{path.name}: there is no sound in this file; film with sound")
        stream = container.streams.audio[0]
        pieces = _pieces(container, stream)
        rate_hz = float(stream.codec_context.sample_rate or 0.0)
        channels = int(stream.codec_context.channels)
    if not pieces or rate_hz <= 0.0:
        raise ClipError(f"{path.name}: the sound cannot be decoded; copy the clip again")
    samples, notes = _joined(pieces, rate_hz)
    return Sound(
        file=path.name,
        rate_hz=rate_hz,
        start_s=pieces[0][0],
        samples=samples,
        channels=channels,
        notes=notes,
    )


def _pieces(container: Any, stream: Any) -> list[tuple[float, Floats]]:
    """Return the decoded pieces of a track: time of the first sample, and the samples."""
    pieces: list[tuple[float, Floats]] = []
    packets = container.demux(stream)
    while True:
        try:
            packet = next(packets)
        except (StopIteration, av.FFmpegError):
            return pieces
        try:
            decoded = packet.decode()
        except av.FFmpegError:
            continue
        for frame in decoded:
            if frame.pts is not None and frame.time_base is not None:
                pieces.append((float(frame.pts * frame.time_base), _mono(frame)))


def _mono(frame: Any) -> Floats:
    """Return the mean of a frame's channels (n,), from -1 to 1."""
    values = np.asarray(frame.to_ndarray())
    whole = values.dtype
    if not frame.format.is_planar:
        values = values.reshape(-1, len(frame.layout.channels)).T
    mono = values.astype(np.float64).mean(axis=0)
    if whole == np.uint8:
        return np.asarray(mono / 128.0 - 1.0)
    return np.asarray(mono / float(np.iinfo(whole).max) if whole.kind == "i" else mono)


def _joined(pieces: list[tuple[float, Floats]], rate_hz: float) -> tuple[Floats, tuple[str, ...]]:
    """Lay the pieces (time, samples) one behind the other; where a stamp jumps, follow it."""
    start_s, at, gaps = pieces[0][0], 0, 0
    placed: list[tuple[int, Floats]] = []
    for time_s, samples in pieces:
        stamped = round((time_s - start_s) * rate_hz)
        if abs(stamped - at) > GAP_S * rate_hz:
            gaps += 1
            at = max(stamped, 0)
        placed.append((at, samples))
        at += len(samples)
    whole = np.zeros(max(begin + len(samples) for begin, samples in placed))
    for begin, samples in placed:
        whole[begin : begin + len(samples)] = samples
    notes = (f"the sound track jumps in {gaps} places; its stamps are followed",) if gaps else ()
    return whole, notes
