"""Flights solved again with their inputs moved: many at once as each by itself."""

from dataclasses import replace

import numpy as np
import pytest

from tests.motion.flown import evening, flown
from vidspeed.motion.account import ends_of, speed_between
from vidspeed.motion.adjust import adjust
from vidspeed.motion.again import SETTLED, sought, speeds_after
from vidspeed.motion.flight import solve
from vidspeed.motion.unknowns import State

OBLIQUE = ([-20.0, -30.0, 1.7],)


@pytest.mark.parametrize("cameras", [1, 2])
def test_a_stack_of_states_gives_the_rows_of_each(cameras):
    scene = evening(3, cameras)
    flight = solve(scene.session, flown(scene, speed_mps=100.0)[0], "1")
    rng = np.random.default_rng(5)
    spread = np.linalg.cholesky(flight.adjustment.covariance)
    states = [
        flight.network.moved(flight.state, spread @ rng.standard_normal(len(spread)))
        for _ in range(3)
    ]
    stack = State(
        theta=np.array([state.theta for state in states]),
        turns=np.array([state.turns for state in states]),
    )
    residuals, jacobian = flight.network.evaluate(stack)
    normal = flight.network.normal(jacobian)
    for index, state in enumerate(states):
        alone, slopes = flight.network.evaluate(state)
        assert residuals[index] == pytest.approx(alone, rel=1e-9, abs=1e-9)
        assert jacobian[index] == pytest.approx(slopes, rel=1e-9, abs=1e-9)
        whole = flight.network.normal(slopes)
        assert normal[index] == pytest.approx(whole, rel=1e-9, abs=1e-9 * whole.max())


@pytest.mark.parametrize("how", [{}, {"stands": OBLIQUE, "offset_u_m": 6.0}])
def test_speeds_are_those_of_the_watched_adjustment(how):
    scene = evening(3, 1 if how else 2, **how)
    flight = solve(scene.session, flown(scene, speed_mps=100.0)[0], "1")
    wanted = sought(flight, ends_of(flight, "measured"))
    count = len(flight.adjustment.residuals)
    shifts = np.random.default_rng(8).standard_normal((6, count))
    speeds, _ = speeds_after(flight, shifts, wanted)
    for shift, speed in zip(shifts, speeds, strict=True):
        network = replace(flight.network, shift=shift)
        state, _ = adjust(network, flight.state, tolerance=1e-8)
        whole = speed_between(replace(flight, network=network, state=state), wanted.ends)[0]
        assert speed == pytest.approx(whole, abs=2.0 * SETTLED * wanted.u_mps)


def test_what_cannot_be_solved_is_not_a_number_and_harms_no_other():
    scene = evening(3, 1, stands=OBLIQUE, offset_u_m=2.0)
    flight = solve(scene.session, flown(scene, speed_mps=100.0)[0], "1")
    wanted = sought(flight, ends_of(flight, "measured"))
    shifts = np.zeros((3, len(flight.adjustment.residuals)))
    shifts[1] = np.nan
    speeds, hard = speeds_after(flight, shifts, wanted)
    assert np.isnan(speeds[1]) and hard[1]
    own = speed_between(flight, wanted.ends)[0]
    assert speeds[[0, 2]] == pytest.approx(own, abs=SETTLED * wanted.u_mps)
