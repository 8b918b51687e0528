"""Tell whether a clip is as its camera wrote it, from the names and dates in the file."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from vidspeed.clip.boxes import MovieBoxes
from vidspeed.values.timed import Origin

PROGRAM = re.compile(
    r"\bLav[cf]\b|\bLav[cf]\d|x26[45]|ffmpeg|libav\b|mencoder|virtualdub|\bvlc\b|handbrake|"
    r"gstreamer|avidemux|mkvmerge|libebml|libwebm|produced by google|stream output",
    re.IGNORECASE,
)
WRITER_KEY = re.compile(r"encoder|software|writing|muxing|tool|handler|comment", re.IGNORECASE)
CAMERA_KEY = re.compile(r"(^|[._ -])(make|model|manufacturer|firmware)($|[._ -])", re.IGNORECASE)
PHONE_KEY = re.compile(r"^com\.(android|apple)\.", re.IGNORECASE)
SLACK_S = 60.0  # by which movie and tracks of one recording may say different times


def origin_of(
    tags: Mapping[str, str],
    marks: Sequence[str],
    boxes: MovieBoxes | None,
    duration_s: float,
    *,
    reordered: bool,
    repeats: str | None,
) -> tuple[Origin, tuple[str, ...]]:
    """Return original, re-encoded or cannot tell, and the reasons.

    Parameters
    ----------
    marks
        The names that encoders left in the first packets.
    reordered
        The stamps were in the order of storing.
    repeats
        What is said of frames that repeat at regular distances, None where they do not.
    """
    against = [
        *_programs(tags, marks),
        *_later(boxes, duration_s),
        *(["its stamps are in the order of storing, as cameras do not write them"] * reordered),
        *([] if repeats is None else [repeats]),
    ]
    cameras = [f"{key} = {value}" for key, value in tags.items() if CAMERA_KEY.search(key)]
    if against:
        return "re-encoded", tuple(against)
    if len(cameras) > 1:
        return "original", (f"it names its camera ({', '.join(cameras)}) and no program",)
    phone = [key for key in tags if PHONE_KEY.match(key)]
    some = f"; only {', '.join([*cameras, *phone])}" if cameras or phone else ""
    return "cannot tell", (f"no make and model of a camera, and no program, is named{some}",)


def _programs(tags: Mapping[str, str], marks: Sequence[str]) -> list[str]:
    """Say which programs have left their names."""
    named = [
        f"{key} = {value}"
        for key, value in tags.items()
        if WRITER_KEY.search(key) and PROGRAM.search(value)
    ]
    inside = [f"the stream names {mark}" for mark in marks]
    return [f"written by a program: {row}" for row in [*named, *inside]]


def _later(boxes: MovieBoxes | None, duration_s: float) -> list[str]:
    """Say where the tracks are younger or older than the movie that they are in."""
    if boxes is None or boxes.movie_made is None or boxes.track_made is None:
        return []
    apart_s = abs((boxes.track_made - boxes.movie_made).total_seconds())
    if apart_s <= duration_s + SLACK_S:
        return []
    return [
        f"movie and pictures were made {apart_s:.0f} s apart, longer than it lasts: it was cut "
        "or written again later"
    ]
