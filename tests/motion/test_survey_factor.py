"""A survey whose markers and scale are known together."""

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import PLACES_M, evening, flown
from vidspeed.assembly.reading import settled
from vidspeed.geometry.survey import covariance_factor
from vidspeed.geometry.tapes import adjust_tapes
from vidspeed.motion.account import account
from vidspeed.motion.flight import solve
from vidspeed.values import Clip, Level, Measured, SurveyFactor, SurveyInput, Tape, Taped


def solved(session, lit):
    flight = solve(session, lit, "1")
    clips = [Clip(file=row.clip, camera=row.stand.camera.name) for row in lit]
    return account(session, flight, clips, "1")


def test_a_covariance_without_correlation_is_the_markers_one_by_one():
    scene = evening(4, 2)
    lit, _ = flown(scene)
    session = scene.session
    plain = solved(session, lit)
    sizes = np.repeat([marker.u_m for marker in session.markers], 3)
    scale_u = session.course.length_u_m / session.course.length_m
    known = replace(session, survey=covariance_factor(np.diag(sizes**2), scale_u))
    whole = solved(known, lit)
    assert whole.speed_mps == pytest.approx(plain.speed_mps, rel=1e-9)
    assert whole.speed_u_mps == pytest.approx(plain.speed_u_mps, rel=1e-7)
    share = {row.source: row.contribution_mps for row in whole.budget}
    for row in plain.budget:
        if row.source in ("marker survey", "survey scale"):
            assert share[row.source] == pytest.approx(row.contribution_mps, rel=1e-6)


def test_a_scale_that_all_markers_share_costs_nothing_but_the_scale():
    """One tape that is too long: s moves the speed in proportion, the markers stay."""
    scene = evening(5, 2)
    lit, _ = flown(scene)
    session = scene.session
    count = 3 * len(session.markers)
    tape = SurveyFactor(
        markers_m=np.zeros((count, 1)),
        scale=np.array([1e-3]),
        inputs=(SurveyInput(name="scale of steel", source="tape scale", u=1e3, unit="ppm"),),
    )
    result = solved(replace(session, survey=tape), lit)
    (row,) = [row for row in result.budget if row.source == "tape scale"]
    assert row.contribution_mps == pytest.approx(1e-3 * result.speed_mps, rel=1e-6)
    assert (row.owner, row.input_u, row.unit) == ("session", 1e3, "ppm")
    assert "marker survey" not in {row.source for row in result.budget}


def test_markers_that_move_together_are_not_taken_for_many_independent_ones():
    """A shift of all markers along y and the flight line's offset: no averaging over markers."""
    scene = evening(6, 2, offset_u_m=0.001, height_u_m=0.001)
    lit, _ = flown(scene)
    session = scene.session
    together = np.zeros((len(session.markers), 3, 1))
    together[:, 0, 0] = np.linspace(0.0, 0.08, len(session.markers))
    inputs = (SurveyInput(name="drift", source="marker survey", u=0.08, unit="m"),)
    factor = SurveyFactor(markers_m=together.reshape(-1, 1), scale=np.zeros(1), inputs=inputs)
    result = solved(replace(session, survey=factor), lit)
    assert {row.source for row in result.budget} >= {"marker survey"}
    assert np.sum(np.square(result.sensitivities_mps)) == pytest.approx(result.speed_u_mps**2)


def test_markers_behind_those_of_the_survey_are_known_by_themselves():
    scene = evening(7, 2)
    lit, _ = flown(scene)
    session = scene.session
    sizes = np.repeat([marker.u_m for marker in session.markers], 3)
    scale_u = session.course.length_u_m / session.course.length_m
    some = covariance_factor(np.diag(sizes[:-3] ** 2), scale_u)  # all but the last marker
    assert solved(replace(session, survey=some), lit).speed_u_mps == pytest.approx(
        solved(session, lit).speed_u_mps, rel=1e-7
    )


def test_passes_over_a_course_measured_by_tape_alone_are_as_sure_as_they_are_said_to_be():
    scores = []
    for seed in range(8):
        scene = evening(seed, 2, marker_u_m=0.0)
        scene.session = taped_course(scene.session, seed)
        lit, truth = flown(scene)
        result = solved(scene.session, lit)
        scores.append((result.speed_mps - truth) / result.speed_u_mps)
        assert {"tape scale", "marker survey"} <= {row.source for row in result.budget}
        assert "survey scale" not in {row.source for row in result.budget}
    assert 0.38 < np.sqrt(np.mean(np.square(scores))) < 1.76  # 99.8 % range of 8


def taped_course(session, seed):
    """Return the session with markers and length from a tape that is up to 0.05 % wrong."""
    rng = np.random.default_rng(seed)
    names = [marker.name for marker in session.markers]
    scale = 1.0 + 5e-4 * rng.standard_normal()
    rows = [
        Taped(
            start=names[a],
            end=names[b],
            distance_m=float(
                np.linalg.norm(PLACES_M[a] - PLACES_M[b]) * scale + 0.01 * rng.standard_normal()
            ),
            u_m=0.01,
            tape="cloth",
        )
        for a in range(len(names))
        for b in range(a + 1, len(names))
        if np.linalg.norm(PLACES_M[a] - PLACES_M[b]) > 3.0 and (a < 2 or (a + b) % 2)
    ]
    levels = tuple(
        Level(
            name=name,
            height_m=float(place[2] + 0.01 * rng.standard_normal()),
            u_m=0.01,
            side=None if abs(place[1]) < 1.0 else "left" if place[1] > 0.0 else "right",
        )
        for name, place in zip(names, PLACES_M, strict=True)
    )
    measured = Measured(
        start_post="m0",
        finish_post="m1",
        taped=tuple(rows),
        levels=levels,
        tapes=(Tape(name="cloth", scale_u_ppm=500.0),),
    )
    found = settled(session, adjust_tapes(measured))
    return replace(found, course=replace(found.course, length_u_m=0.0))  # true metres are drawn
