"""A second look along the flight line, at clips in which the first one saw no pass.

Only a clip in which no light flies along the course like the craft, or none from gate to gate, is
looked at again, and only where a flight line is stated that its camera sees. What is found then
must be a flight, too.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from vidspeed.assembly.cameras import Cameras
from vidspeed.assembly.gather import Keeping, Looked
from vidspeed.assembly.kept import faint_once
from vidspeed.clip.coding import drag_u_px
from vidspeed.clip.faint.striplight import faint_tracks
from vidspeed.decisions import decided
from vidspeed.errors import ClipError
from vidspeed.geometry.corridor import corridor
from vidspeed.geometry.steady import SHAKE_PX
from vidspeed.motion.choose import best_status
from vidspeed.motion.sift import Seen
from vidspeed.spread.progress import report
from vidspeed.values import Clip, ClipFacts, Corridor, Problem, Session, Track

ON_WAY_PX = 6.0
PLAIN_SNR = 7.0  # peak over the noise of a pixel that single frames show where nothing else moves


def with_faint(
    session: Session,
    cameras: Cameras,
    clip: Clip,
    looked: Looked,
    keeping: Keeping | None = None,
) -> Looked:
    """Return what a look at a clip found, and what is too faint for it where that is no pass."""
    facts = looked.view.facts
    if facts is None or clip.file is None or clip.expect_none:
        return looked
    if looked.shake_px > SHAKE_PX:  # frames that do not lie on each other cannot be added up
        return looked
    stand = looked.stand or cameras.stands[clip.camera][0]
    along = corridor(
        session.course, session.flight_line, session.craft, stand.pose, stand.lens(), facts.size_px
    )
    if along is None:
        return looked
    timed = replace(stand, interval_s=facts.interval_s)
    seen = Seen(clip=clip, stand=timed, tracks=looked.view.tracks)
    whole = ("measured",) if _both_gates(session, along) else ("measured", "partial")
    before = best_status(session, seen, whole)
    if before in whole:
        return looked
    try:
        found = _found(session, clip, facts, along, keeping)
    except ClipError:
        return looked
    laid = [_of_clip(track, facts, looked) for track in found]
    wanted = ("measured",) if before == "partial" else ("measured", "partial")
    new = [row for row in laid if best_status(session, replace(seen, tracks=(row,))) in wanted]
    kept = [row for row in looked.view.tracks if not any(_part_of(row, other) for other in new)]
    view = replace(looked.view, tracks=(*kept, *new))
    decided(
        __name__,
        f"{clip.name}: looked at again along the flight line, {len(found)} lights found by adding "
        f"up, {len(new)} taken",
        clip=clip.name, found=len(found), taken=len(new), before=before,
    )  # fmt: skip
    told = tuple(_told(clip, track) for track in new)
    return replace(looked, view=view, problems=(*looked.problems, *told))


def _found(
    session: Session, clip: Clip, facts: ClipFacts, along: Corridor, keeping: Keeping | None
) -> tuple[Track, ...]:
    """Look at a clip along the flight line, once for each line."""
    path = session.path_of(clip)
    progress = partial(report, clip.name)
    return faint_once(
        None if keeping is None else keeping.folder,
        path,
        facts,
        along,
        rate_hz=clip.rate_hz,
        look=lambda: faint_tracks(path, along, facts, rate_hz=clip.rate_hz, progress=progress),
        fresh=keeping is not None and keeping.fresh,
        clip=clip.name,
    )


def _both_gates(session: Session, along: Corridor) -> bool:
    """Tell whether a camera sees both gates, so that a partial pass could be a whole one."""
    return bool(along.x_m[0] < 0.0 and along.x_m[-1] > session.course.length_m)


def _part_of(track: Track, whole: Track) -> bool:
    """Tell whether a track is a part of one that was found by adding up."""
    from scipy.interpolate import CubicSpline  # here: slow to import

    during = (track.time_s >= whole.time_s[0]) & (track.time_s <= whole.time_s[-1])
    if during.sum() < 0.5 * len(track):
        return False
    way = CubicSpline(whole.time_s, whole.xy_px)(track.time_s[during])
    return float(np.median(np.linalg.norm(way - track.xy_px[during], axis=1))) < ON_WAY_PX


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
    strength = float(track.snr.mean())
    why = "is too faint for single frames"
    if strength > PLAIN_SNR:
        why = "single frames do not tell from what moves behind it"
    message = (
        f"from {track.time_s[0]:.2f} to {track.time_s[-1]:.2f} s a light flies along the course "
        f"that {why} (about {strength:.1f} times the noise of a pixel); it was found by adding up, "
        f"{len(track)} groups of frames give a place each"
    )
    return Problem(level="warn", where=clip.name, message=message)
