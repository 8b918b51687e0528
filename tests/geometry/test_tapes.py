"""A network of tapes and levels."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from tests.geometry.measured import ALL_PAIRS, NAMES, PLACES_M, POSTS_ONLY, taped
from vidspeed.geometry.survey import survey_factor, surveyed_markers
from vidspeed.geometry.tapes import adjust_tapes, with_distance
from vidspeed.values import Level, Taped


def test_exact_figures_give_the_exact_places():
    found = adjust_tapes(taped(1, exact=True))
    assert np.allclose(found.places_m, PLACES_M, atol=1e-6)
    assert found.chi2 == pytest.approx(0.0, abs=1e-6)
    assert (found.dof, found.loose, found.mirrored) == (9, (), ())
    assert found.length_m == pytest.approx(80.0, abs=1e-6)


def test_places_are_as_sure_as_they_are_said_to_be():
    squares, misfits = [], []
    for seed in range(60):
        found = adjust_tapes(taped(seed, tapes=2))
        off = (found.places_m - PLACES_M).ravel()
        free = np.diag(found.covariance_m2) > 1e-12
        part = found.covariance_m2[np.ix_(free, free)]
        squares.append(off[free] @ np.linalg.solve(part, off[free]))
        misfits.append(found.chi2)
    count = int(free.sum())
    for values, dof in ((squares, count), (misfits, found.dof)):
        low, high = chi2.ppf([0.005, 0.995], 60 * dof)
        assert low < sum(values) < high


def test_the_factor_holds_the_whole_covariance_and_the_gates_stand_still():
    found = adjust_tapes(taped(3))
    factor = survey_factor(found)
    gate = 3 * NAMES.index("finish")
    assert np.allclose(factor.markers_m[gate : gate + 2], 0.0, atol=1e-15)
    assert np.allclose(factor.markers_m[:2], 0.0)
    assert np.linalg.norm(factor.scale) == pytest.approx(found.length_u_m / found.length_m)
    back = factor.markers_m + found.places_m.ravel()[:, None] * factor.scale
    assert np.allclose(back, found.by_input)
    markers = surveyed_markers(found, factor)
    assert [row.name for row in markers] == list(NAMES)
    assert markers[1].u_m < 0.005  # of the finish post only the height is left


def test_one_tape_that_is_too_long_is_all_in_the_scale():
    """Stretching a level course with everything on it moves no marker of the course frame."""
    found = adjust_tapes(taped(4))
    factor = survey_factor(found)
    at = [row.name for row in found.inputs].index("scale of tape 0")
    assert found.inputs[at].source == "tape scale"
    assert factor.scale[at] == pytest.approx(-100e-6, rel=0.01)  # reads too much: truth is less
    flat = factor.markers_m[:, at].reshape(-1, 3)[:, :2]
    assert np.max(np.abs(flat)) < 2e-4  # of 8 mm at the far end; the rest is the heights'


def test_two_tapes_leave_the_places_unsure_against_the_length():
    found = adjust_tapes(taped(4, tapes=2, scale_u_ppm=500.0))
    factor = survey_factor(found)
    at = [row.name for row in found.inputs].index("scale of tape 1")
    assert np.max(np.abs(factor.markers_m[:, at].reshape(-1, 3)[:, :2])) > 5e-4


def test_it_does_not_matter_from_which_end_or_in_what_order_things_are_written():
    first = taped(5)
    turned = replace(
        first,
        taped=tuple(replace(row, start=row.end, end=row.start) for row in reversed(first.taped)),
    )
    assert np.allclose(adjust_tapes(turned).places_m, adjust_tapes(first).places_m, atol=1e-7)


def test_without_sides_the_whole_figure_may_be_mirrored():
    found = adjust_tapes(taped(1, sides=False))
    assert [found.names[at] for at in found.mirrored[0]] == list(NAMES[2:])
    one = taped(1, sides=False)
    levels = tuple(replace(row, side="left" if row.name == "B1" else None) for row in one.levels)
    settled = adjust_tapes(replace(one, levels=levels))
    assert settled.mirrored == ()
    assert np.allclose(settled.places_m, PLACES_M, atol=0.1)


def test_points_measured_from_the_posts_only_need_a_side_each():
    found = adjust_tapes(taped(1, pairs=POSTS_ONLY, sides=False))
    assert found.mirrored == tuple((at,) for at in range(2, 8))
    assert adjust_tapes(taped(1, pairs=POSTS_ONLY)).mirrored == ()


def test_a_point_with_one_distance_is_named():
    pairs = [pair for pair in ALL_PAIRS if 7 not in pair] + [(0, 7)]
    found = adjust_tapes(taped(1, pairs=pairs))
    assert found.loose == ("C1",)


def test_a_figure_that_is_wrong_is_named_and_the_others_are_not():
    right = taped(6)
    rows = list(right.taped)
    at = next(number for number, row in enumerate(rows) if row.name == "start to finish")
    rows[at] = replace(rows[at], distance_m=rows[at].distance_m + 0.1)
    found = adjust_tapes(replace(right, taped=tuple(rows)))
    assert [row.name for row in found.tests if row.named] == ["start to finish"]
    assert not any(row.named for row in adjust_tapes(right).tests)


def test_figures_that_nothing_checks_say_so():
    found = adjust_tapes(taped(6, pairs=POSTS_ONLY))
    assert found.dof == 0
    assert all(row.normalised is None and row.detectable is None for row in found.tests)


def test_redundancies_add_up_to_the_degrees_of_freedom():
    found = adjust_tapes(taped(7))
    assert sum(row.redundancy for row in found.tests) == pytest.approx(found.dof, abs=1e-6)


def test_one_distance_more_is_what_an_adjustment_with_it_says():
    pairs = [pair for pair in ALL_PAIRS if pair != (2, 5)]
    with_it, without = taped(8, exact=True), taped(8, exact=True, pairs=pairs)
    more = Taped(start="A1", end="B1", distance_m=0.0, u_m=0.005, tape="tape 0")
    wider = with_distance(without, adjust_tapes(without), more)
    expected = adjust_tapes(with_it)
    assert wider.length_u_m == pytest.approx(expected.length_u_m, rel=1e-6)
    assert np.allclose(wider.covariance_m2, expected.covariance_m2, atol=1e-10)


def test_a_point_that_is_hardly_fixed_is_named_too():
    """A pole on a post, measured from both posts only, could stand anywhere about the post."""
    one = taped(2, exact=True)
    pole = Level(name="pole", height_m=2.0, u_m=0.005, side="left")
    more = (
        Taped(start="start", end="pole", distance_m=2.0, u_m=0.005, tape="tape 0"),
        Taped(
            start="finish", end="pole", distance_m=float(np.hypot(80.0, 1.7)), u_m=0.005,
            tape="tape 0",
        ),
    )  # fmt: skip
    found = adjust_tapes(replace(one, taped=one.taped + more, levels=(*one.levels, pole)))
    assert found.loose == ("pole",)
