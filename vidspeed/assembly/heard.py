"""The sound of each pass's clips: when to listen, and what the solution makes of what is heard.

A microphone stands where the camera stands, so the sound tells the speed where the craft is closest
to it, along its path. Both follow from the solution, which brings that speed to the component
along x, over the same stretch. Neither takes part in what is heard.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from vidspeed.agreement.arrival import heard_moment
from vidspeed.agreement.causes import Beside, by_range, independent
from vidspeed.agreement.doppler import around_of
from vidspeed.agreement.hearing import hear
from vidspeed.assembly.cameras import Cameras
from vidspeed.assembly.gather import Looked
from vidspeed.clip.sound import read_sound
from vidspeed.errors import ClipError, WorkerError
from vidspeed.session.check import Refused
from vidspeed.session.heardfile import read_heard
from vidspeed.spread.executor import clip_words
from vidspeed.spread.progress import report
from vidspeed.values import Around, Check, Heard, PassResult, Session, Sighted, Value

SLACK_S = 0.35  # sound and picture of a file may be so far apart, and the path bends
# Of the craft's speeds: a wrong speed must not keep the true one from being heard.
RANGE = (0.5, 2.0)
TEMPERATURE_K = 288.0
SHARED = [4, 6, 7]  # acceleration, wind, speed of sound: where they stand in `Heard.covariance`


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Nearest(Value):
    """Where a solved pass is closest to a camera: when by the clip's time, how far, how it flies.

    `x_m` is where along the course, `part` the component along x over the speed along the path
    there, `over` the speed of the pass over the speed along x there.
    """

    time_s: float
    x_m: float
    distance_m: float
    part: float
    over: float


def nearest(result: PassResult, seen: Sighted, position_m: Sequence[float]) -> Nearest | None:
    """Return where a pass is closest to where a camera stands, None where that is not known."""
    if result.profile is None or result.path_m is None or not result.speed_mps:
        return None
    x_m, path = result.profile.x_m, result.path_m
    way = path[-1] - path[0]
    length = float(np.linalg.norm(way))
    if length <= 0.0:
        return None
    ahead = way / length
    foot = path[0] + ((np.asarray(position_m) - path[0]) @ ahead) * ahead
    local = float(np.interp(foot[0], x_m, result.profile.speed_mps))
    return Nearest(
        time_s=_time_at(seen, float(foot[0])),
        x_m=float(foot[0]),
        distance_m=float(np.linalg.norm(np.asarray(position_m) - foot)),
        part=float(abs(ahead[0])),
        over=result.speed_mps / local,
    )


def _time_at(seen: Sighted, x_m: float) -> float:
    """Return the clip's time at a place along the course, by its lights; beyond them steadily."""
    places, time_s = seen.x_m[seen.used], seen.track.time_s[seen.used]
    slope, at = np.polyfit(places, time_s, 1)
    inside = places.min() <= x_m <= places.max()
    if not inside:
        return float(slope * x_m + at)
    order = np.argsort(places)
    return float(np.interp(x_m, places[order], time_s[order]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Asked(Value):
    """A clip to be listened to for one pass; `within_s` None: its sound has another clock.

    `before` names the file of what was heard in it before: then it is not listened to.
    """

    file: str
    clip: str
    camera: str
    around: Around
    within_s: tuple[float, float] | None
    speed_mps: tuple[float, float]
    near: Nearest
    path: str | None = None  # where it lies; None: in the session folder
    before: str | None = None


def heard_in(folder: str, asked: Asked) -> tuple[Heard | None, str]:
    """Listen for one pass: the job that an executor is given. None and why, where none is heard."""
    report(asked.file, 0, 0)
    if asked.before is not None:
        return _heard_before(Path(folder) / asked.before, asked)
    try:
        sound = read_sound(Path(asked.path or Path(folder) / asked.file))
    except ClipError as error:
        return None, str(error)
    found = hear(
        sound.samples,
        sound.rate_hz,
        sound.start_s,
        around=asked.around,
        within_s=asked.within_s,
        speed_mps=asked.speed_mps,
    )
    if len(found.heard) == 1:
        return found.heard[0], ""
    return None, found.reason or f"{len(found.heard)} craft are heard in it, and which is not sure"


def _heard_before(path: Path, asked: Asked) -> tuple[Heard | None, str]:
    """Return what a file says was heard at a pass's time."""
    try:
        rows = read_heard(path.read_bytes())
    except (OSError, Refused) as fault:
        return None, f"{asked.before}: {fault}"
    for row in rows:
        moment_s = heard_moment(row.flyby)
        if asked.within_s is not None and asked.within_s[0] <= moment_s <= asked.within_s[1]:
            return row, ""
    return None, f"{asked.before} holds no sound of this pass"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hearing(Value):
    """What was heard of a pass: what was asked, and for each the sound, or None and why."""

    asked: tuple[Asked, ...]
    found: tuple[tuple[Heard | None, str], ...]

    @property
    def heard(self) -> list[tuple[Asked, Heard]]:
        """Return what was heard, beside what was asked."""
        rows = zip(self.asked, self.found, strict=True)
        return [(row, heard) for row, (heard, _) in rows if heard is not None]


def listen_for(
    session: Session,
    cameras: Cameras,
    clips: Mapping[str, Looked],
    passes: Sequence[PassResult],
    pool: Executor,
) -> list[Hearing]:
    """Listen to the clips of all passes that have sound."""
    asked = [_asked(session, cameras, clips, result) for result in passes]
    jobs = [[pool.submit(heard_in, session.folder, row) for row in rows] for rows in asked]
    return [
        Hearing(asked=tuple(rows), found=tuple(_outcome(job) for job in futures))
        for rows, futures in zip(asked, jobs, strict=True)
    ]


def _asked(
    session: Session, cameras: Cameras, clips: Mapping[str, Looked], result: PassResult
) -> list[Asked]:
    """Return what to listen to for a pass: its clips that are files with sound."""
    found = []
    for seen in result.sightings if result.speed_mps is not None else ():
        row = clips[seen.clip]
        if not _has_sound(row):
            continue
        near = nearest(result, seen, cameras.stands[seen.camera][1].pose.position_m.tolist())
        if near is None:
            continue
        along = 1.0 if result.direction == "forward" else -1.0
        around = around_of(session.air, along=along, line=session.flight_line)
        middle = near.time_s + near.distance_m / around.sound_mps
        found.append(
            Asked(
                file=row.clip.name,
                path=row.clip.path,
                before=row.clip.heard,
                clip=seen.clip,
                camera=seen.camera,
                around=around,
                within_s=(middle - SLACK_S, middle + SLACK_S) if row.clip.rate_hz is None else None,
                speed_mps=(
                    RANGE[0] * session.craft.speed_mps[0],
                    RANGE[1] * session.craft.speed_mps[1],
                ),
                near=near,
            )
        )
    return found


def _has_sound(row: Looked) -> bool:
    """Tell whether there is something to hear: a file with sound, or what was heard before."""
    facts = row.view.facts
    if row.clip.heard is not None:
        return True
    return row.clip.file is not None and facts is not None and facts.has_sound


def _outcome(job: Future[tuple[Heard | None, str]]) -> tuple[Heard | None, str]:
    """Return what a job heard; a decoder that ended its process heard nothing."""
    try:
        return job.result()
    except WorkerError as error:
        return None, clip_words(error)


def beside_sound(result: PassResult, hearing: Hearing) -> tuple[tuple[Beside, ...], Check | None]:
    """Return a pass's speed by its clips' sounds beside a result, and what is to be said of it.

    With one camera also the distance, which tells whether a flight line is to blame.
    """
    if not hearing.asked:
        return (), None
    rows = hearing.heard
    if not rows:
        words = "; ".join(
            f"{row.file}: {reason}"
            for row, (_, reason) in zip(hearing.asked, hearing.found, strict=True)
        )
        return (), Check(name="sound", status="ok", detail=words)
    row, heard = min(rows, key=lambda pair: pair[1].speed_u_mps / pair[1].speed_mps)
    beside = independent(result, "sound", *together(rows))
    told = _with_words(beside, heard)
    said = "; ".join(_said(*pair) for pair in rows)
    check = Check(name="sound", status="ok", detail=said)
    if len(result.sightings) > 1 or row.within_s is None:
        return (told,), check
    ratio = heard.flyby.distance_m / row.near.distance_m
    hangs = float(heard.covariance[0, 1]) / (heard.speed_u_mps * heard.distance_u_m)
    return by_range(result, told, ratio, heard.distance_u_m / row.near.distance_m, hangs), check


def together(rows: Sequence[tuple[Asked, Heard]]) -> tuple[float, float]:
    """Return the mean speed along x by several sounds of one pass, and its standard uncertainty.

    All are heard through the same air and come from one craft, so what each owes to what is known
    of acceleration, wind and the speed of sound they have in common (GUM 5.2).
    """
    speeds, own, common = [], [], []
    for row, heard in rows:
        factor = row.near.part * row.near.over
        air = row.around
        known_u = np.array([air.accel_u_mps2, air.wind_u_mps, air.sound_u_mps])
        shared = factor * heard.covariance[0, SHARED] / np.maximum(known_u, 1e-9)
        speeds.append(factor * heard.speed_mps)
        common.append(shared)
        own.append(max((factor * heard.speed_u_mps) ** 2 - float(shared @ shared), 0.0))
    covariance = np.array(common) @ np.array(common).T + np.diag(own)
    pull = np.linalg.solve(covariance, np.ones(len(rows)))
    weight = pull / pull.sum()
    return float(weight @ speeds), float(np.sqrt(weight @ covariance @ weight))


def _said(row: Asked, heard: Heard) -> str:
    """Say what was heard, and how far away it was."""
    tones = ", ".join(f"{tone:.0f}" for tone in np.sort(heard.tones_hz))
    said = (
        f"{row.file}: tones of {tones} Hz, heard from {heard.heard_s[0]:.2f} to "
        f"{heard.heard_s[1]:.2f} s, {heard.level_db:.0f} dB over the noise"
    )
    if row.within_s is None:
        return said
    return (
        f"{said}; closest at {heard.flyby.distance_m:.1f} m (u {heard.distance_u_m:.1f} m), by the "
        f"pictures at {row.near.distance_m:.1f} m"
    )


def _with_words(beside: Beside, heard: Heard) -> Beside:
    """Return a figure by sound with what would have to be wrong of it to explain its difference."""
    share = beside.away_mps / beside.speed_mps
    warmer_k = -2.0 * TEMPERATURE_K * share
    wind_mps = share * heard.flyby.sound_mps**2 / heard.flyby.speed_mps
    words = (
        f"what is said of the air: {abs(warmer_k):.0f} K {'warmer' if warmer_k > 0 else 'colder'}, "
        f"or {abs(wind_mps):.0f} m/s more {'tail' if wind_mps > 0.0 else 'head'} wind"
    )
    return replace(beside, own_words=words)
