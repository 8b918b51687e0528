"""Covariance of passes against brute force: many whole sessions, disturbed as they state.

There is no published figure for this; the authority is simulation (JCGM 101:2008, 7: propagation
of distributions). Every session draws its markers, picks, lens, survey scale, read-outs, clocks,
shared and own flight line, path, weave and lights from what it states, once for whoever owns the
error, and flies two passes. What the tool says of their mean and of their difference, from picks
to covariance, is then judged by how far both lie from the truth: the sum of squares of error over
u is chi-square, with as many degrees of freedom as there are sessions.

`python -m tests.bench.chain` is the same with many more sessions.
"""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.stats import chi2

from tests.motion.flown import drawn_clock, drawn_scale, evening, flown
from vidspeed.motion.account import account
from vidspeed.motion.budget import covariance
from vidspeed.motion.flight import solve
from vidspeed.motion.offsets import tied
from vidspeed.values import Clip

SESSIONS = 14  # in the suite
RARE = 1e-3  # probability with which a true figure falls outside its limits
NEAR_STANDS_M = ([40.0, -85.0, 1.7], [45.0, 90.0, 1.7])
ONE_SIDE_M = ([0.0, -65.0, 1.7], [80.0, -90.0, 1.7])
MEAN, DIFFERENCE = np.array([0.5, 0.5]), np.array([1.0, -1.0])


@dataclass(frozen=True)
class Setup:
    """A kind of session: its cameras, the speeds of its passes, what is known of its line."""

    name: str
    cameras: int
    speeds_mps: tuple[float, float]
    line: dict[str, float]
    stands: tuple[list[float], ...] = NEAR_STANDS_M
    one_clip: bool = False  # both passes in one clip of each camera


SHARED = {"offset_shared_u_m": 0.45, "height_shared_u_m": 0.3}
SETUPS = (
    Setup("one camera, opposite ways", 1, (104.0, -97.0), SHARED),
    Setup("one camera, the same way", 1, (104.0, 97.0), SHARED),
    Setup("two cameras, opposite ways", 2, (104.0, -97.0), SHARED),
    Setup("two cameras, the same way", 2, (-104.0, -97.0), SHARED),
    Setup(
        "two cameras on one side, one clip each",
        2,
        (104.0, -97.0),
        {"offset_u_m": 5.0, "offset_shared_u_m": 4.0, "height_shared_u_m": 0.3},
        ONE_SIDE_M,
        one_clip=True,
    ),
)


def session_of(setup, seed):
    """Fly a session; return errors (2,) of the two speeds and their covariance (2, 2)."""
    scene = evening(seed, setup.cameras, stands=setup.stands, **setup.line)
    stated, rng = scene.session.flight_line, scene.rng
    shared = np.array([stated.offset_shared_u_m, stated.height_shared_u_m])
    own = np.sqrt(np.square([stated.offset_u_m, stated.height_u_m]) - shared**2)
    line = np.array([stated.offset_m, stated.height_m]) + shared * rng.standard_normal(2)
    scene.line = replace(
        stated, offset_m=line[0], offset_u_m=own[0], height_m=line[1], height_u_m=own[1]
    )
    scale = drawn_scale(scene)
    clocks = [drawn_clock(entry, rng) for entry in scene.session.cameras]
    begun_s = rng.uniform(0.0, 100.0, setup.cameras)
    flights, truths, clips = [], [], []
    for number, speed_mps in enumerate(setup.speeds_mps):
        at_s = begun_s + 40.0 * number * setup.one_clip
        starts = [t * (1.0 - 1e-6 * ppm) for t, (_, ppm) in zip(at_s, clocks, strict=True)]
        lit, truth = flown(scene, speed_mps=speed_mps, starts=starts, clocks=clocks, scale=scale)
        if not setup.one_clip:
            lit = [replace(row, clip=f"{number}-{row.clip}") for row in lit]
        flights.append(solve(scene.session, lit, str(number)))
        clips.append([Clip(file=row.clip, camera=row.stand.camera.name) for row in lit])
        truths.append(truth)
    results = accounts(scene, flights, clips)
    if setup.one_clip:
        results = accounts(scene, tied(flights, [row.inputs for row in results]), clips)
    errors = np.array([row.speed_mps for row in results]) - truths
    return errors, covariance(results)[1]


def accounts(scene, flights, clips):
    return [
        account(scene.session, flight, own, str(number))
        for number, (flight, own) in enumerate(zip(flights, clips, strict=True))
    ]


def scores(errors, matrices, weights):
    """Return error over u of a weighted sum of the speeds, a row a session."""
    u = np.sqrt(np.einsum("i,kij,j->k", weights, matrices, weights))
    return errors @ weights / u


def limits(count):
    """Return between which RMS a true u lies, but for one time in a thousand."""
    return np.sqrt(chi2.ppf([RARE / 2.0, 1.0 - RARE / 2.0], count) / count)


@pytest.mark.parametrize("setup", SETUPS, ids=lambda setup: setup.name)
def test_stated_uncertainty_of_two_passes_is_that_of_whole_sessions(setup):
    rows = [session_of(setup, 5000 + seed) for seed in range(SESSIONS)]
    errors, matrices = (np.array(column) for column in zip(*rows, strict=True))
    low, high = limits(SESSIONS)
    for weights in (MEAN, DIFFERENCE):
        assert low < np.sqrt(np.mean(scores(errors, matrices, weights) ** 2)) < high
    # The judgement can fail: of passes taken for independent it does, where they share much.
    alone = np.sqrt(np.mean(scores(errors, matrices * np.eye(2), DIFFERENCE) ** 2))
    assert setup.one_clip or alone < low
