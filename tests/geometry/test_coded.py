"""Coded boards on posts, a slice of the bench."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.bench_posts import post
from tests.bench.boards import measured
from vidspeed.geometry.coded import find_coded


@pytest.mark.parametrize(("side_px", "within_px"), [(60.0, 0.02), (25.0, 0.04)])
def test_boards_are_found_and_their_uncertainty_holds(side_px, within_px):
    row = measured(seed=5, boards=5, family="4x4_50", side_px=side_px)
    assert row["found_percent"] > 80.0 and row["false"] == 0
    assert row["rms_px"] < within_px
    assert 0.2 < row["rms_z"] < 1.6 and row["worst_z"] < 4.5


def test_only_what_is_wanted_is_found():
    picture, shown, truth = post(np.random.default_rng(2), "apriltag_36h11", 60.0)
    assert find_coded(picture, "apriltag_36h11", [shown + 1]) == []
    (found,) = find_coded(picture, "apriltag_36h11", [shown])
    assert np.abs(found.xy_px - truth).max() < 0.05
    assert found.side_px == pytest.approx(60.0, rel=0.05)


def test_a_large_board_is_found_as_well():
    picture, shown, truth = post(np.random.default_rng(3), "4x4_50", 190.0)
    found = {row.number: row for row in find_coded(picture, "4x4_50")}
    assert np.abs(found[shown].xy_px - truth).max() < 5.0 * found[shown].u_px < 0.5


def test_noise_is_no_board():
    rng = np.random.default_rng(4)
    picture = rng.integers(0, 255, (240, 320)).astype(np.uint8)
    assert find_coded(picture, "4x4_50") == []


@pytest.mark.parametrize("number", [28, 33])
def test_small_boards_are_read_in_the_middle_of_their_cells(number):
    """Blur mixes cells at their edges: read whole, these two were lost."""
    picture, shown, truth = post(np.random.default_rng([1, number, 25]), "4x4_50", 25.0)
    (found,) = find_coded(picture, "4x4_50")
    assert found.number == shown
    assert np.abs(found.xy_px - truth).max() < 4.0 * found.u_px < 0.1
