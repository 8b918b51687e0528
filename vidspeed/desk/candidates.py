"""What in the clips of a pass might be the craft, each tried by the solver."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from vidspeed.assembly.cameras import Cameras
from vidspeed.assembly.gather import Looked
from vidspeed.assembly.passes import Pass, seen_of
from vidspeed.errors import MotionError
from vidspeed.motion.choose import solve_tracks
from vidspeed.motion.pairs import UNNAMED
from vidspeed.motion.sift import Seen, plausible
from vidspeed.values import Choice, Session, Track, Value

MOST_CANDIDATES = 6  # of a clip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate(Value):
    """A light of a clip that moves along the course as the craft could.

    `middle` is a light of it to choose it by. The speed is the pass's with it in the place of what
    was taken, None where no flight explains it; `taken`: the pass was solved from it.
    """

    clip: str
    camera: str
    lights: int
    from_s: float
    to_s: float
    middle: Choice
    speed_mps: float | None
    speed_U95_mps: float | None
    taken: bool


def _middle(track: Track) -> Choice:
    """Return the light in the middle of a track."""
    at = len(track) // 2
    return Choice(time_s=float(track.time_s[at]), xy_px=track.xy_px[at])


def middles(passes: Sequence[Pass]) -> dict[str, tuple[Choice, ...]]:
    """Return a light of each pass by clip."""
    found: dict[str, list[Choice]] = {}
    for row in passes:
        for lit in () if row.flight is None else row.flight.lit:
            found.setdefault(lit.clip, []).append(_middle(lit.track))
    return {clip: tuple(rows) for clip, rows in found.items()}


def candidates(
    session: Session,
    cameras: Cameras,
    clips: Sequence[Looked],
    mine: Pass | None,
    rest: Sequence[Pass],
) -> list[Candidate]:
    """Return what in the clips of a pass might be the craft at that time, each solved alone."""
    flight = None if mine is None else mine.flight
    taken = {} if flight is None else {lit.clip: lit.track for lit in flight.lit}
    away = [lit.track for row in rest if row.flight is not None for lit in row.flight.lit]
    names = set(taken) if mine is None or taken else set(mine.result.clips)
    rows = [row for row in clips if not names or row.clip.name in names]
    seen = [seen_of(cameras, replace(row, clip=replace(row.clip, choose=()))) for row in rows]
    found: list[Candidate] = []
    for each in seen:
        own = taken.get(each.clip.name)
        tracks = [
            track
            for track in plausible(session, each)
            if not any(track is other for other in away) and (own is None or _overlap(track, own))
        ]
        beside = [(row, taken[row.clip.name]) for row in seen if row is not each and taken]
        found += [
            _candidate(session, each, track, beside, mine if track is own else None)
            for track in tracks[:MOST_CANDIDATES]
        ]
    return found


def _overlap(one: Track, other: Track) -> bool:
    """Tell whether two tracks were seen at the same time."""
    return bool(one.time_s[0] <= other.time_s[-1] and other.time_s[0] <= one.time_s[-1])


def _candidate(
    session: Session,
    seen: Seen,
    track: Track,
    beside: Sequence[tuple[Seen, Track]],
    taken: Pass | None,
) -> Candidate:
    """Return a track as a candidate, solved with what was taken in the other clips.

    `taken` is the pass that was solved from it, None where it was not.
    """
    speed_mps = wide_mps = None
    if taken is not None:
        speed_mps, wide_mps = taken.result.speed_mps, taken.result.speed_U95_mps
    elif beside or session.flight_line.stated:
        rows = [(seen, track), *beside]
        try:
            result = solve_tracks(
                session, [row for row, _ in rows], [each for _, each in rows], UNNAMED
            )
            speed_mps, wide_mps = result.speed_mps, result.speed_U95_mps
        except MotionError:
            pass
    return Candidate(
        clip=seen.clip.name,
        camera=seen.clip.camera,
        lights=len(track),
        from_s=float(track.time_s[0]),
        to_s=float(track.time_s[-1]),
        middle=_middle(track),
        speed_mps=speed_mps,
        speed_U95_mps=wide_mps,
        taken=taken is not None,
    )
