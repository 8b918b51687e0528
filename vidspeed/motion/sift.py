"""Which tracks of a clip may be the craft: each laid on the course and judged by how it moves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from vidspeed.decisions import decided, wanted
from vidspeed.geometry.corridor import corridor
from vidspeed.motion.halves import joined
from vidspeed.motion.stand import Stand
from vidspeed.motion.start import FALLBACK_HEIGHT_M, Sketch, sketch
from vidspeed.values import Choice, Clip, Session, Track, Value

LEAST_SPAN = 0.15  # of the course that a track must cover to be solved
MOST_SCATTER = 0.15  # RMS about uniform motion, over the covered x, that a flight can have
LEAST_LIGHTS = 5
LEAST_STRAIGHT = 3  # lights that show whether they move steadily
SPEED_SLACK = 2.5  # the sketch's range is not known, so its speed is only about right
CHOICE_PX = 15.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen(Value):
    """A clip of a pass with all that moved in it; `span_s` is when it began and ended, if known."""

    clip: Clip
    stand: Stand
    tracks: tuple[Track, ...]
    span_s: tuple[float, float] | None = None


def plausible(session: Session, seen: Seen) -> list[Track]:
    """Return the tracks of a clip that may be the craft on the course, longest first.

    Those that a pole broke are there whole, too.
    """
    kept = []
    for track, why in sifted(session, seen):
        if why is None:
            kept.append(track)
        tell(seen.clip.name, track, "may be the craft" if why is None else f"left out: {why}")
    return sorted(kept, key=len, reverse=True)


def sifted(session: Session, seen: Seen) -> Iterator[tuple[Track, str | None]]:
    """Yield the tracks of a clip and why they cannot be the craft, None where they may."""
    for track in (*seen.tracks, *joined(seen.tracks)):
        yield track, _too_little(track, seen) or _not_craft(session, seen, track)


def _not_craft(session: Session, seen: Seen, track: Track) -> str | None:
    """Say why a track, laid on the course, does not move like the craft, None if it does."""
    return _cannot_fly(laid(session, seen, track), session)


def laid(session: Session, seen: Seen, track: Track) -> Sketch:
    """Return a track laid on the course along the flight line."""
    line = session.flight_line
    place = (line.offset_m, line.height_m) if line.stated else (0.0, FALLBACK_HEIGHT_M)
    readout = seen.stand.camera.readout_s or 0.0
    return sketch(track, seen.stand, place, session.course.length_m, readout)


def may_be_craft(session: Session, seen: Seen, track: Track) -> bool:
    """Tell whether a track of a clip may be the craft on the course."""
    return not (_too_little(track, seen) or _not_craft(session, seen, track))


def _too_little(track: Track, seen: Seen) -> str | None:
    """Say why a track is not even laid on the course, None where it is."""
    if len(track) < LEAST_LIGHTS:
        return f"{LEAST_LIGHTS} lights are needed"
    return None if _chosen(track, seen.clip.choose) else "`choose` names another light"


def _cannot_fly(sketched: Sketch, session: Session) -> str | None:
    """Say why a laid-out track does not move along the course as a craft could, None if it does."""
    length_m = session.course.length_m
    low, high = session.craft.speed_mps
    if not np.isfinite(sketched.speed_mps) or not np.isfinite(sketched.scatter_m):
        return "it cannot be laid on the course"
    inside = sketched.x_m[np.isfinite(sketched.x_m)]
    covered = float(min(inside.max(), length_m) - max(inside.min(), 0.0))
    if not low / SPEED_SLACK <= abs(sketched.speed_mps) <= high * SPEED_SLACK:
        return (
            f"about {3.6 * sketched.speed_mps:.0f} km/h along the course is no speed of the craft"
        )
    if covered < LEAST_SPAN * length_m:
        return f"it covers {max(covered, 0.0):.1f} m of the course's {length_m:g} m"
    if sketched.scatter_m > MOST_SCATTER * max(covered, 1.0):
        return f"it lies {sketched.scatter_m:.1f} m (RMS) off a steady flight"
    return None


def tell(clip: str, track: Track, what: str) -> None:
    """Tell what becomes of a track."""
    if wanted():
        lights, from_s, to_s = len(track), float(track.time_s[0]), float(track.time_s[-1])
        decided(
            __name__, f"{clip}: {lights} lights from {from_s:.2f} to {to_s:.2f} s: {what}",
            clip=clip, lights=lights, from_s=from_s, to_s=to_s, verdict=what,
        )  # fmt: skip


def _chosen(track: Track, choices: Sequence[Choice]) -> bool:
    """Tell whether a track holds one of the lights that the user chose, or none was chosen."""
    if not choices:
        return True
    interval_s = float(np.median(np.diff(track.time_s)))
    for choice in choices:
        near = np.abs(track.time_s - choice.time_s) <= 0.75 * interval_s
        if np.any(np.linalg.norm(track.xy_px[near] - choice.xy_px, axis=1) <= CHOICE_PX):
            return True
    return False


def roughness(track: Track) -> float:
    """Return how far the lights of a track lie off a smooth way (RMS), as a part of the way."""
    tau = (track.time_s - track.time_s.mean()) / max(float(np.ptp(track.time_s)), 1e-9)
    basis = np.vander(tau, 4, increasing=True)
    left = track.xy_px - basis @ np.linalg.lstsq(basis, track.xy_px, rcond=None)[0]
    way = float(np.linalg.norm(track.xy_px[-1] - track.xy_px[0]))
    return float(np.sqrt(np.mean(np.sum(left**2, axis=1)))) / max(way, 1e-9)


def no_light(session: Session, seen: Sequence[Seen]) -> str:
    """Say that no track of some clips may be the craft, why, and what to do."""
    few = _few_lights(session, seen)
    if few is not None:
        return (
            f"{few}, {LEAST_LIGHTS} are needed; film from farther away or with more frames a second"
        )
    return (
        f"no light moves along the course like the craft{_left_out(session, seen)}; look at the "
        "track pictures, and see flight_line, craft.speed_kmh, the picks, and rate_hz of a clip "
        "that was stored for slow playback"
    )


def _few_lights(session: Session, seen: Sequence[Seen]) -> str | None:
    """Say that a craft flew through the pictures in too few frames, or would; None: not so."""
    tracks = [(row, track) for row in seen for track in row.tracks]
    if not tracks:
        return _fast(session, seen)
    row, track = max(tracks, key=lambda entry: len(entry[1]))
    if not LEAST_STRAIGHT <= len(track) < LEAST_LIGHTS or _not_craft(session, row, track):
        return None
    where = f" of {row.clip.name}" if len(seen) > 1 else ""
    return (
        f"the track{where} that may be the craft, {track.time_s[0]:.2f} to "
        f"{track.time_s[-1]:.2f} s, has {len(track)} lights"
    )


def _fast(session: Session, seen: Sequence[Seen]) -> str | None:
    """Say that the fastest craft is in a picture for too few frames; None where it is not."""
    fastest = session.craft.speed_mps[1]
    for row in seen:
        camera, stand = row.stand.camera, row.stand
        along = corridor(
            session.course, session.flight_line, session.craft, stand.pose, stand.lens(),
            camera.image_size_px,
        )  # fmt: skip
        if along is not None:
            frames = int(float(np.ptp(along.x_m)) / fastest / stand.interval_s)
            if frames < LEAST_LIGHTS:
                where = f" of {row.clip.name}" if len(seen) > 1 else ""
                return (
                    "no light was followed; a craft at "
                    f"{3.6 * fastest:.0f} km/h is in the picture{where} for {frames} frames"
                )
    return None


def _left_out(session: Session, seen: Sequence[Seen]) -> str:
    """Say why the longest track that could be laid on the course is not the craft's."""
    judged = [(row.clip.name, *each) for row in seen for each in sifted(session, row)]
    clip, track, why = max(judged, key=lambda entry: len(entry[1]), default=("", None, None))
    if track is None or len(track) < LEAST_LIGHTS:
        return ""
    where = f" of {clip}" if len(seen) > 1 else ""
    lights = f"{len(track)} lights, {track.time_s[0]:.2f} to {track.time_s[-1]:.2f} s"
    return f"; of the longest track{where} ({lights}): {why}"
