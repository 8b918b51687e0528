"""Take the shaking of the tripod out of a clip's lights: what the fixed background shows of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.interpolate import CubicSpline

from vidspeed.geometry.steady import standing
from vidspeed.values import Floats, Sway, Track

LEAST_PIECES = 2
ROBUST = 1.4826 * 1.2533  # from the median distance of the pieces to the u of their median
LEAST_FRAMES = 8


def steadied(
    tracks: Sequence[Track], sway: Sway, readout_s: float, height_px: int
) -> tuple[Track, ...]:
    """Return tracks as a camera would have seen them that did not shake.

    What is taken out of a light is by how much the pieces of the background lay off their mean
    place when the light's row was read; how far the pieces disagree is added to its covariance.
    Tracks are returned as they are where too little of the background was followed.
    """
    sway = standing(sway)
    counts = np.isfinite(sway.away_px[:, :, 0]).sum(axis=1)
    seen = counts >= max(LEAST_PIECES, sway.away_px.shape[1] // 3)
    if seen.sum() < LEAST_FRAMES:
        return tuple(tracks)
    away = np.nanmedian(sway.away_px[seen], axis=1)
    left = np.abs(sway.away_px[seen] - away[:, None])
    noise2 = (ROBUST * np.nanmedian(left, axis=1)) ** 2 / counts[seen][:, None]
    place = away - away.mean(axis=0)
    row = float(np.mean(sway.places_px[:, 1])) / height_px
    shift_s = readout_s * row
    return tuple(
        _steadied(track, sway.time_s[seen] + shift_s, place, noise2, readout_s) for track in tracks
    )


def _steadied(
    track: Track, time_s: Floats, place_px: Floats, noise2: Floats, readout_s: float
) -> Track:
    """Take the picture's place (n, 2), known at times (n,), out of a track."""
    moment = track.time_s + readout_s * track.row
    inside = np.clip(moment, time_s[0], time_s[-1])
    away = CubicSpline(time_s, place_px)(inside)
    spread = np.column_stack([np.interp(inside, time_s, axis) for axis in noise2.T])
    cov = track.cov_px2.copy()
    cov[:, [0, 1], [0, 1]] += spread + _beyond(moment, time_s, place_px)
    return replace(track, xy_px=track.xy_px - away, cov_px2=cov)


def _beyond(moment: Floats, time_s: Floats, place_px: Floats) -> Floats:
    """Return the variance (n, 2) where no frame near by showed the background: all the shaking."""
    steps = np.diff(time_s)
    gap = np.interp(moment, time_s, np.append(steps, steps[-1]))
    off = np.maximum(np.maximum(time_s[0] - moment, moment - time_s[-1]), 0.0)
    far = (gap > 2.5 * np.median(steps)) | (off > 1.5 * np.median(steps))
    return np.where(far[:, None], 2.0 * np.var(place_px, axis=0), 0.0)
