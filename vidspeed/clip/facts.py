"""What a clip's file says of itself once it has been decoded: its facts, and notes for people."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np

from vidspeed.clip.boxes import movie_boxes
from vidspeed.clip.container import packets_of
from vidspeed.clip.integrity import count_notes, end_notes, length_notes, picture_notes
from vidspeed.clip.read import ClipReader
from vidspeed.clip.stamps import StampAccount, account
from vidspeed.errors import ClipError
from vidspeed.values import ClipFacts, Floats, Ints

LEAST_FRAMES = 4


def check_length(path: Path, count: int) -> None:
    """Refuse a clip that is too short to be measured."""
    if count < LEAST_FRAMES:
        frames = "frame" if count == 1 else "frames"
        raise ClipError(
            f"{path.name}: {count} {frames} could be decoded, at least {LEAST_FRAMES} are needed; "
            "a photograph is no clip, and half a file must be copied again"
        )


def facts_of(
    path: Path,
    reader: ClipReader,
    ticks: Ints,
    changes: Floats,
    stamps: StampAccount,
    rate_hz: float | None,
    sha256: str,
) -> ClipFacts:
    """Gather what the file says of itself.

    `ticks` (n,) are the stamps of its frames, `changes` (n,) how much each differs from the one
    before, in luma levels, `sha256` the hash of its bytes.
    """
    header = reader.header
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
        frames=len(ticks),
        duration_s=duration_s,
        start_s=0.0 if rate_hz is not None else float(int(ticks.min()) * header.time_base),
        interval_s=interval_s,
        time_base_s=float(header.time_base),
        stamp_u_s=stamps.stamp_u_s,
        has_sound=header.has_sound,
        sha256=sha256,
        notes=(
            *header.notes,
            *_damage(reader, len(ticks)),
            *picture_notes(changes, header.codec),
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
        *end_notes(
            header.tags, float(int(ticks.max()) * header.time_base) + interval_s, interval_s
        ),
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
