"""Signs that a clip is not what its camera wrote: what neither stamps nor decoder complain of.

Some codecs cannot notice damage: they go on from wrong pictures and show the craft where it is
not. Bytes that say how long a frame lasts may be wrong as well, and then every speed is.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np

from vidspeed.clip.boxes import MovieBoxes
from vidspeed.values import Floats

ABRUPT = 5.0  # times the usual change from frame to frame
LEAST_ABRUPT = 2.0  # luma levels; a key frame may change the picture by one
BLIND = ("vp8", "vp9")  # codecs that notice no damage: less is believed of them
ABRUPT_BLIND, LEAST_ABRUPT_BLIND = 2.5, 1.0
LENGTH_SLACK, LENGTH_SLACK_S, LENGTH_SLACK_FRAMES = 0.005, 0.005, 1.5  # headers round
_LASTS = re.compile(r"(\d+):(\d\d):(\d\d(?:\.\d+)?)")
COUNT_SLACK, COUNT_SLACK_FRAMES = 0.03, 2.0  # frames at the ends that a trim on the way may cost


def picture_notes(changes: Floats, codec: str) -> list[str]:
    """Say where the whole picture changes at once.

    `changes` (n,) is the mean absolute change of each frame from the one before, in luma levels;
    the first is not looked at. The picture of a camera that stands changes by its noise.
    """
    if len(changes) < 3:
        return []
    usual = float(np.median(changes[1:]))
    least = max(ABRUPT * usual, LEAST_ABRUPT)
    if codec in BLIND:
        least = max(ABRUPT_BLIND * usual, LEAST_ABRUPT_BLIND)
    abrupt = np.flatnonzero(changes[1:] > least) + 1
    if not len(abrupt):
        return []
    times = "once" if len(abrupt) == 1 else f"{len(abrupt)} times, first"
    return [
        f"the whole picture changes at once ({times} at frame {abrupt[0]}), as in a damaged file, "
        "in one cut together, or where the camera is knocked or its exposure jumps: look at the "
        "picture of the pass before you believe it"
    ]


def length_notes(boxes: MovieBoxes | None, span_s: float, interval_s: float) -> list[str]:
    """Say where the lengths that a file states of itself are not that of its frames.

    `span_s` is the time that the decoded frames take by their stamps. It is compared with the
    length of the track as shown, which stands in other units in another place than the stamps;
    where an edit list pieces the recording together, with that of the recording. A file whose
    frames are not all there is shorter than it says, and is not asked.
    """
    if boxes is None or boxes.fragmented:
        return []
    stated_s = boxes.media_s if boxes.pieced else boxes.shown_s
    if stated_s is None:
        return []
    if not boxes.pieced:
        stated_s -= sum(row.duration_s for row in boxes.edits if row.media_s is None)
    slack_s = max(LENGTH_SLACK * span_s, LENGTH_SLACK_FRAMES * interval_s + LENGTH_SLACK_S)
    if abs(stated_s - span_s) <= slack_s:
        return []
    return [
        f"the file says that it lasts {stated_s:.2f} s, its frames last {span_s:.2f} s by their "
        "stamps: one of them is wrong, and with the stamps every speed would be; copy the clip "
        "from the camera again"
    ]


def end_notes(tags: Mapping[str, str], end_s: float, interval_s: float) -> list[str]:
    """Say where a Matroska file's frames end before the length that its track's tag states.

    A copy that was broken off ends where it ends, and no reader complains. `end_s` is the last
    frame's stamp and interval. A file without the tag is not asked.
    """
    found = _LASTS.fullmatch(tags.get("DURATION", ""))
    if found is None:
        return []
    hours, minutes, seconds = (float(part) for part in found.groups())
    stated_s = 3600.0 * hours + 60.0 * minutes + seconds
    slack_s = max(LENGTH_SLACK * stated_s, LENGTH_SLACK_FRAMES * interval_s + LENGTH_SLACK_S)
    if end_s >= stated_s - slack_s:
        return []
    return [
        f"the file is cut short: it says that its pictures last {stated_s:.2f} s, and they end "
        f"at {end_s:.2f} s; copy the clip from the camera again"
    ]


def count_notes(container: str, stored: int | None, shown: int, ticks: int) -> list[str]:
    """Say where a file gives fewer frames than it stores, as far as it says how many.

    `shown` frames were decoded; their stamps take `ticks` of the time base, first and last
    counted. An AVI file has no stamps: its time base counts frames, and one that damage swallowed
    leaves no gap.
    """
    if stored is None:
        return []
    if container == "avi":
        words = (
            f"{ticks} of the {stored} frames of the file are there, and an AVI file has no "
            "stamps: all frames after a lost one are taken for too early, and a pass with one in "
            "it for too fast; copy the clip from the camera again"
        )
        return [words] if ticks < stored else []
    if stored - shown <= max(COUNT_SLACK_FRAMES, COUNT_SLACK * stored):
        return []
    return [
        f"{shown} of the {stored} frames that the file stores are shown: its edit list leaves the "
        "others out (a trimmed clip), or its stamps are wrong, and with them every speed would be"
    ]
