"""A second look along the flight line, at clips in which the first one saw no pass.

Only a clip in which no light flies along the course like the craft is looked at again, and only
where a flight line is stated that its camera sees.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from vidspeed.assembly.gather import Cameras, Looked, undismissed
from vidspeed.clip.coding import drag_u_px
from vidspeed.clip.striplight import faint_tracks
from vidspeed.errors import ClipError
from vidspeed.geometry.corridor import corridor
from vidspeed.motion.choose import Seen, holds_a_pass
from vidspeed.values import Clip, ClipFacts, Problem, Session, Track


def with_faint(session: Session, cameras: Cameras, clip: Clip, looked: Looked) -> Looked:
    """Return what a look at a clip found, and what is too faint for it where that is no pass."""
    facts = looked.view.facts
    if facts is None or clip.file is None or clip.expect_none or looked.shaken:
        return looked
    stand = looked.stand or cameras.stands[clip.camera][0]
    along = corridor(
        session.course, session.flight_line, session.craft, stand.pose, stand.lens(), facts.size_px
    )
    seen = Seen(
        clip=clip, stand=replace(stand, interval_s=facts.interval_s), tracks=looked.view.tracks
    )
    if along is None or holds_a_pass(session, seen):
        return looked
    try:
        found = faint_tracks(Path(session.folder) / clip.file, along, facts, rate_hz=clip.rate_hz)
    except ClipError:
        return looked
    laid = [_of_clip(track, facts, looked) for track in found]
    tracks = tuple(row for row in laid if holds_a_pass(session, replace(seen, tracks=(row,))))
    view = replace(looked.view, tracks=(*looked.view.tracks, *tracks))
    told = tuple(_told(clip, track) for track in tracks)
    return undismissed(replace(looked, view=view, problems=(*looked.problems, *told)))


def _of_clip(track: Track, facts: ClipFacts, looked: Looked) -> Track:
    """Give a track what it has from its clip."""
    return replace(
        track,
        interval_s=facts.interval_s,
        drag_u_px=drag_u_px(facts.codec),
        moved=looked.moved,
    )


def _told(clip: Clip, track: Track) -> Problem:
    """Say that a track was found by adding up."""
    message = (
        f"from {track.time_s[0]:.2f} to {track.time_s[-1]:.2f} s a light flies along the course "
        f"that is too faint for single frames (about {float(track.snr.mean()):.1f} times the noise "
        f"of a pixel); it was found by adding up, {len(track)} groups of frames give a place each"
    )
    return Problem(level="warn", where=clip.name, message=message)
