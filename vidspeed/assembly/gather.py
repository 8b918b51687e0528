"""Gather the tracks of every clip of a session."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextvars import copy_context
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from vidspeed.assembly.cameras import Cameras
from vidspeed.assembly.dismissed import Parted, part, unmatched, without
from vidspeed.assembly.fixed import fixed, moved_stand
from vidspeed.assembly.kept import scan_once
from vidspeed.assembly.steadied import calm
from vidspeed.clip.coding import drag_u_px
from vidspeed.clip.light.shutter import DENIED
from vidspeed.clip.scan import scan
from vidspeed.clip.slow import against_rate, refuse_slow_playback
from vidspeed.errors import CalibrationError, ClipError, VidspeedError
from vidspeed.geometry.course import strip
from vidspeed.motion.stand import Stand
from vidspeed.session.tables import read_tracks
from vidspeed.session.units import ROUNDLY, too_long
from vidspeed.spread.memory import give_back
from vidspeed.spread.progress import Tell
from vidspeed.values import (
    CameraFit,
    Clip,
    ClipView,
    InputFile,
    Moved,
    Problem,
    Scan,
    Session,
    Track,
    Value,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Looked(Value):
    """A clip that was looked at; `interval_s` None where that failed."""

    clip: Clip
    view: ClipView
    interval_s: float | None
    input: InputFile | None
    problems: tuple[Problem, ...]
    stand: Stand | None = None  # of this clip alone, where its camera moved
    moved: Moved | None = None  # how
    shake_px: float = 0.0  # RMS, by wind on the tripod
    parted: tuple[Parted, ...] = ()  # tracks of which the user dismissed lights


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Keeping(Value):
    """Where what is seen in clips is kept, and whether to look again all the same."""

    folder: Path
    fresh: bool = False


def look(
    session: Session,
    cameras: Cameras,
    clip: Clip,
    progress: Tell | None,
    keeping: Keeping | None = None,
) -> Looked:
    """Read a clip's tracks; a clip that cannot be read is a problem of that clip alone."""
    try:
        if clip.camera not in cameras.stands:
            raise CalibrationError(f'camera "{clip.camera}" could not be calibrated')
        if clip.lost is not None:
            raise ClipError(clip.lost)
        if clip.track:
            return _given(session, cameras, clip)
        return _scanned(session, cameras, clip, progress, keeping)
    except VidspeedError as error:
        return failed(clip, error)


def undismissed(row: Looked) -> Looked:
    """Return a clip without the lights that its user dismissed."""
    clip, tracks, interval_s = row.clip, row.view.tracks, row.interval_s
    if not clip.dismiss or interval_s is None:
        return row
    parted = part(clip, tracks, interval_s)
    return replace(
        row,
        view=replace(row.view, tracks=without(tracks, parted)),
        parted=tuple(parted),
        problems=(*row.problems, *unmatched(clip, tracks, interval_s)),
    )


def failed(clip: Clip, error: VidspeedError) -> Looked:
    """Return a clip that could not be read, with the reason as its problem."""
    view = ClipView(
        clip=clip.name, camera=clip.camera, facts=None, brightest=None, still=None, tracks=()
    )
    problems = tuple(
        Problem(level="error", where=clip.name, message=_without_name(clip, message))
        for message in error.messages
    )
    return Looked(clip=clip, view=view, interval_s=None, input=None, problems=problems)


def _without_name(clip: Clip, message: str) -> str:
    """Return a message without the clip's name in front: `where` has it in full."""
    for name in (clip.name, Path(clip.name).name):
        message = message.removeprefix(f"{name}: ")
    return message


def _given(session: Session, cameras: Cameras, clip: Clip) -> Looked:
    """Take the positions that a track file states; nothing is decoded."""
    assert clip.track is not None
    path = Path(session.folder) / clip.track
    tracks = read_tracks(path, height_px=session.camera(clip.camera).image_size_px[1])
    interval_s = min(_interval_s(track) for track in tracks)
    _refuse_exposure(clip, interval_s)
    view = ClipView(
        clip=clip.name, camera=clip.camera, facts=None, brightest=None, still=None, tracks=tracks
    )
    return Looked(
        clip=clip,
        view=view,
        interval_s=interval_s,
        input=InputFile(file=clip.track, sha256=hashlib.sha256(path.read_bytes()).hexdigest()),
        problems=(),
        stand=_stand_of(session, cameras, clip, tracks[0].moved),
    )


def _stand_of(session: Session, cameras: Cameras, clip: Clip, moved: Moved | None) -> Stand | None:
    """Return the stand of a clip whose track says how its camera had moved."""
    if moved is None:
        return None
    return moved_stand(session, *cameras.stands[clip.camera], moved)[0]


def _interval_s(track: Track) -> float:
    """Return the frame interval that a track states, or the median of its own steps."""
    if track.interval_s is not None:
        return track.interval_s
    return float(np.median(np.diff(track.time_s) / np.maximum(np.diff(track.frame), 1)))


def _scanned(
    session: Session,
    cameras: Cameras,
    clip: Clip,
    progress: Tell | None,
    keeping: Keeping | None,
) -> Looked:
    """Decode a clip once and follow what moves in it."""
    assert clip.file is not None
    stand, fit = cameras.stands[clip.camera]
    path = session.path_of(clip)
    if not path.exists():
        raise ClipError(f"there is no such file in {path.parent}; check `file` of the clip")

    def tell(done: int, total: int) -> None:
        if progress is not None:
            progress(clip.name, done, total)

    with ThreadPoolExecutor(max_workers=1) as beside:
        asked = beside.submit(copy_context().run, _against_stamps, path, clip.rate_hz)

        def tell_unless_refused(done: int, total: int) -> None:
            if asked.done():
                asked.result()
            tell(done, total)

        try:
            seen = _searched(session, clip, path, fit, tell_unless_refused, keeping)
        finally:
            said = asked.result()  # what speaks against its stamps comes before anything else
    _refuse_size(session, clip, seen.facts.size_px)  # it may have been kept for another entry
    _refuse_exposure(clip, seen.facts.interval_s)
    still = fixed(session, clip.name, stand, fit, seen)
    if still.fit is not None and still.moved is not None and still.moved.far:
        seen = _searched(session, clip, path, still.fit, tell, keeping)
    return Looked(
        clip=clip,
        view=ClipView(
            clip=clip.name,
            camera=clip.camera,
            facts=seen.facts,
            brightest=seen.brightest,
            still=seen.still,
            footage=seen.footage,
            tracks=tuple(
                replace(
                    row,
                    interval_s=seen.facts.interval_s,
                    drag_u_px=drag_u_px(seen.facts.codec),
                    moved=still.moved,
                )
                for row in (calm(seen, stand.camera) if still.shake_px else seen.tracks)
            ),
        ),
        interval_s=seen.facts.interval_s,
        input=InputFile(file=clip.file, sha256=seen.facts.sha256),
        problems=(
            *(
                Problem(level="warn", where=clip.name, message=note)
                for note in (*said, *seen.facts.notes)
            ),
            *still.problems,
        ),
        stand=still.stand,
        moved=still.moved,
        shake_px=still.shake_px,
    )


def _against_stamps(path: Path, rate_hz: float | None) -> tuple[str, ...]:
    """Refuse a clip whose stamps are contradicted; say what contradicts a rate that was stated.

    The whole file is read for it, of a long clip for seconds: a decoder need not wait.
    """
    if rate_hz is not None:
        return against_rate(path, rate_hz)
    refuse_slow_playback(path)
    return ()


def _searched(
    session: Session,
    clip: Clip,
    path: Path,
    fit: CameraFit,
    tell: Callable[[int, int], None],
    keeping: Keeping | None,
) -> Scan:
    """Scan a clip along the course as a camera sees it; refuse another picture size at once."""
    where = strip(session.course, session.flight_line, session.craft, fit.pose, fit.lens)
    stated = None if clip.exposure_s is None else (clip.exposure_s, clip.exposure_u_s or 0.0)

    def search() -> Scan:
        accept = partial(_refuse_size, session, clip)
        seen = scan(
            path, rate_hz=clip.rate_hz, accept=accept, strip=where, exposure_s=stated, progress=tell
        )
        give_back()  # what decoding took, before what was seen is there once more as bytes
        return seen

    found = scan_once(
        None if keeping is None else keeping.folder,
        path,
        rate_hz=clip.rate_hz,
        exposure_s=stated,
        strip=where,
        search=search,
        fresh=keeping is not None and keeping.fresh,
        clip=clip.name,
    )
    return replace(found, facts=replace(found.facts, file=Path(clip.name).name))  # called anew


def _refuse_size(session: Session, clip: Clip, size_px: tuple[int, int]) -> None:
    """Refuse a clip of another picture size than its camera's."""
    stated = session.camera(clip.camera).image_size_px
    if size_px != stated:
        raise ClipError(
            f"{clip.name}: the picture is {size_px[0]} x {size_px[1]} as shown, camera "
            f'"{clip.camera}" states image_size_px {list(stated)}; make a camera entry with '
            "picks for this picture size, or name the right camera"
        )


def _refuse_exposure(clip: Clip, interval_s: float) -> None:
    """Refuse a clip whose stated exposure surely lasts longer than from frame to frame.

    One of the two is wrong, and a speed hangs on the other: how fast the clip plays.
    """
    if clip.exposure_s is None:
        return
    surely_s = clip.exposure_s - DENIED * (clip.exposure_u_s or 0.0)
    if surely_s > ROUNDLY * interval_s:
        words = too_long(1e3 * clip.exposure_s, 1e3 * interval_s, by_rate=clip.rate_hz is not None)
        raise ClipError(f"{clip.name}: {words}")


def with_intervals(
    cameras: Cameras, clips: Sequence[Looked], before_s: Mapping[str, float] | None = None
) -> Cameras:
    """Give each camera the shortest frame interval that its clips show, or showed `before_s`."""
    intervals = dict(before_s or {})
    for row in clips:
        if row.interval_s is not None:
            known = intervals.get(row.clip.camera, row.interval_s)
            intervals[row.clip.camera] = min(known, row.interval_s)
    stands = {
        name: (replace(stand, interval_s=intervals.get(name, stand.interval_s)), fit)
        for name, (stand, fit) in cameras.stands.items()
    }
    return Cameras(stands=stands, problems=cameras.problems)


def refuse_nothing(clips: Sequence[Looked], cameras: Cameras) -> None:
    """Raise where not one clip could be read."""
    if all(row.interval_s is None for row in clips):
        raise ClipError(
            *(problem.message for problem in cameras.problems),
            *(
                f"{problem.where}: {problem.message}"
                for row in clips
                for problem in row.problems
                if problem.level == "error"
            ),
        )
