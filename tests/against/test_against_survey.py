"""The survey against outside authorities.

- Earth-centred coordinates and their rotation to east, north, up: closed form on the WGS 84
  ellipsoid (a = 6378137 m, 1/f = 298.257223563; NIMA TR8350.2, from memory).
- Distances on the UTM grid (scale 0.9996 in the middle of the zone, J. Snyder, Map Projections,
  USGS 1395, from memory), by pyproj.
- A network of distances against SciPy's own least squares, with slopes by differences: no
  published network of distances alone was found.
- The noncentrality 17.075 of one test at 0.1 % with 80 % power (W. Baarda 1968, from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Transformer
from scipy.optimize import least_squares
from scipy.stats import norm

from tests.geometry.measured import NAMES, taped
from vidspeed.geometry.gnss import adjust_fixes, enu_m
from vidspeed.geometry.reliability import shift_for
from vidspeed.geometry.tapes import adjust_tapes
from vidspeed.values import Measured, SatelliteFix

SAME_PLACE_M = 1e-6
SAME_DISTANCE_M = 1e-6
# Two places far from a central meridian: 5.7 degrees of longitude, at the equator's side and north
PLACES = {"Quito way": (-1.2, -80.8, 2850.0, 17), "Finnmark way": (69.6, 29.7, 60.0, 33)}


def ecef_m(latitude_deg, longitude_deg, height_m):
    a, f = 6378137.0, 1.0 / 298.257223563
    e2 = f * (2.0 - f)
    lat, lon = np.radians(latitude_deg), np.radians(longitude_deg)
    n = a / np.sqrt(1.0 - e2 * np.sin(lat) ** 2)
    return np.array(
        [
            (n + height_m) * np.cos(lat) * np.cos(lon),
            (n + height_m) * np.cos(lat) * np.sin(lon),
            (n * (1.0 - e2) + height_m) * np.sin(lat),
        ]
    )


def closed_form_enu_m(fixes):
    first = fixes[0]
    lat, lon = np.radians(first.latitude_deg), np.radians(first.longitude_deg)
    turn = np.array(
        [
            [-np.sin(lon), np.cos(lon), 0.0],
            [-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)],
            [np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)],
        ]
    )
    at = [ecef_m(fix.latitude_deg, fix.longitude_deg, fix.height_m) for fix in fixes]
    return (np.array(at) - at[0]) @ turn.T


def fixes_at(latitude_deg, longitude_deg, height_m):
    steps = [(0.0, 0.0, 0.0), (7e-4, 6e-4, 1.0), (3e-4, -2e-4, 3.0), (-1e-4, 9e-4, -2.0)]
    return tuple(
        SatelliteFix(
            name=name, latitude_deg=latitude_deg + step[0], longitude_deg=longitude_deg + step[1],
            height_m=height_m + step[2], u_m=0.01, u_up_m=0.02,
        )
        for name, step in zip(("start", "finish", "a", "b"), steps, strict=True)
    )  # fmt: skip


@pytest.mark.parametrize("place", PLACES)
def test_east_north_up_is_the_closed_form(place):
    fixes = fixes_at(*PLACES[place][:3])
    assert np.allclose(enu_m(fixes, fixes[0]), closed_form_enu_m(fixes), atol=SAME_PLACE_M)


@pytest.mark.parametrize("place", PLACES)
def test_distances_are_those_of_a_tape_and_not_those_of_the_grid(place):
    latitude, longitude, height, zone = PLACES[place]
    fixes = fixes_at(latitude, longitude, height)
    found = adjust_fixes(Measured(start_post="start", finish_post="finish", fixes=fixes))
    straight = [ecef_m(fix.latitude_deg, fix.longitude_deg, fix.height_m) for fix in fixes]
    for first in range(4):
        for second in range(first):
            tape_m = np.linalg.norm(straight[first] - straight[second])
            ours_m = np.linalg.norm(found.places_m[first] - found.places_m[second])
            assert ours_m == pytest.approx(tape_m, abs=SAME_DISTANCE_M)
    south = " +south" if latitude < 0 else ""
    grid = Transformer.from_crs(
        "EPSG:4326", f"+proj=utm +zone={zone}{south} +ellps=WGS84", always_xy=True
    )
    ends = [grid.transform(fix.longitude_deg, fix.latitude_deg) for fix in fixes[:2]]
    grid_m = float(np.hypot(*(np.array(ends[1]) - ends[0])))
    assert abs(grid_m / found.length_m - 1.0) > 100e-6  # centimetres on a course


def by_scipy(measured):
    """Solve a network by SciPy with slopes by differences; unknowns in an order of its own."""
    names = [level.name for level in measured.levels]
    start, finish = names.index(measured.start_post), names.index(measured.finish_post)
    truth = adjust_tapes(measured).places_m

    def unpacked(values):
        places = values[: 3 * len(names)].reshape(-1, 3).copy()
        places[start, :2], places[finish, 1] = 0.0, 0.0
        return places, values[3 * len(names) :]

    def misfit(values):
        places, scales = unpacked(values)
        rows = []
        for row in measured.taped:
            tape = [each.name for each in measured.tapes].index(row.tape)
            apart = np.linalg.norm(places[names.index(row.start)] - places[names.index(row.end)])
            rows.append((apart * (1.0 + scales[tape] * 1e-6) - row.distance_m) / row.u_m)
        rows += [
            (places[number, 2] - level.height_m) / level.u_m
            for number, level in enumerate(measured.levels)
        ]
        rows += [
            scale / tape.scale_u_ppm for scale, tape in zip(scales, measured.tapes, strict=True)
        ]
        held = [values[3 * start], values[3 * start + 1], values[3 * finish + 1]]
        return np.array([*rows, *(1e3 * value for value in held)])

    rng = np.random.default_rng(2)
    begin = np.concatenate([(truth + 0.3 * rng.standard_normal(truth.shape)).ravel(),
                            np.zeros(len(measured.tapes))])  # fmt: skip
    solved = least_squares(misfit, begin, jac="3-point", xtol=1e-15, ftol=1e-15, gtol=1e-12)
    covariance = np.linalg.inv(solved.jac.T @ solved.jac)
    return unpacked(solved.x)[0], covariance[: 3 * len(names), : 3 * len(names)], solved


@pytest.mark.parametrize("seed", [1, 2])
def test_a_network_is_what_scipy_makes_of_it(seed):
    measured = taped(seed, tapes=2)
    found = adjust_tapes(measured)
    places, covariance, solved = by_scipy(measured)
    assert np.allclose(found.places_m, places, atol=1e-5)
    u_m = np.sqrt(np.diag(covariance))
    free = u_m > 1e-3
    scale = np.outer(u_m[free], u_m[free])
    ours = found.covariance_m2[np.ix_(free, free)]
    assert np.allclose(ours / scale, covariance[np.ix_(free, free)] / scale, atol=2e-3)
    assert found.chi2 == pytest.approx(2.0 * solved.cost, rel=1e-5)
    assert len(found.names) == len(NAMES)


def test_baardas_noncentrality():
    assert shift_for(float(norm.isf(0.0005)), 0.8) ** 2 == pytest.approx(17.075, abs=0.005)
