"""Scan a clip: one decode gives its facts, its tracks and two pictures of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np

from vidspeed.clip.background import SAMPLES, Backdrop, halved, middle_of_nine, to_eight_bits
from vidspeed.clip.boxes import movie_boxes
from vidspeed.clip.container import packets_of
from vidspeed.clip.follow import Follower
from vidspeed.clip.ghosts import without_ghosts
from vidspeed.clip.integrity import count_notes, length_notes, picture_notes
from vidspeed.clip.lamp import Light, lights_of
from vidspeed.clip.lights import Spot, find_spots
from vidspeed.clip.moves import is_flight, limits_of
from vidspeed.clip.read import ClipReader, Frame, Header, file_sha256, readout_row
from vidspeed.clip.stamps import StampAccount, account
from vidspeed.clip.sway import SwayMeter
from vidspeed.errors import ClipError
from vidspeed.values import ClipFacts, Floats, Ints, Picture, Scan, Strip, Sway, Track
from vidspeed.worker import alive

LEAST_FRAMES = 4
MOST_WAITING = 400 << 20  # bytes of the frames that wait for the first background
LEAST_LIGHTS = 4
FEW, PLAIN_SNR = 7, 6.0  # a track of fewer lights than this must be plain to see

Progress = Callable[[int, int], None]


def scan(
    path: Path,
    *,
    rate_hz: float | None = None,
    strip: Strip | None = None,
    progress: Progress | None = None,
    accept: Callable[[tuple[int, int]], None] | None = None,
) -> Scan:
    """Decode a clip once; find the lights that move, and follow them.

    Parameters
    ----------
    rate_hz
        The true capture rate of a clip that was stored for slow playback: times are then frame
        over rate, frames that are missing by their stamps or cannot be decoded counted too.
    strip
        Where a craft can be and how fast, in the picture. None: anywhere, from one pixel a frame
        to two fifths of the picture a frame.
    progress
        Called now and then with the number of frames done and expected (0: not known).
    accept
        Called with the picture's size before memory is taken for more than a frame; may raise.

    Raises
    ------
    ClipError
        Where the clip cannot be read or is too short to hold a pass.
    """
    with ClipReader(path) as reader:
        if accept is not None:
            accept(reader.header.size_px)
        run = _Run(reader.header, rate_hz, strip)
        if rate_hz is not None:
            run.numbers = frame_numbers(path, reader.header.time_base)
        expected = reader.header.frames_announced or 0
        for frame in reader.frames():
            run.take(frame)
            if progress is not None and frame.index % 16 == 0:
                progress(frame.index, expected)
        run.finish()
        _check_length(path, run.count)
        stamps = account(
            np.array(run.stamps, dtype=np.int64),
            reader.header.time_base,
            changes=np.array(run.changes),
            rate_hz=rate_hz,
        )
        facts = _facts(path, reader, run, stamps, rate_hz)
    if progress is not None:
        progress(run.count, run.count)
    lamps = [_of_new_frames(lights, stamps) for lights in run.lamps]
    tracks = [_track(lights, facts) for lights in lamps if len(lights) >= LEAST_LIGHTS]
    tracks = without_ghosts([track for track in tracks if run.believes(track)], facts.size_px)
    return Scan(
        facts=facts,
        tracks=tuple(sorted(tracks, key=_likelihood, reverse=True)),
        brightest=run.brightest,
        still=run.still(),
        sway=run.sway(),
    )


@dataclass(slots=True)
class _Run:
    """What grows while a clip is decoded; of fixed size but for stamps and tracks."""

    header: Header
    rate_hz: float | None
    strip: Strip | None
    numbers: Mapping[int, int] = field(default_factory=dict)  # of captured frames, by stamp
    stamps: list[int] = field(default_factory=list)
    changes: list[float] = field(default_factory=list)
    lamps: list[list[Light]] = field(default_factory=list)
    brightest: Picture = field(default_factory=lambda: np.zeros((1, 1), np.uint8))
    _waiting: list[tuple[Frame, Picture]] = field(default_factory=list)
    _backdrop: Backdrop | None = None
    _follower: Follower | None = None
    _half: Picture | None = None
    _last_s: float = -np.inf
    _captured: int = -1
    _stills: list[Picture] = field(default_factory=list)
    _still_step: int = 1
    _meter: SwayMeter | None = None

    @property
    def count(self) -> int:
        """Return the number of frames decoded so far."""
        return len(self.stamps)

    def take(self, frame: Frame) -> None:
        """Take the next frame."""
        if self.rate_hz is not None:
            frame = Frame(
                index=frame.index, stamp=frame.stamp,
                time_s=self._number(frame) / self.rate_hz, luma=frame.luma,
            )  # fmt: skip
        half = halved(frame.luma)
        self.stamps.append(frame.stamp)
        self.changes.append(_change(half, self._half))
        self._half = half
        self._show(frame)
        self._waiting.append((frame, half))
        if self._backdrop is None:
            self._begin()
        else:
            self._work()

    def _number(self, frame: Frame) -> int:
        """Return which captured frame it is: by its stamp, else the next one."""
        self._captured = self.numbers.get(frame.stamp, self._captured + 1)
        return self._captured

    def finish(self) -> None:
        """Work through what still waits and end the chains."""
        if self._backdrop is None and len(self._waiting) >= LEAST_FRAMES:
            self._begin(short=True)
        if self._follower is not None:
            self._keep(self._follower.finish())

    def believes(self, track: Track) -> bool:
        """Say whether the fitted lights of a track move as a craft does, and are not chance."""
        if self._follower is None or (len(track) < FEW and np.median(track.snr) < PLAIN_SNR):
            return False
        return is_flight(track.frame, track.time_s, track.xy_px, self._follower.limits)

    def still(self) -> Picture:
        """Return the median of nine frames spread over the clip (h, w) uint8."""
        nine = (self._stills * SAMPLES)[:SAMPLES] if len(self._stills) < SAMPLES else self._stills
        places = np.linspace(0, len(nine) - 1, SAMPLES).round().astype(int)
        return middle_of_nine([nine[place] for place in places])

    def sway(self) -> Sway | None:
        """Return how the background moved, None where nothing was searched."""
        return None if self._meter is None else self._meter.sway()

    def _begin(self, short: bool = False) -> None:
        """Make the first background as soon as enough frames are waiting for it."""
        times = [frame.time_s for frame, _ in self._waiting[:SAMPLES]]
        if len(times) < SAMPLES and not short:
            return
        interval_s = max(float(np.median(np.diff(times))), 1e-6)
        backdrop = Backdrop(interval_s)
        room = MOST_WAITING // (self._waiting[0][0].luma.nbytes * (SAMPLES - 1))
        backdrop.spacing = min(backdrop.spacing, max(1, room))
        if not short and len(self._waiting) <= (SAMPLES - 1) * backdrop.spacing:
            return
        if short:
            backdrop.spacing = max(1, (len(self._waiting) - 1) // (SAMPLES - 1))
        halves = []
        for turn in range(SAMPLES):
            frame, half = self._waiting[turn * backdrop.spacing % len(self._waiting)]
            backdrop.offer(0, frame.luma, half)
            halves.append(half)
        self._meter = SwayMeter(middle_of_nine(halves), halves)
        limits = limits_of(self.header.size_px, interval_s, self.strip)
        self._backdrop, self._follower = backdrop, Follower(limits)
        self._work()

    def _work(self) -> None:
        """Search the frames that wait, oldest first."""
        assert self._backdrop is not None and self._follower is not None
        for frame, half in self._waiting:
            self._backdrop.offer(frame.index, frame.luma, half)
            if frame.time_s > self._last_s:
                spots = find_spots(frame, half, self._backdrop)
                self._keep(self._follower.offer(frame.time_s, spots))
                self._last_s = frame.time_s
                if self._meter is not None:
                    self._meter.take(frame.time_s, half)
        self._waiting.clear()

    def _keep(self, chains: Sequence[Sequence[Spot]]) -> None:
        """Fit the lights of chains that have ended; their pixels are then let go."""
        for spots in chains:
            alive()
            self.lamps.append(
                lights_of(spots, self.header.size_px, full_range=self.header.full_range)
            )

    def _show(self, frame: Frame) -> None:
        """Keep the brightest value of each pixel, and every so many frames a frame."""
        eight = to_eight_bits(frame.luma)
        if frame.index == 0:
            self.brightest = eight.copy()
        else:
            cv2.max(self.brightest, eight, dst=self.brightest)
        if frame.index % self._still_step == 0:
            self._stills.append(eight)
            if len(self._stills) == 2 * SAMPLES:
                self._stills = self._stills[::2]
                self._still_step *= 2


def _change(half: Picture, before: Picture | None) -> float:
    """Return the mean absolute change from the frame before, in luma levels."""
    if before is None:
        return 0.0
    return float(cv2.norm(half, before, cv2.NORM_L1)) / half.size


def _check_length(path: Path, count: int) -> None:
    """Refuse a clip that is too short to be measured."""
    if count < LEAST_FRAMES:
        frames = "frame" if count == 1 else "frames"
        raise ClipError(
            f"{path.name}: {count} {frames} could be decoded, at least {LEAST_FRAMES} are needed; "
            "a photograph is no clip, and half a file must be copied again"
        )


def _facts(
    path: Path, reader: ClipReader, run: _Run, stamps: StampAccount, rate_hz: float | None
) -> ClipFacts:
    """Gather what the file says of itself."""
    header = reader.header
    ticks = np.array(run.stamps)
    span_s = float((ticks.max() - ticks.min()) * header.time_base)
    interval_s = 1.0 / rate_hz if rate_hz is not None else stamps.interval_s
    captured = int(stamps.number[-1]) + 1
    duration_s = captured / rate_hz if rate_hz is not None else span_s + stamps.interval_s
    return ClipFacts(
        file=path.name,
        size_px=header.size_px,
        rotation_deg=header.rotation_deg,
        mirrored=header.mirrored,
        codec=header.codec,
        bit_depth=header.bit_depth,
        frames=run.count,
        duration_s=duration_s,
        start_s=0.0 if rate_hz is not None else float(int(ticks.min()) * header.time_base),
        interval_s=interval_s,
        time_base_s=float(header.time_base),
        stamp_u_s=stamps.stamp_u_s,
        has_sound=header.has_sound,
        sha256=file_sha256(path),
        notes=(
            *header.notes,
            *_damage(reader, run.count),
            *picture_notes(np.array(run.changes), header.codec),
            *_length(path, reader, ticks, stamps.interval_s),
            *stamps.notes,
        ),
    )


def frame_numbers(path: Path, time_base: Fraction) -> dict[int, int]:
    """Return the number of each captured frame, from 0, by its stamp in ticks."""
    stamps = packets_of(path).stamps
    return dict(zip(stamps.tolist(), account(stamps, time_base).number.tolist(), strict=True))


def _length(path: Path, reader: ClipReader, ticks: Ints, interval_s: float) -> list[str]:
    """Say where a file contradicts itself about its length, if it was not cut short."""
    header, span = reader.header, int(np.ptp(ticks))
    if reader.cut_short or (reader.damaged and header.container != "avi"):
        return []
    return [
        *length_notes(movie_boxes(path), float(span * header.time_base) + interval_s, interval_s),
        *count_notes(header.container, header.frames_announced, len(ticks), span + 1),
    ]


def _damage(reader: ClipReader, count: int) -> list[str]:
    """Say what of the file could not be decoded."""
    notes = []
    announced = reader.header.frames_announced
    if reader.cut_short:
        of_all = f" of the {announced} that it announces" if announced else ""
        notes.append(f"the file is cut short: {count} frames{of_all} are there and were used")
    if reader.unstamped:
        notes.append(f"the first {reader.unstamped} frames have no time stamp and were left out")
    if reader.damaged or reader.skipped:
        after = f", and {reader.skipped} that rest on them" if reader.skipped else ""
        notes.append(f"{reader.damaged} damaged frames were left out{after}")
    return notes


def _of_new_frames(lights: Sequence[Light], stamps: StampAccount) -> list[Light]:
    """Return the lights without those of frames that only repeat the one before."""
    return [light for light in lights if not stamps.repeated[light.spot.frame]]


def _track(lights: Sequence[Light], facts: ClipFacts) -> Track:
    """Put the lights of one lamp into a table."""
    xy = np.array([light.xy_px for light in lights])
    return Track(
        frame=np.array([light.spot.frame for light in lights], dtype=np.int64),
        time_s=np.array([light.spot.time_s for light in lights]),
        xy_px=xy,
        cov_px2=np.array([light.cov_px2 for light in lights]),
        row=readout_row(xy, facts.size_px, facts.rotation_deg),
        time_u_s=np.full(len(lights), facts.stamp_u_s),
        streak_px=_column(light.streak_px for light in lights),
        streak_u_px=_column(light.streak_u_px for light in lights),
        streak_angle_rad=_column(light.angle_rad for light in lights),
        peak=np.array([light.peak for light in lights]),
        snr=np.array([light.snr for light in lights]),
        fill=_column(light.fill for light in lights),
    )


def _column(values: Iterator[float | None]) -> Floats:
    """Return a column (n,), NaN for None."""
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _likelihood(track: Track) -> float:
    """Rank a track: number of lights times strength, beyond which brighter is not likelier."""
    return float(len(track) * np.minimum(np.median(track.snr), 30.0))
