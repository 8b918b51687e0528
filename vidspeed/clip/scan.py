"""Scan a clip: one decode gives its facts, its tracks and two pictures of it."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np

from vidspeed.clip.coding import ALONE
from vidspeed.clip.facts import check_length, facts_of, frame_numbers
from vidspeed.clip.light.alone import LEAST_LIGHTS
from vidspeed.clip.light.ghosts import without_ghosts, without_remains
from vidspeed.clip.light.lamp import Light
from vidspeed.clip.overview import Overview
from vidspeed.clip.read import ClipReader, Frame, file_sha256, readout_row
from vidspeed.clip.search import Search
from vidspeed.clip.spots.moves import Limits, is_flight, on_its_way
from vidspeed.clip.stamps import StampAccount, account
from vidspeed.decisions import decided
from vidspeed.spread.memory import give_back
from vidspeed.values import ClipFacts, Floats, Scan, Strip, Track

__all__ = ["frame_numbers", "scan"]

MOST_TOGETHER = 4  # frames that are worked through together; more learn the noise too late
MOST_HELD = 8_000_000  # bytes of their luma
TOLD_EVERY = 16  # frames
FEW, PLAIN_SNR = 7, 6.0  # a track of fewer lights than this must be plain to see

Counted = Callable[[int, int], None]


def scan(
    path: Path,
    *,
    rate_hz: float | None = None,
    strip: Strip | None = None,
    exposure_s: tuple[float, float] | None = None,
    progress: Counted | None = None,
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
    exposure_s
        How long the shutter is said to be open, and its standard uncertainty. It places the lights
        of a flashing lamp that do not show it themselves, and changes no others.
    progress
        Called now and then with the number of frames done and expected (0: not known).
    accept
        Called with the picture's size before memory is taken for more than a frame; may raise.

    Raises
    ------
    ClipError
        Where the clip cannot be read or is too short to hold a pass.
    """
    with ClipReader(path, eager=True) as reader:
        if accept is not None:
            accept(reader.header.size_px)
        expected = reader.header.frames_announced or 0
        stamps = array("q")
        told = -TOLD_EVERY
        with _one_thread(), Search(reader.header, strip, exposure_s) as search:
            hashed = search.beside(partial(file_sha256, path))
            overview = Overview(expected, search.rows)
            for frames in _together(_timed(path, reader, rate_hz)):
                stamps.extend(frame.stamp for frame in frames)
                overview.take([frame.luma for frame in frames])
                search.take(frames)
                search.record(overview)
                if progress is not None and frames[0].index - told >= TOLD_EVERY:
                    told = frames[0].index
                    progress(told, expected)
            search.finish(overview)
            give_back()  # before what is as long as the clip is put together
            check_length(path, len(stamps))
            ticks = np.array(stamps, dtype=np.int64)
            found = account(
                ticks, reader.header.time_base, changes=overview.changes, rate_hz=rate_hz
            )
            facts = facts_of(path, reader, ticks, overview.changes, found, rate_hz, hashed.result())
            sway = search.sway()
            lamps = search.lamps(facts.stamp_u_s, sway)
    if progress is not None:
        progress(len(stamps), len(stamps))
    tracks = _tracks(lamps, found, facts, search.limits, search.stride)
    _tell(facts, lamps, tracks, search.limits, search.sigmas)
    return Scan(
        facts=facts,
        tracks=tracks,
        brightest=overview.brightest,
        still=overview.still(),
        sway=sway,
        footage=search.footage(),
    )


@contextmanager
def _one_thread() -> Iterator[None]:
    """Let OpenCV work in the calling thread: more only take time from those that decode."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)


def _tell(
    facts: ClipFacts,
    lamps: Sequence[Sequence[Light]],
    tracks: Sequence[Track],
    limits: Limits | None,
    sigmas: float,
) -> None:
    """Tell by which thresholds lights were found, and what became of them."""
    low, high = (0.0, 0.0) if limits is None else limits.speed_px_s
    decided(
        __name__, f"{facts.file}: a light stands {sigmas:.1f} sigma of the noise out and moves at "
        f"{low:.0f} to {high:.0f} px/s; {len(lamps)} lamps moved so in {facts.frames} frames, "
        f"{len(tracks)} of them like a craft",
        clip=facts.file, frames=facts.frames, codec=facts.codec, lamps=len(lamps),
        tracks=[len(track) for track in tracks], threshold_sigmas=sigmas, speed_px_s=[low, high],
    )  # fmt: skip


def _timed(path: Path, reader: ClipReader, rate_hz: float | None) -> Iterator[Frame]:
    """Yield the frames with their times: their stamps, or the captured frame over its rate."""
    if rate_hz is None:
        yield from reader.frames()
        return
    numbers, captured = frame_numbers(path, reader.header.time_base), -1
    for frame in reader.frames():
        captured = numbers.get(frame.stamp, captured + 1)
        yield replace(frame, time_s=captured / rate_hz)


def _together(frames: Iterator[Frame]) -> Iterator[list[Frame]]:
    """Yield frames some at a time, as the decoder holds them: work that is repeated is fast."""
    held: list[Frame] = []
    for frame in frames:
        held.append(frame)
        if len(held) == MOST_TOGETHER or len(held) * frame.luma.nbytes >= MOST_HELD:
            yield held
            held = []
    if held:
        yield held


def _tracks(
    lamps: Sequence[Sequence[Light]],
    stamps: StampAccount,
    facts: ClipFacts,
    limits: Limits | None,
    stride: int,
) -> tuple[Track, ...]:
    """Return the tracks of the lamps that move as a craft does, the likeliest first.

    Every `stride` frames they were looked for.
    """
    if limits is None:
        return ()
    new = [_of_new_frames(lights, stamps) for lights in lamps]
    if facts.codec not in ALONE:
        new = without_remains(new)
    tracks = [
        _settled(lights, facts, limits, stride) for lights in new if len(lights) >= LEAST_LIGHTS
    ]
    believed = [track for track in tracks if _believed(track, limits, stride)]
    own = without_ghosts(believed, facts.size_px)
    return tuple(sorted(own, key=_likelihood, reverse=True))


def _believed(track: Track, limits: Limits, stride: int = 1) -> bool:
    """Say whether the fitted lights of a track move as a craft does, and are not chance."""
    if len(track) < FEW and np.median(track.snr) < PLAIN_SNR:
        return False
    return is_flight(track.frame // stride, track.time_s, track.xy_px, limits)


def _settled(lights: Sequence[Light], facts: ClipFacts, limits: Limits, stride: int = 1) -> Track:
    """Return the track of a lamp; where it does not move as a craft, without lights off its way.

    At low bit rates a coder leaves the light of a neighbouring frame in the place of some.
    """
    track = _track(lights, facts)
    if _believed(track, limits, stride):
        return track
    spots = [replace(light.spot, xy_px=light.xy_px) for light in lights]
    kept = {spot.frame for spot in on_its_way(spots)}
    return _track([light for light in lights if light.spot.frame in kept], facts)


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
        wide=2 * sum(light.wide for light in lights) > len(lights),
    )


def _column(values: Iterator[float | None]) -> Floats:
    """Return a column (n,), NaN for None."""
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _likelihood(track: Track) -> float:
    """Rank a track: number of lights times strength, beyond which brighter is not likelier."""
    return float(len(track) * np.minimum(np.median(track.snr), 30.0))
