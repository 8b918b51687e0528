"""The account of a clip's time: `vidspeed times`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from vidspeed.clip.background import halved
from vidspeed.clip.boxes import MovieBoxes, movie_boxes
from vidspeed.clip.container import Packets, packets_of
from vidspeed.clip.integrity import count_notes, end_notes, length_notes
from vidspeed.clip.notes import SAME_RATE, UNEVEN
from vidspeed.clip.origin import origin_of
from vidspeed.clip.read import ClipReader, Header
from vidspeed.clip.slow import LEAST_SPAN_S, OTHER_RATE, capture_tags, contradictions
from vidspeed.clip.stamps import StampAccount, account
from vidspeed.values import Floats, Ints, Picture, Value
from vidspeed.values.timed import ClipTimes, SoundTrack, Verdict

STEADY = 1e-3  # of the interval: a smaller scatter than this is none that matters
LEAST_REPEATS, MANY_REPEATS = 3, 0.05  # number, share: from then on a program made the rate


def times(path: Path) -> ClipTimes:
    """Decode a clip once and account for its time.

    Raises
    ------
    ClipError
        Where the file is no clip, or its picture changes its size on the way.
    """
    packets = packets_of(path)
    seen = _look(path, packets)
    found = account(seen.stamps, seen.header.time_base, changes=seen.changes)
    return _told(seen, packets, found, movie_boxes(path))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Seen(Value):
    """What decoding showed: `stamps` (n,) in ticks, `changes` (n,) from frame to frame or None."""

    header: Header
    stamps: Ints
    changes: Floats | None
    damaged: int
    unstamped: int
    cut_short: bool


def _look(path: Path, packets: Packets) -> _Seen:
    """Decode a clip; of an interlaced one only the stored stamps are looked at."""
    stamps: list[int] = []
    changes: list[float] = []
    before: Picture | None = None
    with ClipReader(path) as reader:
        header = reader.header
        for frame in reader.frames() if not header.interlaced else ():
            half = halved(frame.luma)
            change = 0.0 if before is None else float(cv2.norm(half, before, cv2.NORM_L1))
            changes.append(change / half.size)
            stamps.append(frame.stamp)
            before = half
        return _Seen(
            header=header,
            stamps=packets.stamps if header.interlaced else np.array(stamps, dtype=np.int64),
            changes=None if header.interlaced else np.array(changes),
            damaged=reader.damaged + reader.skipped,
            unstamped=reader.unstamped,
            cut_short=reader.cut_short,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Span(Value):
    """How long a clip lasts by its stamps: the steps (n,), and captured frames over their time."""

    steps_s: Floats
    lasts_s: float
    real_hz: float | None


def _span(seen: _Seen, found: StampAccount) -> _Span:
    """Measure the time between the first and the last stamp that can be used."""
    steps_s = np.diff(seen.stamps[found.usable]) * float(seen.header.time_base)
    span_s = float(np.sum(steps_s))
    if not span_s > 0.0:
        return _Span(steps_s=steps_s, lasts_s=0.0, real_hz=None)
    real_hz = float(found.number[-1]) / span_s
    return _Span(steps_s=steps_s, lasts_s=span_s + found.interval_s, real_hz=real_hz)


def _told(
    seen: _Seen, packets: Packets, found: StampAccount, boxes: MovieBoxes | None
) -> ClipTimes:
    """Put everything that was found together."""
    span = _span(seen, found)
    return ClipTimes(
        **_of_file(seen, packets, boxes),
        **_of_stamps(seen, found, span),
        **_judged(seen, packets, found, span, boxes),
    )


def _of_file(seen: _Seen, packets: Packets, boxes: MovieBoxes | None) -> dict[str, Any]:
    """Return what the file says of itself."""
    header = seen.header
    same = (
        "file", "container", "codec", "size_px", "rotation_deg", "mirrored", "bit_depth",
        "full_range", "interlaced", "frames_announced", "nominal_hz", "reordered",
    )  # fmt: skip
    return {
        **{name: getattr(header, name) for name in same},
        "frames": len(seen.stamps),
        "damaged": seen.damaged,
        "cut_short": seen.cut_short,
        "time_base": f"{header.time_base.numerator}/{header.time_base.denominator}",
        "time_base_s": float(header.time_base),
        "first_stamp_s": float(int(seen.stamps[0]) * header.time_base),
        "edits": boxes.edits if boxes else (),
        "sound": _sound(header.sound, packets.sound_s),
    }


def _of_stamps(seen: _Seen, found: StampAccount, span: _Span) -> dict[str, Any]:
    """Return the figures of the stamps; None where there is but one."""
    nominal_hz = seen.header.nominal_hz
    steps_s = span.steps_s if span.real_hz else np.array([np.nan])
    known = span.real_hz is not None
    return {
        "duration_s": span.lasts_s,
        "interval_s": float(np.median(steps_s)) if known else None,
        "spread_s": found.spread_s if known else None,
        "shortest_s": float(steps_s.min()) if known else None,
        "longest_s": float(steps_s.max()) if known else None,
        "stamp_u_s": found.stamp_u_s,
        "dropped": found.dropped,
        "repeated": int(np.sum(found.repeated)),
        "backward": int(np.sum(~found.usable)),
        "segments": found.segments,
        "real_hz": span.real_hz,
        "rate_factor": nominal_hz / span.real_hz if nominal_hz and span.real_hz else None,
    }


def _judged(
    seen: _Seen, packets: Packets, found: StampAccount, span: _Span, boxes: MovieBoxes | None
) -> dict[str, Any]:
    """Return what contradicts the stamps, where the file comes from, and the verdict."""
    header, rate_hz = seen.header, span.real_hz or np.nan
    tags = capture_tags(header.tags, boxes.capture_hz if boxes else None, found.segments, rate_hz)
    against = contradictions(
        stamped_hz=rate_hz, segments=found.segments, tags=tags,
        sound_s=packets.sound_s, span_s=span.lasts_s,
    )  # fmt: skip
    repeats = _regular_repeats(found)
    origin, origin_reasons = origin_of(
        header.tags, packets.marks, boxes, span.lasts_s,
        reordered=header.reordered, repeats=repeats,
    )  # fmt: skip
    lost = _lost_words(seen)
    slower = any(not tag.agrees and tag.rate_hz > rate_hz for tag in tags)
    return {
        "capture_tags": tags,
        "origin": origin,
        "origin_reasons": origin_reasons,
        "verdict": _verdict(
            found, header, against, repeats or (lost[0] if lost else None), slower=slower
        ),
        "reasons": (
            *against,
            *_rate_words(header.nominal_hz, span.real_hz, against),
            *_sound_words(packets.sound_s, span.lasts_s, against),
            *_edit_words(boxes),
            *_length_words(seen, found, span, boxes),
            *lost,
            *_picture_words(seen),
            *_uneven_words(found, span.steps_s),
            *found.notes,
            *([repeats] if repeats else []),
        ),
    }


def _length_words(
    seen: _Seen, found: StampAccount, span: _Span, boxes: MovieBoxes | None
) -> list[str]:
    """Say where a whole file contradicts itself about its length."""
    if seen.damaged or seen.cut_short or seen.unstamped or span.real_hz is None:
        return []
    end_s = float(int(np.max(seen.stamps)) * seen.header.time_base) + found.interval_s
    return [
        *length_notes(boxes, span.lasts_s, found.interval_s),
        *end_notes(seen.header.tags, end_s, found.interval_s),
    ]


def _lost_words(seen: _Seen) -> list[str]:
    """Say where a file that numbers its frames instead of stamping them has lost some."""
    if seen.header.container != "avi" or seen.unstamped or seen.header.interlaced:
        return []
    ticks = int(seen.stamps[-1] - seen.stamps[0]) + 1
    return count_notes("avi", seen.header.frames_announced, len(seen.stamps), ticks)


def _verdict(
    found: StampAccount,
    header: Header,
    against: tuple[str, ...],
    untrue: str | None,
    *,
    slower: bool,
) -> Verdict:
    """Say in a word how far the stamps may be believed."""
    sound_or_tag = slower or any("sound lasts" in row for row in against)
    if against:
        return "stored for slow playback" if sound_or_tag else "not to be trusted"
    if untrue is not None or not np.all(found.usable):
        return "not to be trusted"
    if header.reordered or np.any(found.repeated):
        return "repaired"
    return "steady" if _is_steady(found) else "uneven"


def _is_steady(found: StampAccount) -> bool:
    """Say whether all frames lie on an even grid, but for the rounding of the stamps."""
    rounding_s = 0.5 * found.stamp_u_s * 12.0**0.5
    return len(found.segments) < 2 and not found.spread_s > max(
        STEADY * found.interval_s, rounding_s
    )


def _uneven_words(found: StampAccount, steps_s: Floats) -> list[str]:
    """Say between what the steps lie, where they are uneven by less than the stamps' own note."""
    if len(steps_s) == 0 or _is_steady(found) or len(found.segments) > 1:
        return []
    if found.spread_s >= UNEVEN * found.interval_s:
        return []
    return [
        f"the time between frames is uneven, {1e3 * steps_s.min():.3f} to "
        f"{1e3 * steps_s.max():.3f} ms, scatter {100 * found.spread_s / found.interval_s:.2g} %"
    ]


def _regular_repeats(found: StampAccount) -> str | None:
    """Say where so many frames repeat that a program must have made up the rate."""
    places = np.flatnonzero(found.repeated)
    if len(places) < LEAST_REPEATS or len(places) < MANY_REPEATS * len(found.repeated):
        return None
    apart = np.diff(places)
    usual = int(np.median(apart))
    every = f", about every {usual} frames" if np.mean(np.abs(apart - usual) <= 1) > 0.8 else ""
    return (
        f"{len(places)} of {len(found.repeated)} frames repeat the one before{every}: a program "
        "made another rate of them, and the stamps are its, not the camera's"
    )


def _rate_words(
    nominal_hz: float | None, real_hz: float | None, against: tuple[str, ...]
) -> list[str]:
    """Say by what a speed would be wrong that took the nominal rate."""
    if not nominal_hz or not real_hz or against:
        return []
    factor = nominal_hz / real_hz
    if abs(factor - 1.0) <= SAME_RATE:
        return []
    return [
        f"it names {nominal_hz:.3f} frames a second, its stamps say {real_hz:.3f}: taking the "
        f"name would make speeds wrong by the factor {factor:.4f}"
    ]


def _sound_words(sound_s: float | None, span_s: float, against: tuple[str, ...]) -> list[str]:
    """Say where sound and pictures last differently without a usual factor between them."""
    if sound_s is None or sound_s <= 0.0 or span_s < LEAST_SPAN_S:
        return []
    if max(sound_s / span_s, span_s / sound_s) < OTHER_RATE:
        return []
    if any("sound lasts" in row for row in against):
        return []
    return [f"sound lasts {sound_s:.2f} s, the pictures {span_s:.2f} s"]


def _edit_words(boxes: MovieBoxes | None) -> list[str]:
    """Say where an edit list waits before it shows anything."""
    edits = boxes.edits if boxes else ()
    waits_s = [row.duration_s for row in edits if row.media_s is None]
    if not waits_s:
        return []
    return [f"its edit list begins with a wait of {sum(waits_s):.3f} s"]


def _picture_words(seen: _Seen) -> list[str]:
    """Say what of the pictures matters for their times."""
    header, words = seen.header, list(seen.header.notes)
    if header.interlaced:
        words.append(
            "its frames are interlaced, two half pictures of different times: not measured"
        )
    if header.container == "avi":
        words.append("AVI holds no stamps: frames are counted at the rate that its header names")
    if seen.unstamped:
        words.append(f"the first {seen.unstamped} frames have no time stamp")
    if seen.damaged:
        words.append(f"{seen.damaged} frames are damaged, or rest on damaged ones")
    if seen.cut_short:
        words.append("the file is cut short")
    return words


def _sound(track: SoundTrack | None, lasts_s: float | None) -> SoundTrack | None:
    """Return what is known of the sound, with how long it really lasts."""
    if track is None:
        return None
    return SoundTrack(
        codec=track.codec, rate_hz=track.rate_hz, channels=track.channels, duration_s=lasts_s
    )
