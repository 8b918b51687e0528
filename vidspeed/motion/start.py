"""A first look at a track: where along the course it was, from lines of sight and the flight line.

Good enough to tell a pass from anything else and to begin the adjustment; no figure of it is kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vidspeed.geometry.lens import rays
from vidspeed.motion.stand import Stand
from vidspeed.values import Bools, FlightLine, Floats, Track, Value

FALLBACK_HEIGHT_M = 2.0  # begins a flight line that nothing is known of
AROUND = 0.25  # parts of the course before and after it that a sketch goes by
LEAST_AROUND = 5  # lights; with fewer it goes by all
LEAST_ANGLE = 0.01  # its sine, between two sight planes: flatter ones cut anywhere
ALONG = 0.7  # cosine of that line to the course, below which it is no flight line


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sketch(Value):
    """A track laid on a line along the course: x (n,) at the lights, and its straight-line fit.

    `middle_s` is when it passes the middle of the course on the clip's clock; `speed_mps` is
    signed along x; `scatter_m` the RMS about the straight line in time, of the lights around the
    course: a camera that looks along it lays those far beyond nearly anywhere.
    """

    x_m: Floats
    speed_mps: float
    middle_s: float
    scatter_m: float


def sketch(
    track: Track, stand: Stand, line_m: tuple[float, float], length_m: float, readout_s: float
) -> Sketch:
    """Lay a track on the line y, z = `line_m` (metres) at each sight's closest approach to it."""
    sight = rays(track.xy_px, stand.pose, stand.lens())
    x_m = _along(sight, stand.pose.position_m, line_m)
    time = track.time_s + readout_s * track.row
    around = _around(x_m, length_m)
    speed, at_middle = _straight(time[around], x_m[around], length_m / 2.0)
    left = (x_m - length_m / 2.0 - speed * (time - at_middle))[around]
    return Sketch(
        x_m=x_m,
        speed_mps=speed,
        middle_s=at_middle,
        scatter_m=float(np.sqrt(np.mean(left**2))),
    )


def _around(x_m: Floats, length_m: float) -> Bools:
    """Return which places (n,) lie on the course or a little beyond; all, where few do."""
    around = np.abs(x_m - length_m / 2.0) <= (0.5 + AROUND) * length_m
    return around if around.sum() >= LEAST_AROUND else np.ones(len(x_m), dtype=bool)


def _along(sight: Floats, position_m: Floats, line_m: tuple[float, float]) -> Floats:
    """Return x (n,) where lines of sight (n, 3) come closest to the line; NaN behind the camera."""
    y, z = line_m[0] - position_m[1], line_m[1] - position_m[2]
    across = sight[:, 1] ** 2 + sight[:, 2] ** 2
    distance = (sight[:, 1] * y + sight[:, 2] * z) / np.maximum(across, 1e-12)
    x_m = position_m[0] + distance * sight[:, 0]
    x_m[distance <= 0.0] = np.nan
    return np.asarray(x_m)


def _straight(time_s: Floats, x_m: Floats, at_m: float) -> tuple[float, float]:
    """Return slope and time at `at_m` of a line through (time, x), leaving out wild points."""
    good = np.isfinite(x_m)
    for _ in range(5):
        if good.sum() < 3 or np.ptp(time_s[good]) == 0.0:
            return float("nan"), float("nan")
        centre = float(time_s[good].mean())
        slope, level = np.polyfit(time_s[good] - centre, x_m[good], 1)
        left = np.abs(x_m - level - slope * (time_s - centre))
        limit = max(4.0 * float(np.median(left[good])), 1e-6)
        better = np.isfinite(x_m) & (left < limit)
        if np.array_equal(better, good):
            break
        good = better
    return float(slope), float(centre + (at_m - level) / slope) if slope != 0.0 else float("nan")


def line_places(
    line: FlightLine, sights: Sequence[tuple[Track, Stand]], length_m: float
) -> list[tuple[float, float]]:
    """Return (y, z) of lines to begin from, the likeliest first.

    The stated flight line; and, with several cameras, where the planes that each spans with the
    path cut each other.
    """
    cut = _planes_cut(sights, length_m) if len(sights) > 1 else None
    if line.stated:
        return [(line.offset_m, line.height_m), *([cut] if cut else [])]
    return [cut] if cut else [(0.0, FALLBACK_HEIGHT_M)]


def _planes_cut(
    sights: Sequence[tuple[Track, Stand]], length_m: float
) -> tuple[float, float] | None:
    """Return (y, z) at mid-course of the line in which two sight planes cut, or None."""
    planes = []
    for track, stand in sights:
        directions = rays(track.xy_px, stand.pose, stand.lens())
        normal = np.linalg.svd(directions[np.all(np.isfinite(directions), axis=1)])[2][2]
        planes.append((normal, float(normal @ stand.pose.position_m)))
    best, widest = None, LEAST_ANGLE
    for first in range(len(planes)):
        for second in range(first + 1, len(planes)):
            direction = np.cross(planes[first][0], planes[second][0])
            angle = float(np.linalg.norm(direction))
            if angle > widest and abs(direction[0]) > ALONG * angle:
                matrix = np.array([planes[first][0], planes[second][0], [1.0, 0.0, 0.0]])
                place = np.linalg.solve(
                    matrix, [planes[first][1], planes[second][1], length_m / 2.0]
                )
                best, widest = (float(place[1]), float(place[2])), angle
    return best
