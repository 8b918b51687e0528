"""Beyond first order: the look at curvature, and draws that solve again."""

import numpy as np
import pytest

from tests.motion.flown import evening, flown, solved
from vidspeed.motion import montecarlo
from vidspeed.motion.account import account
from vidspeed.motion.again import sought
from vidspeed.motion.flight import solve
from vidspeed.motion.montecarlo import beyond_first_order, curvature
from vidspeed.motion.propagate import Propagated
from vidspeed.spread.executor import executor
from vidspeed.values import Clip

OBLIQUE = ([-20.0, -30.0, 1.7],)


@pytest.fixture
def few_draws(monkeypatch):
    """Make batches small: what is tested is not their number."""
    monkeypatch.setattr(montecarlo, "batch_size", lambda: 100)
    monkeypatch.setattr(montecarlo, "CHUNK", 50)
    monkeypatch.setattr(montecarlo, "PROBE", 5)
    monkeypatch.setattr("vidspeed.motion.propagate.MOST_BATCHES", 2)


def solved_pass(scene, **how):
    lit, truth = flown(scene, speed_mps=100.0, **how)
    flight = solve(scene.session, lit, "1")
    clips = [Clip(file=row.clip, camera=row.stand.camera.name) for row in lit]
    return flight, account(scene.session, flight, clips, "1"), truth


def test_a_well_known_flight_line_is_linear():
    flight, result, _ = solved_pass(evening(3, 2))
    found = curvature(flight, result)
    assert found.linear
    assert abs(found.mean_shift) < 0.02
    checked = beyond_first_order(flight, result)
    assert checked.method == "first order"
    assert checked.checks[-1].name == "linear"
    assert checked.checks[-1].status == "ok"


def test_a_wide_prior_and_an_oblique_view_is_drawn_and_only_the_draws_cover(few_draws):
    # The craft flew two standard uncertainties farther away than the line says, which the
    # stated 95 % must hold. Obliquely the speed grows faster than the range.
    scene = evening(3, 1, stands=OBLIQUE, offset_u_m=8.0, height_u_m=1.0)
    flight, result, truth = solved_pass(scene, offset_m=16.0)
    drawn = beyond_first_order(flight, result)
    assert drawn.method == "monte carlo"
    assert next(row for row in drawn.checks if row.name == "linear").status == "warn"
    low, high = result.interval95_mps
    assert not low <= truth <= high
    low, high = drawn.interval95_mps
    assert low <= truth <= high
    assert drawn.speed_mps == result.speed_mps
    assert drawn.dof is None
    assert drawn.speed_U95_mps == pytest.approx((high - low) / 2.0)
    squares = sum(row.contribution_mps**2 for row in drawn.budget)
    assert squares == pytest.approx(drawn.speed_u_mps**2, rel=1e-9)
    assert any(row.source == "beyond first order" for row in drawn.budget)


def test_draws_agree_with_first_order_where_it_is_good(few_draws):
    flight, result, _ = solved_pass(evening(3, 2))
    drawn = beyond_first_order(flight, result, always=True)
    assert drawn.method == "monte carlo"
    sampling = 3.0 / np.sqrt(2.0 * 200)
    assert drawn.speed_u_mps == pytest.approx(result.speed_u_mps, rel=sampling)


def test_the_same_draws_whoever_solves_them(few_draws):
    flight, result, _ = solved_pass(evening(3, 1))
    alone = montecarlo.monte_carlo(flight, result)
    with executor(1) as pool:
        pooled = montecarlo.monte_carlo(flight, result, pool=pool)
    assert alone.interval == pooled.interval
    assert alone.u == pooled.u


def test_draws_are_normal_and_spread_evenly_where_it_matters():
    flight, result, _ = solved_pass(evening(3, 2))
    wanted = sought(flight, (0.0, flight.length_m))
    shifts = montecarlo._draws(flight, result.inputs, wanted, np.random.default_rng(2), 4000)
    assert np.all(np.abs(shifts.mean(axis=0)) < 5.0 / np.sqrt(4000))
    normal = np.array([entry.distribution == "normal" for entry in result.inputs])
    for rows, _ in flight.widened():
        normal[rows] = False
    assert np.cov(shifts[:, normal].T) == pytest.approx(np.eye(normal.sum()), abs=0.11)
    moved = shifts[:, normal] @ wanted.slopes_mps[normal]
    moved /= np.linalg.norm(wanted.slopes_mps[normal])
    ends = np.quantile(moved, [0.025, 0.5, 0.975], method="hazen")
    assert ends == pytest.approx([-1.95996, 0.0, 1.95996], abs=0.004)  # 0.04 by chance alone


@pytest.mark.parametrize("share", [0.98, 1.0, 1.05])
def test_the_squares_of_the_budget_add_up_whatever_the_draws_spread(share):
    scene = evening(5, 1)
    made = solved(scene)
    clips = [Clip(file=row.clip, camera=row.stand.camera.name) for row in made.lit]
    first = account(scene.session, made.flight, clips, "1")
    u = share * first.speed_u_mps
    around = (first.speed_mps - 1.9 * u, first.speed_mps + 1.9 * u)
    spread = Propagated(mean=first.speed_mps, u=u, interval=around, draws=1000, stable=True)
    drawn = montecarlo._drawn(first, spread)
    squares = float(drawn.sensitivities_mps @ drawn.sensitivities_mps)
    assert squares == pytest.approx(drawn.speed_u_mps**2)
    assert drawn.speed_u_mps == pytest.approx(max(u, first.speed_u_mps))
    assert sum(row.contribution_mps**2 for row in drawn.budget) == pytest.approx(squares)
    assert drawn.speed_U95_mps == pytest.approx(1.9 * u)
    assert drawn.coverage_factor == pytest.approx(drawn.speed_U95_mps / drawn.speed_u_mps)
