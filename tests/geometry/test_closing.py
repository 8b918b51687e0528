"""Distances that no points can have."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.geometry.measured import taped
from vidspeed.geometry.closing import detours, spans
from vidspeed.values import Level, Measured, Tape, Taped

U_M = 0.005


def measured(*rows: tuple[str, str, float], heights_m=(), tapes=("steel",), scale_u_ppm=100.0):
    """Return distances read alternately from the tapes, and heights of points a, b, ..."""
    return Measured(
        start_post="a", finish_post="b",
        taped=tuple(
            Taped(start=start, end=end, distance_m=read_m, u_m=U_M, tape=tapes[at % len(tapes)])
            for at, (start, end, read_m) in enumerate(rows)
        ),
        levels=tuple(
            Level(name=name, height_m=height_m, u_m=U_M)
            for name, height_m in zip("abcdef", heights_m, strict=False)
        ),
        tapes=tuple(Tape(name=name, scale_u_ppm=scale_u_ppm) for name in tapes),
    )  # fmt: skip


def test_no_honest_network_has_a_detour():
    assert all(detours(taped(seed, tapes=1 + seed % 2)) == [] for seed in range(20))


def test_points_on_the_line_itself_are_allowed_their_uncertainties():
    rng = np.random.default_rng(1)
    for _ in range(50):
        read_m = np.array([80.0, 30.0, 50.0]) + U_M * rng.standard_normal(3)
        rows = zip("aac", "bcb", read_m, strict=True)
        assert detours(measured(*rows)) == []


def test_a_triangle_that_cannot_close_is_named_with_what_it_lacks():
    (found,) = detours(measured(("a", "b", 80.012), ("a", "c", 15.314), ("b", "c", 60.1)))
    assert found.span.row.name == "a to b"
    assert [leg.row.name for leg in found.legs] == ["a to c", "b to c"]
    assert found.short_m == pytest.approx(4.598)


def test_a_chain_of_distances_is_a_way_round_too():
    rows = ("a", "b", 80.0), ("a", "c", 30.0), ("c", "d", 20.0), ("d", "b", 25.0)
    (found,) = detours(measured(*rows))
    assert [leg.row.name for leg in found.legs] == ["a to c", "c to d", "d to b"]
    assert found.short_m == pytest.approx(5.0)


def test_what_the_scales_of_two_tapes_leave_open_is_no_contradiction():
    rows = ("a", "b", 80.05), ("a", "c", 30.0), ("c", "b", 49.95)
    assert len(detours(measured(*rows, scale_u_ppm=1000.0))) == 1
    assert detours(measured(*rows, tapes=("steel", "glass"), scale_u_ppm=1000.0)) == []


def test_a_distance_measured_twice_is_no_way_round():
    assert detours(measured(("a", "b", 80.0), ("b", "a", 79.0))) == []


def test_a_triangle_that_its_heights_keep_from_closing():
    rows = ("a", "b", 80.0), ("a", "c", 12.0), ("b", "c", 75.0)
    assert detours(measured(*rows, heights_m=(0.0, 0.0, 0.0))) == []
    (found,) = detours(measured(*rows, heights_m=(0.0, 0.0, 11.9)))
    assert found.short_m == pytest.approx(80.0 - (144 - 11.9**2) ** 0.5 - (75**2 - 11.9**2) ** 0.5)


def test_a_distance_shorter_than_the_difference_in_height():
    (found,) = spans(measured(("a", "b", 2.5), heights_m=(0.0, 3.2)))
    assert found.too_steep and found.level_m == 0.0
    (upright,) = spans(measured(("a", "b", 2.5), heights_m=(0.0, 2.51)))
    assert not upright.too_steep
    assert 0.05 < upright.u_m < 0.2  # of a span that is all height a centimetre is a decimetre


def test_the_worst_comes_first():
    right = taped(1, exact=True)
    rows = list(right.taped)
    rows[2] = replace(rows[2], distance_m=10.0 * rows[2].distance_m)
    found = detours(replace(right, taped=tuple(rows)))
    assert found[0].span.row is rows[2]
    assert [row.short_m for row in found] == sorted((row.short_m for row in found), reverse=True)
