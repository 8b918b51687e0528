"""Passes of the same clips share one time offset for each pair of clips."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import t

from tests.motion.flown import drawn_clock, evening, flown
from vidspeed.errors import MotionError
from vidspeed.motion.account import account, ends_of
from vidspeed.motion.again import sought, speeds_after
from vidspeed.motion.flight import solve
from vidspeed.motion.montecarlo import _draws
from vidspeed.motion.offsets import tied
from vidspeed.values import Clip

ONE_SIDE_M = ([0.0, -65.0, 1.7], [80.0, -90.0, 1.7])
TIMES_S = (20.0, 61.0, 108.0, 147.0)
SPEEDS_MPS = (101.0, -96.0, 104.0, -93.0)


def flights_of(seed, *, slip_s=0.0, stands=ONE_SIDE_M, clock_u_ppm=2.0, **line):
    """Fly four passes that two cameras film in one clip each; true speeds with them."""
    line = {"offset_u_m": 5.0, "height_u_m": 1.0, "accel_u_mps2": np.full(3, 1.0), **line}
    scene = evening(seed, 2, stands=stands, **line)
    cameras = [replace(row, clock_u_ppm=clock_u_ppm) for row in scene.session.cameras]
    scene.session = replace(scene.session, cameras=tuple(cameras))
    clocks = [drawn_clock(row, scene.rng) for row in cameras]
    begun_s = scene.rng.uniform(0.0, 1000.0, 2)
    flights, truths = [], []
    for number, (time_s, speed_mps) in enumerate(zip(TIMES_S, SPEEDS_MPS, strict=True), start=1):
        starts = [
            (1.0 - 1e-6 * ppm) * (time_s + begun)
            for (_, ppm), begun in zip(clocks, begun_s, strict=True)
        ]
        starts[1] += slip_s * number
        lit, truth = flown(scene, speed_mps=speed_mps, starts=starts, clocks=clocks)
        flights.append(solve(scene.session, lit, str(number)))
        truths.append(truth)
    return scene, flights, np.array(truths)


def results_of(scene, flights):
    clips = [Clip(file=f"{name}.mp4", camera=name) for name in "ns"]
    return [
        account(scene.session, flight, clips, str(number))
        for number, flight in enumerate(flights, start=1)
    ]


def together(scene, flights):
    return tied(flights, [row.inputs for row in results_of(scene, flights)])


def test_the_offsets_agree_afterwards():
    scene, flights, _ = flights_of(1)
    before = [row.network.clip_offsets(row.state)[0] for row in flights]
    after = [row.network.clip_offsets(row.state)[0] for row in together(scene, flights)]
    assert np.ptp(before) > 1e-5
    assert np.ptp(after) < 1e-3 * np.ptp(before)


def test_one_pass_has_nothing_to_share():
    scene, flights, _ = flights_of(2)
    assert together(scene, flights[:1]) == flights[:1]


def test_on_one_side_the_common_offset_is_worth_much():
    scene, flights, _ = flights_of(3)
    alone = np.array([row.speed_u_mps for row in results_of(scene, flights)])
    held = np.array([row.speed_u_mps for row in results_of(scene, together(scene, flights))])
    assert np.all(held < alone)
    assert np.mean(held / alone) < 0.6


def test_budget_of_a_tied_pass_adds_up():
    scene, flights, _ = flights_of(4)
    rows = results_of(scene, together(scene, flights))
    assert len(rows) == len(flights) > 1
    for row in rows:
        squares = sum(each.contribution_mps**2 for each in row.budget)
        assert squares == pytest.approx(row.speed_u_mps**2, rel=1e-9)
        assert len(row.inputs) == len(row.sensitivities_mps)
        assert row.speed_u_mps == pytest.approx(
            np.interp(40.0, row.profile.x_m, row.profile.speed_u_mps), rel=0.5
        )


def test_signed_sensitivities_are_those_of_disturbed_inputs():
    scene, flights, _ = flights_of(5)
    held = together(scene, flights)
    row = results_of(scene, held)[1]
    slopes = row.sensitivities_mps
    ends = ends_of(held[1], row.status)
    own = len(held[1].adjustment.residuals)
    largest = np.argsort(-np.abs(slopes))
    for index in [*largest[:6], *largest[largest >= own][:6]]:
        shifts = np.zeros((2, len(slopes)))
        shifts[:, index] = (0.1, -0.1)
        (up, down), _ = speeds_after(held[1], shifts, sought(held[1], ends))
        assert (up - down) / 0.2 == pytest.approx(slopes[index], rel=0.02, abs=1e-5)


def test_stated_uncertainty_is_that_of_many_evenings():
    deviations = []
    for seed in range(200, 212):
        scene, flights, truths = flights_of(seed)
        rows = results_of(scene, together(scene, flights))
        z = [(r.speed_mps - truth) / r.speed_u_mps for r, truth in zip(rows, truths, strict=True)]
        deviations.append(z[seed % 4])  # one a session: its passes share their errors
    rms = float(np.sqrt(np.mean(np.square(deviations))))
    assert 0.51 < rms < 1.54  # 99 % range of 12 (chi-square)
    assert abs(np.mean(deviations)) < 2.576 / 12**0.5


def test_clips_that_do_not_keep_step_are_not_tied():
    scene, flights, _ = flights_of(6, slip_s=0.02)
    with pytest.raises(MotionError, match="frames lost without a trace"):
        together(scene, flights)


def test_draws_of_a_tied_pass_know_which_lights_of_others_were_widened():
    scene, flights, _ = flights_of(5)
    held = together(scene, flights)[1]
    own = len(held.adjustment.residuals)
    dofs = [None] * len(held.tie.dof)
    dofs[3:9], dofs[20:22] = [3.0] * 6, [40.0] * 2
    held = replace(held, noise=tuple(replace(row, scale=1.0) for row in held.noise))
    held = replace(held, tie=replace(held.tie, dof=tuple(dofs)))
    few, many = held.widened()
    assert few[1] == 3.0 and list(few[0]) == list(range(own + 3, own + 9))
    assert many[1] == 40.0 and list(many[0]) == [own + 20, own + 21]
    inputs = held.inputs()
    wanted = sought(held, (0.0, held.length_m))
    shifts = _draws(held, inputs, wanted, np.random.default_rng(1), 20_000)
    tails = np.mean(np.abs(shifts) > 3.0, axis=0)
    assert tails[own + 5] == pytest.approx(2.0 * t.sf(3.0, 3.0), rel=0.15)
    assert tails[own + 12] < 0.005
