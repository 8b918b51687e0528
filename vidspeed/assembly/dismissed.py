"""Lights that the user dismissed: left out of every solution, kept to be shown and said.

A light is dismissed by its place: whatever stands within a few pixels of it, in the frame nearest
to its time. So the same words hold when a clip is searched again and a light lies a little
elsewhere, and when its track is read from a file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from vidspeed.errors import MotionError
from vidspeed.motion.choose import solve_tracks
from vidspeed.motion.flight import Flight, take
from vidspeed.motion.sift import Seen
from vidspeed.values import (
    Bools,
    Check,
    Choice,
    Clip,
    Floats,
    PassResult,
    Problem,
    Session,
    Sighted,
    Track,
    Value,
)

NEAR_PX = 5.0
NEAR_FRAMES = 0.6  # of the time between frames
LEAST_LIGHTS = 5  # that are left of a track, or it is no track
LISTED = 4  # lights that a check names


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parted(Value):
    """A track as it was seen, and which of its lights (n,) were dismissed."""

    whole: Track
    out: Bools

    @property
    def kept(self) -> Track:
        """Return the lights that are left."""
        return take(self.whole, ~self.out)


def part(clip: Clip, tracks: Sequence[Track], interval_s: float) -> list[Parted]:
    """Return the tracks of a clip of which some lights were dismissed."""
    found = [
        Parted(whole=track, out=np.asarray(_meant(clip.dismiss, track, interval_s).any(axis=0)))
        for track in tracks
    ]
    return [row for row in found if row.out.any()]


def without(tracks: Sequence[Track], parted: Sequence[Parted]) -> tuple[Track, ...]:
    """Return the tracks without the lights that were dismissed, and without what is then none."""
    left = {id(row.whole): row.kept for row in parted}
    return tuple(
        left.get(id(track), track)
        for track in tracks
        if id(track) not in left or len(left[id(track)]) >= LEAST_LIGHTS
    )


def unmatched(clip: Clip, tracks: Sequence[Track], interval_s: float) -> list[Problem]:
    """Name what was dismissed where there is no light."""
    met = np.zeros(len(clip.dismiss), dtype=bool)
    for track in tracks:
        met |= _meant(clip.dismiss, track, interval_s).any(axis=1)
    return [
        Problem(
            level="warn",
            where=clip.name,
            message=f"dismiss {number + 1}: no light lies within {NEAR_PX:g} pixels of "
            f"({light.xy_px[0]:.1f}, {light.xy_px[1]:.1f}) in the frame at {light.time_s:g} s, so "
            f"nothing is left out by it; {_nearest(light, tracks, interval_s)}",
        )
        for number, light in enumerate(clip.dismiss)
        if not met[number]
    ]


def _meant(lights: Sequence[Choice], track: Track, interval_s: float) -> Bools:
    """Tell which lights (m, n) of a track are meant by each of m dismissals."""
    if not lights:
        return np.zeros((0, len(track)), dtype=bool)
    apart_s = np.abs(np.array([row.time_s for row in lights])[:, None] - track.time_s)
    places = np.array([row.xy_px for row in lights])
    apart_px = np.linalg.norm(places[:, None] - track.xy_px, axis=2)
    return np.asarray((apart_s <= NEAR_FRAMES * interval_s) & (apart_px <= NEAR_PX))


def _nearest(light: Choice, tracks: Sequence[Track], interval_s: float) -> str:
    """Say which light of that frame is nearest, or that there is none."""
    best: tuple[float, Floats] | None = None
    for track in tracks:
        for place in track.xy_px[np.abs(track.time_s - light.time_s) <= NEAR_FRAMES * interval_s]:
            apart_px = float(np.linalg.norm(place - light.xy_px))
            if best is None or apart_px < best[0]:
                best = (apart_px, place)
    if best is None:
        return "no light at all was found in that frame: mend time_s, or take the entry out"
    x_px, y_px = best[1]
    return f"the nearest is at ({x_px:.1f}, {y_px:.1f}): mend the entry, or take it out"


def with_dismissed(
    session: Session,
    parted: Mapping[str, Sequence[Parted]],
    flights: Mapping[str, Flight],
    passes: Sequence[PassResult],
) -> list[PassResult]:
    """Put dismissed lights back beside those that were used, and say of each pass what they are.

    Parameters
    ----------
    parted
        By clip, tracks of which lights were dismissed.
    flights
        The flight that each pass was solved as, by its label.
    """
    return [
        _said(session, result, parted, flights[result.label]) if result.label in flights else result
        for result in passes
    ]


def in_vain(parted: Mapping[str, Sequence[Parted]], passes: Sequence[PassResult]) -> list[Problem]:
    """Say of clips without a pass that lights in them were dismissed: that may be why."""
    return [
        Problem(
            level="warn",
            where=clip,
            message=f"{_count(rows)} dismissed by hand in this clip, which then shows no pass",
        )
        for result in passes
        if result.status == "none"
        for clip in result.clips
        if (rows := parted.get(clip, ()))
    ]


def _count(rows: Sequence[Parted]) -> str:
    """Say how many lights were dismissed of some tracks."""
    return _lights(sum(int(row.out.sum()) for row in rows))


def _lights(count: int) -> str:
    return f"{count} light was" if count == 1 else f"{count} lights were"


def _found(parted: Mapping[str, Sequence[Parted]], flight: Flight) -> list[Parted | None]:
    """Return for each clip of a flight what its track was before lights were dismissed."""
    return [
        next((row for row in parted.get(lit.clip, ()) if _same(row.kept, lit.track)), None)
        for lit in flight.lit
    ]


def _same(one: Track, other: Track) -> bool:
    return np.array_equal(one.frame, other.frame) and np.array_equal(one.xy_px, other.xy_px)


def _said(
    session: Session,
    result: PassResult,
    parted: Mapping[str, Sequence[Parted]],
    flight: Flight,
) -> PassResult:
    """Return the result of a pass with its dismissed lights, and a check that tells of them."""
    found = _found(parted, flight)
    other = _of_others(parted, flight)
    if not any(found) and not other:
        return result
    seen = [
        sighted if row is None else _beside(sighted, row)
        for sighted, row in zip(result.sightings, found, strict=True)
    ]
    said = [*_of_this(seen, _with_them(session, result, found, flight)), *other]
    check = Check(name="dismissed", status="warn", detail="; ".join(said))
    return replace(result, sightings=tuple(seen), checks=(*result.checks, check))


def _of_others(parted: Mapping[str, Sequence[Parted]], flight: Flight) -> list[str]:
    """Say what was dismissed, while this pass flew, of other lights: they might have been it."""
    said = []
    for lit in flight.lit:
        rows = [
            row
            for row in parted.get(lit.clip, ())
            if not _same(row.kept, lit.track) and _at_once(row.whole, lit.track)
        ]
        if rows:
            said.append(f"{_count(rows)} dismissed by hand of other tracks in {lit.clip}")
    return said


def _at_once(one: Track, other: Track) -> bool:
    return bool(one.time_s[0] <= other.time_s[-1] and other.time_s[0] <= one.time_s[-1])


def _of_this(seen: Sequence[Sighted], with_them: str) -> list[str]:
    """Say which lights of the pass itself were dismissed, and what they would do to it."""
    lights = [
        f"{sighted.clip} at {time_s:.4f} s ({x_px:.1f}, {y_px:.1f})"
        for sighted in seen
        if sighted.dismissed is not None
        for time_s, (x_px, y_px) in zip(
            sighted.track.time_s[sighted.dismissed],
            sighted.track.xy_px[sighted.dismissed],
            strict=True,
        )
    ]
    if not lights:
        return []
    more = f", and {len(lights) - LISTED} more" if len(lights) > LISTED else ""
    return [
        f"{_lights(len(lights))} dismissed by hand: {', '.join(lights[:LISTED])}{more}; {with_them}"
    ]


def _with_them(
    session: Session, result: PassResult, found: Sequence[Parted | None], flight: Flight
) -> str:
    """Say what the speed would be if nothing had been dismissed."""
    if not any(found):
        return ""
    clips = {clip.name: clip for clip in session.clips}
    seen = [Seen(clip=clips[lit.clip], stand=lit.stand, tracks=(lit.track,)) for lit in flight.lit]
    tracks = [
        lit.track if row is None else row.whole for lit, row in zip(flight.lit, found, strict=True)
    ]
    try:
        again = solve_tracks(session, seen, tracks, result.label)
    except MotionError:
        return "with them no flight along the course explains the lights"
    assert again.speed_mps is not None and result.speed_mps is not None
    return (
        f"with them it would be {3.6 * again.speed_mps:.2f} km/h, "
        f"without them it is {3.6 * result.speed_mps:.2f} km/h"
    )


def _beside(sighted: Sighted, row: Parted) -> Sighted:
    """Return what was seen of a pass in one clip, with the lights that were dismissed."""
    kept = np.flatnonzero(~row.out)
    count = len(row.whole)

    def spread(values: Floats) -> Floats:
        every = np.full((count, *values.shape[1:]), np.nan)
        every[kept] = values
        return every

    used = np.zeros(count, dtype=bool)
    used[kept] = sighted.used
    return replace(
        sighted,
        track=row.whole,
        used=used,
        residual_px=spread(sighted.residual_px),
        normalised=spread(sighted.normalised),
        x_m=_places(sighted, row),
        dismissed=row.out,
    )


def _places(sighted: Sighted, row: Parted) -> Floats:
    """Return where on the course each light (n,) would be: the path is a cubic in time."""
    time_s = row.whole.time_s - sighted.track.time_s[0]
    span_s = float(np.ptp(sighted.track.time_s)) or 1.0
    kept = ~row.out
    cubic = np.polynomial.Polynomial.fit(time_s[kept] / span_s, sighted.x_m, 3)
    places = np.asarray(cubic(time_s / span_s))
    places[kept] = sighted.x_m
    return places
