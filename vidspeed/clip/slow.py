"""Tell whether a clip was stored for slow playback: what contradicts its stamps."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from vidspeed.clip.boxes import movie_boxes
from vidspeed.clip.container import open_clip, packets_of, tags_of, video_stream
from vidspeed.clip.stamps import account
from vidspeed.errors import ClipError
from vidspeed.values.timed import CaptureTag, Segment

CAPTURE_KEY = re.compile(r"capture.*(fps|rate)|(fps|rate).*capture", re.IGNORECASE)
XML_KEY = "captureFps"
FASTEST_HZ = 1e6
OTHER_RATE = 1.15  # ratio from which two rates contradict each other
MIXED = 3.0  # ratio of the rates within a clip that no automatic exposure makes
SLOWED = (2, 2.5, 3, 4, 5, 6, 8, 10, 12, 16, 20, 24, 32, 40)  # usual factors of slow playback
ASKED = "It may be stored for slow playback: no speed is given from such stamps. "
MEND_MIXED = (
    "If every frame was captured at one rate, state it in this clip's [[clip]] as rate_hz; "
    "if not, cut the clip to the part of one rate"
)
LEAST_SOUND_S, LEAST_SPAN_S = 0.05, 2.0  # too little to compare
SOUND_SHARE, SOUND_S = 0.02, 0.1  # by which sound may end beside the pictures


def capture_tags(
    tags: Mapping[str, str], xml_hz: float | None, segments: Sequence[Segment], stamped_hz: float
) -> tuple[CaptureTag, ...]:
    """Return the tags that state a capture rate, and whether the stamps agree with each.

    The stamps agree where their mean rate or that of their fastest segment is about the tag's.
    """
    stated = [(key, _number(value)) for key, value in tags.items() if CAPTURE_KEY.search(key)]
    stated += [(XML_KEY, xml_hz)]
    rates = [stamped_hz, *(1.0 / row.interval_s for row in segments)]
    fastest = max(rates)
    return tuple(
        CaptureTag(
            key=key,
            rate_hz=rate_hz,
            agrees=any(_ratio(rate_hz, known) < OTHER_RATE for known in (stamped_hz, fastest)),
        )
        for key, rate_hz in stated
        if rate_hz is not None and 0.0 < rate_hz < FASTEST_HZ
    )


def contradictions(
    *,
    stamped_hz: float,
    segments: Sequence[Segment],
    tags: Sequence[CaptureTag],
    sound_s: float | None,
    span_s: float,
) -> tuple[str, ...]:
    """Return a sentence for each thing that says that the stamps are not the times of capture."""
    found = [_tag_words(tag, stamped_hz) for tag in tags if not tag.agrees]
    rates = [1.0 / row.interval_s for row in segments]
    if rates and max(rates) >= MIXED * min(rates):
        found.append(
            f"its stamps show {max(rates):.2f} frames a second in one part and {min(rates):.2f} "
            f"in another, {max(rates) / min(rates):.3g} times slower"
        )
    slowed = slowed_by_sound(sound_s, span_s)
    if slowed is not None:
        found.append(
            f"its sound lasts {sound_s:.2f} s and its pictures {span_s:.2f} s, {slowed:g} times "
            "as long"
        )
    return tuple(found)


def slowed_by_sound(sound_s: float | None, span_s: float) -> float | None:
    """Return the usual factor of slow playback by which pictures outlast the sound, None if none.

    Examples
    --------
    >>> slowed_by_sound(2.5, 10.02), slowed_by_sound(9.3, 10.0)
    (4.0, None)
    """
    if sound_s is None or sound_s < LEAST_SOUND_S or span_s < LEAST_SPAN_S:
        return None
    for factor in SLOWED:
        if abs(span_s - factor * sound_s) <= max(SOUND_SHARE * span_s, SOUND_S):
            return float(factor)
    return None


def refuse_slow_playback(path: Path) -> None:
    """Refuse a clip whose stamps are contradicted, as long as nobody has stated its rate.

    Raises
    ------
    ClipError
        Where a tag, the sound or the stamps themselves say that the clip is not stored at the
        rate at which it was captured; the message asks for `rate_hz`.
    """
    packets = packets_of(path)
    if len(packets.stamps) < 2:
        return
    stamps = account(packets.stamps, packets.time_base)
    boxes = movie_boxes(path)
    span_s = float(packets.stamps[-1] - packets.stamps[0]) * float(packets.time_base)
    if span_s <= 0.0:
        return
    stamped_hz = float(stamps.number[-1]) / span_s
    tagged_hz = boxes.capture_hz if boxes else None
    stated = capture_tags(packets.tags, tagged_hz, stamps.segments, stamped_hz)
    against = contradictions(
        stamped_hz=stamped_hz,
        segments=stamps.segments,
        tags=stated,
        sound_s=packets.sound_s,
        span_s=span_s + stamps.interval_s,
    )
    if against:
        mixed = len(stamps.segments) > 1
        mend = MEND_MIXED if mixed else _mend(stated, stamped_hz)
        raise ClipError(f"{path.name}: {'; '.join(against)}. {ASKED}{mend}")


def against_rate(path: Path, rate_hz: float) -> tuple[str, ...]:
    """Return a sentence for each tag that states another capture rate than the session does.

    Raises
    ------
    ClipError
        Where the file is no clip.
    """
    with open_clip(path) as container:
        tags = tags_of(container, video_stream(path, container))
    boxes = movie_boxes(path)
    stated = capture_tags(tags, boxes.capture_hz if boxes else None, (), rate_hz)
    return tuple(
        f"rate_hz says {rate_hz:g} frames a second, its tag {tag.key} says {tag.rate_hz:g}; "
        "rate_hz is used"
        for tag in stated
        if not tag.agrees
    )


def _mend(tags: Sequence[CaptureTag], stamped_hz: float) -> str:
    """Say what to state."""
    known = next((tag.rate_hz for tag in tags if not tag.agrees), None)
    captured = f"rate_hz = {known:g}" if known is not None else "the rate at which it was captured"
    return (
        f"State in this clip's [[clip]] {captured}"
        f"{' if that is true' if known is not None else ' as rate_hz'}, "
        f"or rate_hz = {stamped_hz:.6g} if its stamps are right"
    )


def _tag_words(tag: CaptureTag, stamped_hz: float) -> str:
    return (
        f"its tag {tag.key} says captured at {tag.rate_hz:g} frames a second, its stamps say "
        f"{stamped_hz:.2f}"
    )


def _number(text: str) -> float | None:
    """Return a number, None where the text is none."""
    try:
        return float(text)
    except ValueError:
        return None


def _ratio(one: float, other: float) -> float:
    """Return how many times the larger of two rates is the smaller."""
    return max(one / other, other / one)
