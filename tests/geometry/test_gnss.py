"""Points by satellite in the course frame."""

import numpy as np
import pytest

from vidspeed.geometry.gnss import adjust_fixes
from vidspeed.geometry.survey import survey_factor
from vidspeed.values import Measured, SatelliteFix


def fix(name, east_m, north_m, up_m, u_m=0.01, u_up_m=0.02):
    """Return a point near 57 N, 3 W, by the radii of the ellipsoid there."""
    a, e2, lat = 6378137.0, 0.0066943799901413165, np.radians(57.0)
    w = np.sqrt(1.0 - e2 * np.sin(lat) ** 2)
    return SatelliteFix(
        name=name,
        latitude_deg=57.0 + np.degrees(north_m * w**3 / (a * (1.0 - e2))),
        longitude_deg=-3.0 + np.degrees(east_m * w / (a * np.cos(lat))),
        height_m=70.0 + up_m, u_m=u_m, u_up_m=u_up_m,
    )  # fmt: skip


def course(*more):
    fixes = (fix("start", 0, 0, 0), fix("finish", 48, 64, 0.5), *more)
    return Measured(start_post="start", finish_post="finish", fixes=fixes)


def test_x_runs_to_the_finish_post_and_y_to_the_left():
    found = adjust_fixes(course(fix("left", 48 * 0.5 - 8.0, 64 * 0.5 + 6.0, 2.0)))
    assert found.length_m == pytest.approx(80.0, abs=2e-3)
    assert np.allclose(found.places_m[1], [80.0, 0.0, 0.5], atol=2e-3)
    assert np.allclose(found.places_m[2], [40.0, 10.0, 2.0], atol=2e-3)


def test_the_uncertainties_are_those_of_drawn_errors():
    points = [("start", 0, 0, 0), ("finish", 48, 64, 0.5), ("a", 10, 40, 1), ("b", 30, 20, 2)]
    rng = np.random.default_rng(1)
    exact = adjust_fixes(course(*(fix(*row) for row in points[2:])))
    drawn = []
    for _ in range(400):
        errors = rng.standard_normal((4, 3)) * [0.1, 0.1, 0.2]
        fixes = tuple(
            fix(name, *(np.array(place) + error), u_m=0.1, u_up_m=0.2)
            for (name, *place), error in zip(points, errors, strict=True)
        )
        found = adjust_fixes(Measured(start_post="start", finish_post="finish", fixes=fixes))
        drawn.append((found.places_m - exact.places_m).ravel())
    seen = np.cov(np.array(drawn).T)
    size = np.sqrt(np.diag(found.covariance_m2)) + 1e-3
    assert np.max(np.abs(seen - found.covariance_m2) / np.outer(size, size)) < 0.25


def test_only_differences_count():
    """A shift of all points, which u_m does not hold, moves nothing but where the course lies."""
    found = adjust_fixes(course(fix("a", 10, 40, 1)))
    assert np.allclose(found.by_input[:3], 0.0, atol=1e-15)
    moved = found.by_input.reshape(3, 3, 3, 3).sum(axis=2)  # one error of all points alike
    assert np.allclose(moved, 0.0, atol=1e-9)
    factor = survey_factor(found)
    assert np.allclose(factor.markers_m[3:5], 0.0, atol=1e-12)
