"""An event seen and heard: by how much a clip's sound is late against its pictures."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vidspeed.air import sound_of
from vidspeed.clip.read import ClipReader
from vidspeed.clip.sound import Sound, read_sound
from vidspeed.errors import ClipError
from vidspeed.values import Air, Floats, Value
from vidspeed.values.entered import MOST_READOUT_S

BLOCKS = 24  # the picture is looked at in that many blocks each way
NEAR_S = 0.7  # how far from the sound the picture is searched
LEAST_JUMP = 8.0  # of a block, over the usual change
LEAST_LOUD = 8.0  # of the clap, over the usual sound
BEGUN = 0.08  # of the loudest: where the clap begins
FULL, FAINT = 0.95, 0.05  # shares of the light that count as all and nothing
LEAST_ONSET_U_S = 2e-4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Moment(Value):
    """When something was seen or heard, on the clock of the file's stamps."""

    time_s: float
    u_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SoundOffset(Value):
    """By how much the sound is late against the pictures: `late_s` above 0 is late.

    `late_s` = heard - seen - `travel_s`, where a frame's stamp stands for the middle of the
    exposure of its first row.
    """

    late_s: float
    late_u_s: float
    heard: Moment
    seen: Moment
    travel_s: float
    travel_u_s: float


def sound_offset(
    path: Path,
    *,
    distance_m: float,
    distance_u_m: float,
    temperature_c: float = 15.0,
    temperature_u_c: float = 2.0,
    wind_u_mps: float = 4.0,
    seen: Moment | None = None,
    around_s: float | None = None,
    exposure_s: float | None = None,
    readout_s: float | None = None,
) -> SoundOffset:
    """Measure how late the sound of a clip is, from one event seen and heard.

    Parameters
    ----------
    distance_m
        From the event to the camera; the sound needs that long.
    seen
        When it is seen; None: the sharpest brightening near the sound, a flash or a spark.
    around_s
        Where the event is, where a clip has louder sounds than it; within 0.7 s.
    exposure_s, readout_s
        Left out: anything from 0 to a frame interval (read-out at most 35 ms).

    Raises
    ------
    ClipError
        Where there is no sound, no clap in it, or no flash near it.
    """
    heard = onset(read_sound(path), around_s)
    known = sound_of(Air(temperature_c=temperature_c, temperature_u_c=temperature_u_c))
    assert known is not None  # the temperature is stated
    speed, speed_u = known
    travel_s = distance_m / speed
    travel_u_s = float(
        np.hypot(distance_u_m / speed, travel_s * np.hypot(speed_u, wind_u_mps) / speed)
    )
    if seen is None:
        seen = first_light(path, heard.time_s - travel_s, exposure_s, readout_s)
    return SoundOffset(
        late_s=heard.time_s - seen.time_s - travel_s,
        late_u_s=float(np.sqrt(heard.u_s**2 + seen.u_s**2 + travel_u_s**2)),
        heard=heard,
        seen=seen,
        travel_s=travel_s,
        travel_u_s=travel_u_s,
    )


def onset(sound: Sound, around_s: float | None = None) -> Moment:
    """Find where the loudest sharp sound begins: anywhere between its first trace and half of it.

    Lossy codecs smear a bang to both sides, the more the longer their blocks.
    """
    time_s, change = sound.time_s[1:], np.abs(np.diff(sound.samples))
    width = max(round(5e-4 * sound.rate_hz), 1)
    loud = np.convolve(change, np.ones(width) / width, mode="full")[: len(change)]
    inside = np.ones(len(loud), bool)
    if around_s is not None:
        inside = np.abs(time_s - around_s) < NEAR_S
        if not np.any(inside):
            raise ClipError(
                f"{sound.file}: there is no sound at {around_s:g} s; it lasts from "
                f"{sound.start_s:.2f} to {time_s[-1]:.2f} s"
            )
    peak = int(np.argmax(np.where(inside, loud, -1.0)))
    before = loud[
        max(0, peak - int(0.5 * sound.rate_hz)) : max(1, peak - int(0.02 * sound.rate_hz))
    ]
    usual = float(np.median(before)) if len(before) else 0.0
    most = float(np.max(before)) if len(before) else 0.0
    if loud[peak] < LEAST_LOUD * max(usual, 1e-6):
        raise ClipError(f"{sound.file}: no clap is heard; make a short, loud sound near the camera")
    level = max(BEGUN * float(loud[peak]), 1.5 * most)
    begin = max(0, peak - int(0.02 * sound.rate_hz))
    rising = begin + int(np.argmax(loud[begin : peak + 1] >= min(level, float(loud[peak]))))
    half = begin + int(np.argmax(loud[begin : peak + 1] >= 0.5 * loud[peak]))
    rise_s = (half - rising) / sound.rate_hz
    return Moment(
        time_s=float(time_s[rising] + time_s[half]) / 2.0,
        u_s=float(np.hypot(LEAST_ONSET_U_S, rise_s / np.sqrt(12.0))),
    )


def first_light(
    path: Path, near_s: float, exposure_s: float | None, readout_s: float | None
) -> Moment:
    """Find when something lit up near a moment, to a part of a frame where it can be told."""
    time_s, level = _blocks(path, near_s)
    jump = np.diff(level, axis=0)
    usual = max(1.4826 * float(np.median(np.abs(jump - np.median(jump)))), 0.1)
    frame, block = np.unravel_index(int(np.argmax(jump)), jump.shape)
    if jump[frame, block] < LEAST_JUMP * usual:
        raise ClipError(
            f"{path.name}: nothing lights up within {NEAR_S} s of the sound; state when the event "
            "is seen (seen_s), or let a lamp flash with it"
        )
    lit = int(frame) + 1
    shine = level[:, block] - float(
        np.median(level[: lit - 1, block]) if lit > 2 else level[0, block]
    )
    if lit >= 1 and lit + 1 < len(time_s) and shine[lit - 1] > FAINT * shine.max():
        lit -= 1  # the frame before was partly lit already
    after = float(shine[min(lit + 1, len(shine) - 1)])
    row = (int(block) // BLOCKS + 0.5) / BLOCKS
    interval_s = float(np.median(np.diff(time_s)))
    return _within(
        float(time_s[lit]), float(shine[lit]), after, row, interval_s, exposure_s, readout_s
    )


def _within(
    stamp_s: float,
    light: float,
    after: float,
    row: float,
    interval_s: float,
    exposure_s: float | None,
    readout_s: float | None,
) -> Moment:
    """Return the moment in the first lit frame: before its exposure, or within it.

    A light that stays is seen by the share `light` / `after` of the exposure that follows it; a
    flash that is gone in the next frame lies anywhere within. What is not known is rectangular.
    """
    wide_s = interval_s if exposure_s is None else exposure_s
    open_s, open_u_s = (interval_s / 2.0, interval_s / np.sqrt(12.0))
    if exposure_s is not None:
        open_s, open_u_s = exposure_s, 0.0
    read_most = min(interval_s, MOST_READOUT_S)
    read_s, read_u_s = (read_most / 2.0, read_most / np.sqrt(12.0))
    if readout_s is not None:
        read_s, read_u_s = readout_s, 0.0
    share = light / after if after > 0.5 * light else np.nan
    if np.isnan(share):
        since_s, u_s = 0.0, wide_s / np.sqrt(12.0)
    elif share >= FULL:
        since_s = -interval_s / 2.0
        u_s = max(interval_s - open_s, 0.0) / np.sqrt(12.0) + 0.5 * open_u_s
    else:
        since_s = (0.5 - share) * open_s
        u_s = float(np.hypot((0.5 - share) * open_u_s, 0.05 * open_s))
    return Moment(time_s=stamp_s + read_s * row + since_s, u_s=float(np.hypot(u_s, read_u_s * row)))


def _blocks(path: Path, near_s: float) -> tuple[Floats, Floats]:
    """Return stamps (n,) and the mean luma (n, blocks) of the frames around a moment."""
    import cv2

    times, levels = [], []
    with ClipReader(path) as clip:
        for frame in clip.frames():
            if frame.time_s > near_s + NEAR_S:
                break
            if frame.time_s >= near_s - NEAR_S:
                small = cv2.resize(
                    frame.luma.astype(np.float32), (BLOCKS, BLOCKS), interpolation=cv2.INTER_AREA
                )
                times.append(frame.time_s)
                levels.append(small.ravel())
    if len(times) < 5:
        raise ClipError(
            f"{path.name}: there are no pictures around {near_s:.2f} s, where the sound is"
        )
    return np.array(times), np.asarray(levels, np.float64)
