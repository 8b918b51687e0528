"""What a survey says of the markers; layouts that cannot carry a camera, recognised at once."""

from __future__ import annotations

import numpy as np

from vidspeed.values import Floats, Marker, Surveyed, SurveyFactor, SurveyInput

STRAIGHT = 1e-3  # of their reach along a line that markers on it may lie off
SURELY = 3.0  # uncertainties by which markers lie off a line that they do not stand on


def on_one_line(places_m: Floats, u_m: Floats) -> str | None:
    """Say that markers (n, 3) stand on one line, or may within their uncertainties (n,)."""
    along_m, off_m, _ = _spread(places_m)
    mean_u_m = float(np.mean(u_m))
    turns = "which leaves the camera free to turn about it"
    if off_m < STRAIGHT * along_m:
        return f"stand on one line, {turns}; add markers off the line and some on poles"
    if off_m < SURELY * mean_u_m:
        return (
            f"lie {off_m:.2g} m (RMS) off one line and their u_m is {mean_u_m:.2g} m in the mean: "
            f"they may stand on it, {turns}; compare u_m, which is in metres, or add markers "
            "farther off the line and on poles"
        )
    return None


def _spread(places_m: Floats) -> Floats:
    """Return the RMS extents (3,) of points along their principal axes, metres, largest first."""
    centred = places_m - places_m.mean(axis=0)
    values = np.linalg.svd(centred, compute_uv=False)
    extents = np.zeros(3)
    extents[: len(values)] = values / np.sqrt(len(places_m))
    return extents


def survey_factor(surveyed: Surveyed) -> SurveyFactor:
    """Return what an adjusted survey says of markers and scale, nothing counted twice.

    The course frame is the survey's own with its posts at exactly 0 and the adjusted length L:
    course metres are true metres over 1 + s, with 1 + s = true length / L. So an input that moves
    the true places by dX and the length by dL moves s by dL / L and the places in the course
    frame by dX - X dL / L. A tape that is too long stretches everything alike: it is all in s and
    leaves the markers where they are. `length_u_m` is the size of the row of s and is not
    entered again.
    """
    by_length = surveyed.by_input[3 * surveyed.finish] / surveyed.length_m
    moved = surveyed.by_input - surveyed.places_m.ravel()[:, None] * by_length
    return SurveyFactor(markers_m=moved, scale=by_length, inputs=surveyed.inputs)


def surveyed_markers(surveyed: Surveyed, factor: SurveyFactor) -> tuple[Marker, ...]:
    """Return the points as markers; `u_m` is the root mean square of the three coordinates."""
    variances = np.sum(factor.markers_m**2, axis=1).reshape(-1, 3)
    return tuple(
        Marker(name=name, xyz_m=place, u_m=float(np.sqrt(np.mean(variance))), use=use)
        for name, place, variance, use in zip(
            surveyed.names, surveyed.places_m, variances, surveyed.uses, strict=True
        )
    )


def covariance_factor(covariance_m2: Floats, scale_u: float) -> SurveyFactor:
    """Return the factor of markers with a full covariance (3 m, 3 m) beside a common scale.

    The columns are the covariance's own axes, largest first; the last is the scale's.
    """
    values, vectors = np.linalg.eigh(covariance_m2)
    sizes = np.sqrt(np.maximum(values[::-1], 0.0))
    count = len(sizes)
    moved = np.column_stack([vectors[:, ::-1] * sizes, np.zeros(count)])
    inputs = [
        SurveyInput(name=f"survey {number + 1}", source="marker survey", u=float(u), unit="m")
        for number, u in enumerate(sizes)
    ]
    inputs.append(SurveyInput(name="length", source="survey scale", u=scale_u, unit="1"))
    scale = np.append(np.zeros(count), scale_u)
    return SurveyFactor(markers_m=moved, scale=scale, inputs=tuple(inputs))


def ellipse_m(surveyed: Surveyed, point: int) -> tuple[float, float, float]:
    """Return the standard ellipse of a point: half axes, metres, and the angle of the major one.

    The angle is in radians from x towards y.
    """
    rows = surveyed.by_input[3 * point : 3 * point + 2]
    values, vectors = np.linalg.eigh(rows @ rows.T)
    sizes = np.sqrt(np.maximum(values, 0.0))
    angle = float(np.arctan2(vectors[1, 1], vectors[0, 1]))
    return float(sizes[1]), float(sizes[0]), angle


def adjusted_distance_m(surveyed: Surveyed, first: int, second: int) -> tuple[float, float]:
    """Return the slope distance of two points in true metres, and its standard uncertainty."""
    step = surveyed.places_m[second] - surveyed.places_m[first]
    length = float(np.linalg.norm(step))
    rows = surveyed.by_input.reshape(len(surveyed.names), 3, -1)
    moved = step / max(length, 1e-9) @ (rows[second] - rows[first])
    return length, float(np.linalg.norm(moved))
