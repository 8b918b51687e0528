"""What a pass page writes: which lights of a clip are dismissed, and which are the craft's."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from vidspeed.assembly.dismissed import NEAR_FRAMES, NEAR_PX
from vidspeed.desk.candidates import Candidate
from vidspeed.desk.passes import Shown
from vidspeed.desk.sources import SESSION, Changed, Source, keep, read_source
from vidspeed.desk.toml import put
from vidspeed.errors import SessionError
from vidspeed.values import Bools, Choice, Clip, Session, Track

SAME_S, SAME_PX = 1e-5, 0.02  # two entries this near in time and place are one light
Rows = list[dict[str, float]]


def written(light: Choice) -> dict[str, float]:
    """Return a light as session.toml names it."""
    return {
        "time_s": round(light.time_s, 6),
        "x_px": round(float(light.xy_px[0]), 2),
        "y_px": round(float(light.xy_px[1]), 2),
    }


def with_dismissed(clip: Clip, lights: Sequence[Choice]) -> Rows:
    """Return what `dismiss` of a clip is with more lights."""
    return [written(row) for row in (*_others(clip.dismiss, lights, SAME_S, SAME_PX), *lights)]


def without_dismissed(clip: Clip, lights: Sequence[Choice], interval_s: float) -> Rows | None:
    """Return what `dismiss` of a clip is without what dismissed lights; None: nothing is left.

    `interval_s` is the time between its frames.
    """
    left = _others(clip.dismiss, lights, NEAR_FRAMES * interval_s, NEAR_PX)
    return [written(row) for row in left] or None


def choices_after(clip: Clip, track: Track, out: Bools) -> Rows | None:
    """Return what `choose` of a clip is once lights (n,) of a chosen track are dismissed.

    A choice of one of them becomes one of a light that is left. None: it stays as it is.
    """
    gone = [light for light, off in zip(lights_of(track), out, strict=True) if off]
    kept = _others(clip.choose, gone, SAME_S, NEAR_PX)
    left = np.flatnonzero(~out)
    if len(kept) == len(clip.choose) or not len(left):
        return None
    return [written(row) for row in (*kept, lights_of(track)[left[len(left) // 2]])]


def lights_of(track: Track) -> list[Choice]:
    """Return the lights of a track as they are pointed at."""
    return [
        Choice(time_s=float(time_s), xy_px=xy_px)
        for time_s, xy_px in zip(track.time_s, track.xy_px, strict=True)
    ]


def _others(
    stated: Sequence[Choice], lights: Sequence[Choice], within_s: float, within_px: float
) -> list[Choice]:
    """Return what was stated of other lights than these."""
    return [
        row
        for row in stated
        if not any(
            abs(row.time_s - light.time_s) <= within_s
            and np.linalg.norm(row.xy_px - light.xy_px) <= within_px
            for light in lights
        )
    ]


def chosen(shown: Shown, candidate: Candidate) -> Rows:
    """Return what `choose` of a clip is so that a pass is solved from a candidate.

    Every other pass of the clip keeps its own light, because a clip with `choose` is solved from
    chosen lights alone.
    """
    return [written(row) for row in (*shown.others.get(candidate.clip, ()), candidate.middle)]


def change(
    source: Source, session: Session, values: Iterable[tuple[str, str, Rows | None]]
) -> Source:
    """Write keys of clips into session.toml, if it still is what the page knows.

    `values` are the clip's name, the key and what it is to be; None takes the key away. Raises
    Changed where somebody else changed the file.
    """
    fresh = read_source(source.folder)
    if fresh.seen != source.seen:
        raise Changed(
            f"{SESSION}: was changed by somebody else meanwhile, and was left alone; load the page "
            "again to go on from what it holds now"
        )
    names = [clip.name for clip in session.clips]
    text = fresh.text
    for clip, key, rows in values:
        if clip not in names:
            raise SessionError(f"{SESSION}: no clip {clip} in it any more; load the page again")
        text = put(text, "clip", names.index(clip), {key: rows})
    return keep(fresh, text)
