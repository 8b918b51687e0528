"""Pairs are those of SciPy's assignment, and the filter that of filterpy."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
from scipy.optimize import linear_sum_assignment

from vidspeed.clip.spots.pairing import pairs_of


def test_pairs_are_those_of_one_assignment_of_all():
    rng = np.random.default_rng(6)
    for _ in range(200):
        shape = rng.integers(1, 7), rng.integers(1, 9)
        costs = np.where(rng.random(shape) < 0.3, rng.normal(5.0, 4.0, shape), np.inf)
        all_at_once = zip(
            *linear_sum_assignment(np.where(np.isfinite(costs), costs, 1e6)), strict=True
        )
        expected = [pair for pair in all_at_once if np.isfinite(costs[pair])]
        assert pairs_of(costs) == expected


def test_the_filter_is_that_of_filterpy_and_brings_nothing_along():
    code = (
        "import sys\n"
        "from vidspeed.clip.spots.kalman import kalman_filter\n"
        "alone = kalman_filter()(dim_x=4, dim_z=2)\n"
        "assert not any(name in sys.modules for name in ('filterpy', 'scipy.stats'))\n"
        "from filterpy.kalman import KalmanFilter\n"
        "whole = KalmanFilter(dim_x=4, dim_z=2)\n"
        "for one in (alone, whole):\n"
        "    one.H[0, 0] = one.H[1, 2] = one.F[0, 1] = one.F[2, 3] = 1.0\n"
        "    for k in range(5):\n"
        "        one.predict()\n"
        "        one.update([[float(k)], [2.0 * k]])\n"
        "assert (alone.x == whole.x).all() and (alone.P == whole.P).all()\n"
        "assert alone.log_likelihood == whole.log_likelihood\n"
        "print(type(alone).__name__)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["KalmanFilter"]
