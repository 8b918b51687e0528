"""Which views of a chart to measure a lens from, and whether they are enough and unlike enough."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vidspeed.errors import CalibrationError
from vidspeed.geometry.bundle import (
    SHARED,
    Bundle,
    adjusted,
    first_bundle,
    homography,
    normals,
)
from vidspeed.values import Floats, Ints, LensFit, View

FEWEST = 6
MOST = 30
GRID = (8, 5)  # cells in which the coverage of the picture is counted
BLURRED = 2.0  # a view this many times as blurred as the sharpest quarter is left out
LEAST_TURN_DEG = 15.0  # by which the chart must have been turned between some two views
LEAST_REACH = 0.6  # of the way from the middle of the picture to its corners
LEAST_COVER = 0.4  # of the cells
MOST_FOCAL_U = 0.01  # of the focal length
OTHER_ZOOM = 0.005  # focal lengths of two files that differ more, and by chance cannot
OTHER_ZOOM_Z = 6.0


def spread_views(views: Sequence[View], size_px: tuple[int, int], most: int = MOST) -> list[View]:
    """Return the sharp views, at most so many, that lie and lean most differently.

    Each further view is the one farthest from all that were taken, in place, size and lean.
    """
    sharp = _sharp(views)
    if len(sharp) <= most:
        return sharp
    traits = np.array([_traits(view, size_px) for view in sharp])
    taken = [int(np.argmin([view.blur_px for view in sharp]))]
    away = np.linalg.norm(traits - traits[taken[0]], axis=1)
    while len(taken) < most:
        taken.append(int(np.argmax(away)))
        away = np.minimum(away, np.linalg.norm(traits - traits[taken[-1]], axis=1))
    return [sharp[index] for index in sorted(taken)]


def _sharp(views: Sequence[View]) -> list[View]:
    blurs = np.array([view.blur_px for view in views])
    if len(views) == 0 or not np.all(np.isfinite(blurs)):
        return list(views)
    limit = BLURRED * max(float(np.quantile(blurs, 0.25)), 0.5)
    return [view for view in views if view.blur_px <= limit]


def _traits(view: View, size_px: tuple[int, int]) -> Floats:
    """Return place (2), size (1) and foreshortening (2) of a view, each about from 0 to 1."""
    middle = view.xy_px.mean(axis=0) / np.array(size_px)
    plane = homography(view.plane_m, (view.xy_px - view.xy_px.mean(axis=0)) / size_px[0])
    lean = plane[2, :2] / plane[2, 2] * np.ptp(view.plane_m, axis=0)
    size = np.log(np.std(view.xy_px / size_px[0]) / np.std(view.plane_m))
    return np.array([*(2.0 * middle), size, *(3.0 * lean)])


def coverage(views: Sequence[View], size_px: tuple[int, int]) -> Ints:
    """Return how many corners fell into each cell of the picture: (rows, columns) of `GRID`."""
    places = np.concatenate([view.xy_px for view in views])
    columns, rows = GRID
    cell = (places + 0.5) / np.array(size_px) * np.array(GRID)
    column = np.clip(cell[:, 0].astype(int), 0, columns - 1)
    row = np.clip(cell[:, 1].astype(int), 0, rows - 1)
    counts = np.zeros((rows, columns), dtype=np.int64)
    np.add.at(counts, (row, column), 1)
    return counts


def check_enough(views: Sequence[View], size_px: tuple[int, int], looked_at: int) -> None:
    """Refuse too few views, views all from one direction, and views all in the middle.

    Raises CalibrationError with what to film.
    """
    if len(views) < FEWEST:
        raise CalibrationError(
            f"the chart was found in {len(views)} sharp, still views of {looked_at} pictures "
            f"looked at, at least {FEWEST} are needed; hold it still in ten or more places, well "
            "lit, filling a third to two thirds of the picture, and check --board (inner corners)"
        )
    bundle = adjusted(views, first_bundle(views, size_px))
    turned = _turned_deg(bundle)
    if turned < LEAST_TURN_DEG:
        raise CalibrationError(
            f"all {len(views)} views show the chart from one direction (within {turned:.0f} "
            f"degrees, at least {LEAST_TURN_DEG:.0f} are needed), which does not tell the focal "
            "length from the distance; tilt it by 20 to 45 degrees: left, right, up and down"
        )
    _check_cover(views, size_px)


def _turned_deg(bundle: Bundle) -> float:
    """Return the largest angle between the charts of two views."""
    ways = bundle.turns[:, :, 2]
    return float(np.degrees(np.arccos(np.clip((ways @ ways.T).min(), -1.0, 1.0))))


def _check_cover(views: Sequence[View], size_px: tuple[int, int]) -> None:
    places = np.concatenate([view.xy_px for view in views])
    half = np.array(size_px) / 2.0
    reach = float(np.quantile(np.linalg.norm(places + 0.5 - half, axis=1), 0.99))
    reach /= float(np.linalg.norm(half))
    share = float(np.mean(coverage(views, size_px) > 0))
    if reach < LEAST_REACH or share < LEAST_COVER:
        raise CalibrationError(
            f"the chart was only in the middle: its corners reach {100 * reach:.0f} % of the way "
            f"to the corners of the picture (at least {100 * LEAST_REACH:.0f} % is needed) and "
            f"{100 * share:.0f} % of its cells (at least {100 * LEAST_COVER:.0f} %); bring it "
            "near, and into every corner of the picture"
        )


def check_known(fit: LensFit) -> None:
    """Refuse a lens whose focal length the views hardly fix.

    Raises CalibrationError with what to film.
    """
    relative = float(np.sqrt(fit.covariance[0, 0])) / float(fit.parameters[0])
    if not relative < MOST_FOCAL_U:
        raise CalibrationError(
            f"the views fix the focal length only to {100 * relative:.1f} %, at most "
            f"{100 * MOST_FOCAL_U:g} % is allowed; film more views, tilted by 20 to 45 degrees in "
            "different directions, nearer, and out to the corners of the picture"
        )


def check_one_zoom(views: Sequence[View], size_px: tuple[int, int], lens: Floats) -> None:
    """Refuse files of which some were filmed at another zoom or with another crop.

    Each file's views are fitted with a focal length of their own, beside `lens` (9,), that of all.
    Raises CalibrationError.
    """
    found = {}
    for source in sorted({view.source for view in views}):
        part = [view for view in views if view.source == source]
        focal, focal_u = _own_focal(part, size_px, lens)
        if focal_u < OTHER_ZOOM * focal:
            found[source] = (focal, focal_u)
    if len(found) < 2:
        return
    names = sorted(found, key=lambda name: found[name][0])
    low, high = found[names[0]], found[names[-1]]
    apart = high[0] - low[0]
    if apart > OTHER_ZOOM * low[0] and apart > OTHER_ZOOM_Z * np.hypot(low[1], high[1]):
        raise CalibrationError(
            f"the views were not filmed at one zoom: focal length {low[0]:.1f} px in {names[0]}, "
            f"{high[0]:.1f} px in {names[-1]}; measure a lens for each setting of zoom, focus and "
            "video mode (some crop the picture)"
        )


def _own_focal(
    views: Sequence[View], size_px: tuple[int, int], lens: Floats
) -> tuple[float, float]:
    """Return focal length and its uncertainty from some views alone, distortion as in `lens`."""
    start = first_bundle(views, size_px)
    start_lens = lens.copy()
    start_lens[0:2] = start.lens[0:2]
    bundle = adjusted(
        views, Bundle(lens=start_lens, turns=start.turns, shifts_m=start.shifts_m, terms=(SHARED,))
    )
    rows = normals(views, bundle)
    count = sum(2 * len(view.xy_px) for view in views) - 6 * len(views) - 1
    noise = float(rows.squares.sum()) / max(count, 1)
    known = float(rows.inner.sum(axis=0)[0, 0])
    return float(bundle.lens[0]), float(np.sqrt(noise / max(known, 1e-12)))
