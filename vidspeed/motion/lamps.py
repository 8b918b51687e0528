"""Lights that go along with the craft: its other lamps, and its reflection on wet ground."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vidspeed.values import Check, Floats, PassResult, Track

LEAST_COMMON, COMMON_SHARE = 5, 0.5  # frames that both were seen in, and of the shorter track
MOST_CHANGE = 0.25  # of the way meanwhile, by which the distance of the two may change
MOST_OFF_PX = 3.0  # RMS of their distance about a smooth one
MOST_LAMPS_M = 1.5  # farther apart: not two lamps of one craft
IMAGE_FAINT, IMAGE_ASIDE = 0.8, 0.25  # brightness of a reflection; how far along the way it lies
NOTABLE_M = 0.02


def all_go_along(one: PassResult, other: PassResult) -> bool:
    """Tell whether two solutions of one pass rest on lights that move together, in every clip.

    They are lamps of one craft, or the fainter one is an image of the other beside its way.
    """
    if one.speed_mps is None:
        return False
    theirs = {(row.camera, row.clip): row.track for row in other.sightings}
    pairs = [(row.track, theirs.get((row.camera, row.clip))) for row in one.sightings]
    return all(
        match is not None and (match is track or _goes_along(track, match, one.speed_mps))
        for track, match in pairs
    )


def _goes_along(one: Track, other: Track, speed_mps: float) -> bool:
    """Tell whether two tracks of a clip move together as one craft's lights or their images do."""
    apart, time_s, way = _apart(one, other)
    if len(apart) < max(LEAST_COMMON, COMMON_SHARE * min(len(one), len(other))):
        return False
    t = time_s - time_s.mean()
    basis = np.vander(t, 3 if len(t) >= 8 else 2, increasing=True)
    smooth = basis @ np.linalg.lstsq(basis, apart, rcond=None)[0]
    change = float(np.linalg.norm(smooth - smooth[0], axis=1).max())
    off = float(np.sqrt(np.mean(np.sum((apart - smooth) ** 2, axis=1))))
    if change > MOST_CHANGE * way or off > MOST_OFF_PX:
        return False
    distance_m = np.median(np.linalg.norm(apart, axis=1)) * _metres(way, time_s, speed_mps)
    return bool(distance_m <= MOST_LAMPS_M) or _is_image(one, other, apart)


def _is_image(one: Track, other: Track, apart: Floats) -> bool:
    """Tell whether the fainter of two tracks lies straight beside the other's way."""
    levels = sorted(float(np.median(np.abs(track.peak))) for track in (one, other))
    ahead = _ahead(one)
    along = np.abs(apart @ ahead)
    beside = np.median(along) <= IMAGE_ASIDE * np.median(np.linalg.norm(apart, axis=1))
    return bool(levels[0] < IMAGE_FAINT * levels[1] and beside)


def brightness(result: PassResult) -> float:
    """Return how bright the lights of a solution are: the median peak of each clip, multiplied."""
    return float(np.prod([np.median(np.abs(row.track.peak)) for row in result.sightings]))


def lamps_check(taken: PassResult, beside: Sequence[PassResult], lamp_u_m: float) -> Check | None:
    """Say which other lights went along with the one that was taken; None where none did.

    `lamp_u_m` is what the session allows for; half the distance of two lamps across the way is
    suggested for it.
    """
    far = [apart for other in beside for apart in _across_m(taken, other)]
    lamps = [apart for apart in far if NOTABLE_M < apart <= MOST_LAMPS_M]
    if not beside:
        return None
    if not lamps:
        detail = "a fainter light went along with the craft (a reflection?); it was left out"
        return Check(name="lamps", status="ok", detail=detail)
    needed = 0.5 * max(lamps)
    detail = (
        f"{len(beside) + 1} lights went along together, up to {max(lamps):.2f} m apart across "
        "their way; one and the same of them was measured all the way"
    )
    if lamp_u_m >= 0.5 * needed:
        return Check(name="lamps", status="ok", detail=detail)
    wanted = f"; state lamp_u_m = {needed:.2f} under [craft] if it is not known which one that is"
    return Check(name="lamps", status="warn", detail=detail + wanted)


def _across_m(taken: PassResult, other: PassResult) -> list[float]:
    """Return how far apart two lights were across their way, metres, in each clip."""
    theirs = {(row.camera, row.clip): row.track for row in other.sightings}
    found = []
    for row in taken.sightings:
        match = theirs.get((row.camera, row.clip))
        if match is None or match is row.track or taken.speed_mps is None:
            continue
        apart, time_s, way = _apart(row.track, match)
        if len(apart) >= 2:
            x, y = _ahead(row.track)
            across = float(np.median(np.abs(apart @ np.array([-y, x]))))
            found.append(across * _metres(way, time_s, taken.speed_mps))
    return found


def _ahead(track: Track) -> Floats:
    way = track.xy_px[-1] - track.xy_px[0]
    return np.asarray(way / max(float(np.linalg.norm(way)), 1e-9))


def _metres(way_px: float, time_s: Floats, speed_mps: float) -> float:
    """Return how many metres a pixel is worth where the craft flies."""
    return speed_mps * float(np.ptp(time_s)) / max(way_px, 1e-9)


def _apart(one: Track, other: Track) -> tuple[Floats, Floats, float]:
    """Return how far apart two tracks are (n, 2) in common frames, when, and the way meanwhile."""
    _, mine, theirs = np.intersect1d(one.frame, other.frame, return_indices=True)
    if len(mine) == 0:
        return np.zeros((0, 2)), np.zeros(0), 0.0
    way = float(np.linalg.norm(one.xy_px[mine[-1]] - one.xy_px[mine[0]]))
    return other.xy_px[theirs] - one.xy_px[mine], one.time_s[mine], way
