"""A solved pass filmed again: rows, path and speed so far say what the solution says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.tiny import CLIP
from vidspeed import measure
from vidspeed.assembly import filming
from vidspeed.errors import ClipError
from vidspeed.spread.executor import Inline


@pytest.fixture(scope="module")
def views():
    """What was seen in the clips, as it was when the passes were filmed; `outcome` fills it."""
    return []


@pytest.fixture(scope="module")
def outcome(measured_tiny, views):
    def noted(session, solved, clips, pool):
        views.extend(clips)
        return filming.film_passes(session, solved, clips, pool)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(measure, "film_passes", noted)
        return measure.run(measured_tiny)


def test_each_pass_is_filmed_once_in_each_of_its_clips(outcome):
    (made,) = outcome.filmed
    assert (made.lane.label, made.lane.clip, made.lane.camera) == ("1", CLIP, "north")
    assert len(made.time_s) == len(made.rows) > 20


def test_the_rows_are_black_where_the_path_says_so(outcome):
    (made,), (result,) = outcome.filmed, outcome.passes
    lane = made.lane
    usual = np.median(made.rows, axis=0)
    off = made.rows.astype(float) - usual
    seen = off.max(axis=1) > 30.0
    places = lane.x_m[off.argmax(axis=1)][seen]
    delay = np.interp(places, lane.x_m, lane.delay_s)
    expected = np.interp(made.time_s[seen] + delay, lane.passed_s, lane.x_m)
    inside = (places > 1.0) & (places < 39.0)
    assert inside.sum() > 15
    assert np.abs(places - expected)[inside].max() < 0.5
    speed = np.polyfit(made.time_s[seen][inside] + delay[inside], places[inside], 1)[0]
    assert speed == pytest.approx(result.speed_mps, rel=0.01)


def test_the_gates_are_passed_when_the_result_says(outcome):
    (made,), (result,) = outcome.filmed, outcome.passes
    (crossing,) = result.crossings
    delay = np.interp([0.0, 40.0], made.lane.x_m, made.lane.delay_s)
    stamps = np.array(made.lane.gates_s) - delay
    np.testing.assert_allclose(stamps, [crossing.time_in_s, crossing.time_out_s], atol=2e-4)


def test_the_speed_so_far_ends_as_the_speed_of_the_pass(outcome):
    (made,), (result,) = outcome.filmed, outcome.passes
    lane = made.lane
    assert lane.so_far_mps[-1] == pytest.approx(result.speed_mps, rel=1e-9)
    assert np.isnan(lane.so_far_mps[lane.x_m < 0.5]).all()
    known = lane.so_far_u_mps[lane.x_m > 1.0]
    assert known[-1] == pytest.approx(result.speed_u_mps, rel=0.2)
    assert known[0] > known[-1]


def test_what_the_scan_kept_is_not_decoded_again_and_then_let_go(outcome, views, monkeypatch):
    def lost(*_args, **_more):
        raise ClipError("the disk is gone")

    monkeypatch.setattr(filming, "film", lost)
    (made,) = outcome.filmed
    assert len(views[0].footage) == 1
    assert outcome.clips[0].footage == ()
    monkeypatch.setattr(filming, "lanes_of", lambda *_args, **_more: [made.lane])
    monkeypatch.setattr(filming, "_is_darker", lambda *_args: False)

    class Solved:
        flight = type("F", (), {"lit": [type("L", (), {"clip": made.lane.clip})]})
        result = outcome.passes[0]

    filmed, problems = filming.film_passes(outcome.session, [Solved()], views, Inline())
    assert problems == ()
    np.testing.assert_array_equal(filmed[0].rows, made.rows)


def test_a_clip_that_cannot_be_read_again_is_a_warning(outcome, measured_tiny, monkeypatch):
    def lost(*_args, **_more):
        raise ClipError("the disk is gone")

    monkeypatch.setattr(filming, "film", lost)
    (made,) = outcome.filmed
    monkeypatch.setattr(filming, "lanes_of", lambda *_args, **_more: [made.lane])
    track = outcome.passes[0].sightings[0].track

    class Solved:
        flight = type("F", (), {"lit": [type("L", (), {"track": track, "clip": made.lane.clip})]})
        result = outcome.passes[0]

    views = tuple(replace(view, footage=()) for view in outcome.clips)
    filmed, problems = filming.film_passes(outcome.session, [Solved()], views, Inline())
    assert filmed == ()
    assert problems[0].level == "warn"
    assert "the disk is gone" in problems[0].message


def test_a_clip_given_as_a_track_is_not_decoded(outcome):
    session = outcome.session
    given = replace(session, clips=tuple(replace(c, track="a.csv") for c in session.clips))
    assert filming.film_passes(given, [], outcome.clips, Inline()) == ((), ())
