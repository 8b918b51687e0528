"""Take the shaking of the tripod out of a clip's lights: what the fixed background shows of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vidspeed.clip.read import readout_row
from vidspeed.geometry.steady import FOLLOWED_S, only, standing
from vidspeed.values import Bools, Camera, Floats, Scan, Sway, Track
from vidspeed.values.entered import MOST_READOUT_S

LEAST_PIECES = 2
LEAST_FRAMES = 8
ROUNDS = 5
FAR_OUT = 2.5  # standard deviations from which a piece counts less in a frame
LEAST_U_PX = 0.02  # of a piece in one frame
ALIKE_U_PX = 0.02  # by which all pieces err alike: they are sampled by the same pixels
MOST_SHARE = 0.5  # of what all pieces say that one may say


def calm(seen: Scan, camera: Camera) -> tuple[Track, ...]:
    """Return the tracks of a clip in which the tripod shook as if it had not."""
    if seen.sway is None:
        return seen.tracks
    facts = seen.facts
    rows = readout_row(seen.sway.places_px, facts.size_px, facts.rotation_deg)
    most = min(facts.interval_s, MOST_READOUT_S)
    readout_s, readout_u_s = most / 2.0, most / np.sqrt(12.0)
    if camera.readout_s is not None:
        readout_s, readout_u_s = camera.readout_s, camera.readout_u_s
    return steadied(seen.tracks, seen.sway, rows, readout_s, readout_u_s)


def steadied(
    tracks: Sequence[Track], sway: Sway, rows: Floats, readout_s: float, readout_u_s: float = 0.0
) -> tuple[Track, ...]:
    """Return tracks as a camera would have seen them that did not shake.

    What is taken out of a light is by how much the pieces of the background (m,), in `rows` from 0
    to 1 of the read-out, lay off their mean places when the light's row was read. How far the
    pieces disagree, and what the read-out's doubt makes of rows apart, is added to its covariance.
    Tracks are returned as they are where too little of the background was followed.
    """
    sway, rows = _standing(sway, rows)
    counts = np.isfinite(sway.away_px[:, :, 0]).sum(axis=1)
    seen = counts >= max(LEAST_PIECES, sway.away_px.shape[1] // 3)
    if seen.sum() < LEAST_FRAMES:
        return tuple(tracks)
    row = float(np.mean(rows))
    place, noise2 = _common(sway.time_s[seen], sway.away_px[seen], readout_s * (rows - row))
    time_s = sway.time_s[seen] + readout_s * row
    return tuple(
        _steadied(track, time_s, place, noise2, readout_s, readout_u_s * (track.row - row))
        for track in tracks
    )


def _standing(sway: Sway, rows: Floats) -> tuple[Sway, Floats]:
    """Leave out the pieces that do not stand, and those that are hardly ever seen."""
    places = {tuple(place): row for place, row in zip(sway.places_px.tolist(), rows, strict=True)}
    kept = standing(sway)
    often = np.isfinite(kept.away_px[:, :, 0]).sum(axis=0) >= LEAST_FRAMES
    if often.any():
        kept = only(kept, often)
    return kept, np.array([places[tuple(place)] for place in kept.places_px.tolist()])


def _common(time_s: Floats, away_px: Floats, late_s: Floats) -> tuple[Floats, Floats]:
    """Return how all pieces move together (n, 2), about its mean, and its variance (n, 2).

    `away_px` (n, m, 2), NaN where one is not seen; `late_s` (m,) is how much later than the middle
    one a piece is read, which is where all are a moment later. Each piece has a place of its own,
    and counts by how nearly it keeps to the others.
    """
    from scipy.interpolate import CubicSpline  # here: slow to import

    there = np.isfinite(away_px[:, :, 0])
    place = np.nanmedian(away_px, axis=1)
    variance = np.ones((away_px.shape[1], 2))
    weight = np.where(there[:, :, None], 1.0, 0.0) / variance
    for _ in range(ROUNDS):
        moving = CubicSpline(time_s, place)
        later = np.stack([moving(time_s + late) for late in late_s], axis=1) - place[:, None]
        later = np.where(_near(time_s)[:, None, None], later, 0.0)
        own = away_px - later
        off = own - place[:, None]
        rest = np.where(there[:, :, None], off - np.nanmedian(off, axis=0), 0.0)
        own = np.where(there[:, :, None], own - np.nanmedian(off, axis=0), 0.0)
        variance = _variances(rest, there, weight)
        far = np.sqrt(np.max(rest**2 / variance, axis=2)) / FAR_OUT
        weight = np.where(there, 1.0 / np.maximum(far, 1.0), 0.0)[:, :, None] / variance
        place = np.sum(weight * own, axis=1) / np.sum(weight, axis=1)
    steps = np.gradient(time_s)  # a calm picture is looked at less often, and counts for as long
    place = place - np.average(place, axis=0, weights=np.minimum(steps, _widest(steps)))
    return place, 1.0 / np.sum(weight, axis=1) + ALIKE_U_PX**2


def _near(time_s: Floats) -> Bools:
    """Say of which frames (n,) both neighbours are near."""
    steps = np.diff(time_s)
    wide = steps > _widest(steps)
    return ~(np.append(wide, False) | np.insert(wide, 0, False))


def _widest(steps_s: Floats) -> float:
    """Return over how long a step the place is known: a curve misses little of slow shaking."""
    return max(2.5 * float(np.median(steps_s)), FOLLOWED_S)


def _variances(rest: Floats, there: Bools, weight: Floats) -> Floats:
    """Return the variance (m, 2) of each piece by its distances (n, m, 2) from all together.

    All together lean on a piece by its share; so much less it seems to be off.
    """
    share = np.minimum(weight / np.sum(weight, axis=1, keepdims=True), MOST_SHARE)
    found = np.empty(rest.shape[1:])
    for piece in range(rest.shape[1]):
        off = rest[there[:, piece], piece]
        free = 1.0 - share[there[:, piece], piece].mean(axis=0)
        found[piece] = (1.4826 * np.median(np.abs(off), axis=0)) ** 2 / free
    return np.maximum(found, LEAST_U_PX**2)


def _steadied(
    track: Track,
    time_s: Floats,
    place_px: Floats,
    noise2: Floats,
    readout_s: float,
    late_u_s: Floats,
) -> Track:
    """Take the picture's place (n, 2), known at times (n,), out of a track.

    `late_u_s` is how uncertain it is how much later than the pieces each light was read.
    """
    from scipy.interpolate import CubicSpline  # here: slow to import

    moment = track.time_s + readout_s * track.row
    inside = np.clip(moment, time_s[0], time_s[-1])
    moving = CubicSpline(time_s, place_px)
    spread = np.column_stack([np.interp(inside, time_s, axis) for axis in noise2.T])
    cov = track.cov_px2.copy()
    cov[:, [0, 1], [0, 1]] += spread + _beyond(moment, time_s, place_px)
    late = moving(inside, 1) * late_u_s[:, None]
    cov += late[:, :, None] * late[:, None, :]
    return replace(track, xy_px=track.xy_px - moving(inside), cov_px2=cov)


def _beyond(moment: Floats, time_s: Floats, place_px: Floats) -> Floats:
    """Return the variance (n, 2) where no frame near by showed the background: all the shaking."""
    steps = np.diff(time_s)
    between = np.clip(np.searchsorted(time_s, moment) - 1, 0, len(steps) - 1)
    before, after = (time_s[0] - moment) / steps[0], (moment - time_s[-1]) / steps[-1]
    far = (steps[between] > _widest(steps)) | (np.maximum(before, after) > 1.5)
    return np.where(far[:, None], 2.0 * np.var(place_px, axis=0), 0.0)
