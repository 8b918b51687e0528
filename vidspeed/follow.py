"""Follow all that moves in a clip, without a session: `vidspeed follow`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from vidspeed.clip.coding import drag_u_px
from vidspeed.clip.scan import scan
from vidspeed.spread.progress import report
from vidspeed.values import Scan


def follow(clip: Path, *, rate_hz: float | None = None) -> Scan:
    """Decode a clip once and follow everything that moves; its tracks are in order of time.

    Nothing is known of a course: positions are pixels of the picture as shown, times are those of
    the file, or frame over `rate_hz` for a clip that was stored for slow playback.

    Raises
    ------
    ClipError
        Where the clip cannot be read.
    """
    report(clip.name, 0, 0)

    def tell(done: int, total: int) -> None:
        report(clip.name, done, total)

    seen = scan(clip, rate_hz=rate_hz, progress=tell)
    tracks = tuple(
        replace(track, interval_s=seen.facts.interval_s, drag_u_px=drag_u_px(seen.facts.codec))
        for track in sorted(seen.tracks, key=lambda track: float(track.time_s[0]))
    )
    return replace(seen, tracks=tracks)
