"""Corners of a rendered chart against where the lens puts them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tests.geometry.charted import developed, paint, sheet
from vidspeed.geometry.boards import clear_radius, find_chart, found_again
from vidspeed.geometry.chart import chart_boxes, corner_places
from vidspeed.geometry.corners import sharpened
from vidspeed.geometry.lens import project_camera
from vidspeed.values import Chart

SIZE = (640, 480)
LENS = np.array([600.0, 601.0, 315.0, 243.0, -0.12, 0.04, 0.0008, -0.0005, 0.0])
PLAIN = Chart(columns=7, rows=5, square_m=0.025)
CODED = Chart(columns=7, rows=5, square_m=0.025, family="4x4_50", code_m=0.015)
CELLS_A_M = 8000  # so that a code's cell of 2.5 mm is 20 of the bitmap
TURN = Rotation.from_euler("zxy", [6.0, 20.0, -24.0], degrees=True).as_matrix()


def filmed(chart, *, blur_px=0.8, noise=2.0, seed=1, turn=TURN, depth_m=0.34):
    bitmap = sheet(chart_boxes(chart), (0.2, 0.15), CELLS_A_M, 0.01)
    shift = np.array([0.0, 0.0, depth_m]) - turn[:, :2] @ np.array([0.1, 0.075])
    signal = np.full(SIZE[::-1], 0.3)
    paint(signal, bitmap, CELLS_A_M, np.array([-0.01, -0.01]), turn, shift, LENS, blur_px)
    truth = project_camera((corner_places(chart) + chart.square_m) @ turn[:, :2].T + shift, LENS)
    return developed(signal, np.random.default_rng(seed), noise), truth


@pytest.mark.parametrize("blur_px", [0.6, 1.4])
def test_corners_are_found_to_hundredths_of_a_pixel(blur_px):
    picture, truth = filmed(PLAIN, blur_px=blur_px)
    found = find_chart(picture, PLAIN)
    assert found is not None and len(found.xy_px) == 35
    error = found.xy_px - truth
    if np.abs(error).max() > 5.0:  # named from the other end
        error = found.xy_px[::-1] - truth
    assert np.sqrt(np.mean(error**2)) < 0.02
    assert np.abs(error.mean(axis=0)).max() < 0.01
    assert found.blur_px == pytest.approx(np.hypot(blur_px, 0.35), rel=0.2)


def test_a_charuco_names_its_corners_also_where_part_of_it_is_hidden():
    picture, truth = filmed(CODED)
    picture[:, :250] = 90
    found = find_chart(picture, CODED)
    assert found is not None and 8 <= len(found.xy_px) < 30
    number = np.rint(found.plane_m / CODED.square_m).astype(int) @ [1, CODED.columns]
    error = found.xy_px - truth[number]
    assert np.sqrt(np.mean(error**2)) < 0.04


def test_no_chart_is_found_where_there_is_none():
    rng = np.random.default_rng(3)
    picture = rng.integers(60, 200, SIZE[::-1]).astype(np.uint8)
    assert find_chart(picture, PLAIN) is None
    assert find_chart(picture, CODED) is None
    assert find_chart(np.full(SIZE[::-1], 128, np.uint8), PLAIN) is None


def test_a_chart_that_moved_a_little_is_found_again_from_where_it_was():
    picture, _ = filmed(PLAIN)
    moved, truth = filmed(PLAIN, seed=2, depth_m=0.341)
    before = find_chart(picture, PLAIN)
    again = found_again(moved, PLAIN, before)
    error = again.xy_px - truth
    error = error if np.abs(error).max() < 5.0 else again.xy_px[::-1] - truth
    assert np.sqrt(np.mean(error**2)) < 0.02


def test_corners_outside_the_picture_or_under_a_thumb_are_not_good():
    picture, truth = filmed(PLAIN)
    x, y = np.rint(truth[17]).astype(int)
    picture[y - 12 : y + 12, x - 12 : x + 12] = 150
    beyond = truth + np.array([400.0, 0.0]) * (np.arange(35) == 34)[:, None]
    fitted = sharpened(picture, corner_places(PLAIN), beyond, clear_radius(PLAIN))
    assert not fitted.good[17] and not fitted.good[34]
    assert np.count_nonzero(~fitted.good) <= 4


def test_the_clear_radius_ends_before_the_code():
    assert clear_radius(PLAIN) == 0.42
    assert clear_radius(CODED) < np.hypot(0.2, 0.2)
