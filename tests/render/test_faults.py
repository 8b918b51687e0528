"""Clips as cameras really write them: drifting exposure, missing and repeated frames, merging."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vidspeed.render.clip import light_places, plan_clip, render_frames
from vidspeed.render.picture import stored_xy

from .small import camera, flight


def plan_of(filming, count=60):
    return plan_clip(filming, -0.5, count / 60.0, 0.0, np.random.default_rng(4))


def width_at(picture, y):
    """Return the width at half height of what is bright in the rows around y."""
    row = picture[int(y) - 1 : int(y) + 2].max(axis=0).astype(float) - 16.0
    return float(np.sum(row > row.max() / 2.0))


def test_an_exposure_that_drifts_lengthens_the_streaks_and_moves_their_middles():
    filming, flown = camera(exposure_s=0.005, exposure_to_s=0.015), flight(speed_mps=250.0)
    plan = plan_of(filming)
    assert plan.exposure_s[[0, -1]] == pytest.approx([0.005, 0.015])
    places = light_places(filming, flown, plan)
    late = places.world_s - plan.open_s[places.frame]
    np.testing.assert_allclose(late, plan.exposure_s[places.frame] / 2.0, atol=1e-9)
    pictures = list(render_frames(filming, [flown], plan, seed=1))
    first, last = places.frame[2], places.frame[-3]
    lengths = [
        width_at(pictures[k], places.xy_px[list(places.frame).index(k), 1]) for k in (first, last)
    ]
    grown = (plan.exposure_s[last] - plan.exposure_s[first]) * 250.0 * 240.0 / 60.0
    assert lengths[1] - lengths[0] == pytest.approx(grown, abs=2.0)
    assert abs(float(pictures[first].max()) - float(pictures[last].max())) < 12  # as bright


@pytest.mark.parametrize(("stamp_at", "late"), [("start", 0.5), ("middle", 0.0), ("end", -0.5)])
def test_a_stamp_names_the_start_the_middle_or_the_end_of_the_exposure(stamp_at, late):
    filming = camera(exposure_s=0.004, stamp_at=stamp_at)
    plan = plan_of(filming)
    places = light_places(filming, flight(), plan)
    np.testing.assert_allclose(places.world_s, places.time_s - 0.5 + late * 0.004, atol=1e-12)


def test_missing_frames_keep_the_stamps_of_the_others():
    plan = plan_of(camera(dropped=0.3))
    steps = np.rint(np.diff(plan.stored.time_s) * 60.0)
    assert 30 < len(plan.captured_s) < 55
    assert set(steps.astype(int)) > {1, 2}
    np.testing.assert_allclose(plan.captured_s * 60.0, np.rint(plan.captured_s * 60.0), atol=1e-9)


def test_a_rate_that_is_halved_doubles_the_steps_from_the_middle():
    plan = plan_of(camera(stamps="halved"))
    steps = np.rint(np.diff(plan.stored.time_s) * 60.0).astype(int)
    assert steps[:28].tolist() == [1] * 28
    assert set(steps[30:]) == {2}


def test_a_repeated_frame_is_the_picture_before_it_again():
    filming = camera(repeated=0.3)
    plan = plan_of(filming)
    again = np.flatnonzero(plan.shows != np.arange(60))
    pictures = list(render_frames(filming, [flight()], plan, seed=1))
    assert 5 < len(again) < 30
    for frame in range(1, 60):
        same = np.array_equal(pictures[frame], pictures[frame - 1])
        assert same == (frame in again)
    assert not set(light_places(filming, flight(), plan).frame) & set(again)


def test_merged_exposures_show_the_lamp_as_often():
    filming = camera(exposure_s=0.001, merged=2, merge_s=0.03)
    plan = plan_of(filming)
    places = light_places(filming, flight(), plan)
    before = light_places(replace(filming, merged=1), flight(epoch_s=0.03), plan)
    at = int(np.argmin(np.abs(places.xy_px[:, 0] - 160.0)))
    picture = list(render_frames(filming, [flight()], plan, seed=1))[places.frame[at]]
    two = stored_xy(
        np.stack([places.xy_px[at], before.xy_px[list(before.frame).index(places.frame[at])]]),
        filming,
    )
    assert abs(two[0, 0] - two[1, 0]) == pytest.approx(0.03 * 100.0 * 4.0, rel=0.02)
    row = picture[round(two[0, 1])].astype(float)
    for x in two[:, 0]:
        assert row[round(x)] > 0.8 * row.max()
    assert row[round(two[:, 0].mean())] < 0.6 * row.max()


def test_an_exposure_that_jumps_dims_everything_and_moves_the_middles_at_once():
    changes = {"exposure_s": 0.008, "exposure_to_s": 0.004, "exposure_jump_s": 0.1}
    filming = camera(**changes)
    plan = plan_of(filming)
    after = plan.start_s + plan.captured_s >= 0.1
    assert 20 < after.sum() < 40
    np.testing.assert_array_equal(plan.exposure_s, np.where(after, 0.004, 0.008))
    places = light_places(filming, flight(), plan)
    late = places.world_s - plan.open_s[places.frame]
    np.testing.assert_allclose(late, plan.exposure_s[places.frame] / 2.0, atol=1e-9)
    pictures = [each.astype(float) for each in render_frames(filming, [], plan, seed=1)]
    steady = list(render_frames(camera(exposure_s=0.008), [], plan_of(camera()), seed=1))
    first = int(np.flatnonzero(after)[0])
    np.testing.assert_array_equal(pictures[first - 1], steady[first - 1])
    assert np.median(pictures[first]) < np.median(pictures[first - 1]) - 1.0


def test_without_a_moment_the_exposure_changes_evenly():
    plan = plan_of(camera(exposure_s=0.008, exposure_to_s=0.004))
    assert np.ptp(np.diff(plan.exposure_s)) < 1e-12
