"""What choosing lifts a mean by, against order statistics; a mean's covariance against brute force.

Sources: the expectation of the largest of n normal deviates is the integral of x n phi(x)
Phi(x)^(n-1) (H. A. David, Order Statistics, 1970, from memory of the definition), integrated here;
the covariance of a mean and a difference (JCGM 100:2008, 5.2.2) against 200 000 evenings whose
inputs are drawn one by one.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from tests.answer.days import choose_mark, entry, flown, session
from vidspeed.answer.comparison import Side, compare
from vidspeed.answer.luck import best_pair, draws_of, field_of
from vidspeed.answer.scatter import NO_SCATTER, design_of
from vidspeed.motion.budget import covariance

DRAWN = 0.01  # of 50 000 draws
BRUTE = 0.01  # of 200 000 evenings: 0.5 % is one standard deviation of four


def expected_largest(count: int) -> float:
    found, _ = quad(lambda x: x * count * norm.pdf(x) * norm.cdf(x) ** (count - 1), -10.0, 10.0)
    return found


@pytest.mark.parametrize(("count", "of_its_u"), [(4, 1.46), (10, 2.18)])
def test_the_best_of_so_many_each_way(count, of_its_u):
    from dataclasses import replace

    ways = ["forward"] * count + ["reverse"] * count
    pairs = [(i, j) for i in range(count) for j in range(count, 2 * count)]
    design = design_of([0] * len(ways), [0] * len(ways), ways)
    field = field_of(np.full(len(ways), 100.0), pairs, np.eye(len(ways)), design)
    alone = replace(field, scatter=NO_SCATTER)
    lift = float(np.mean(best_pair(draws_of(alone), pairs)))
    assert lift == pytest.approx(expected_largest(count), abs=DRAWN)
    u_of_a_mean_of_two = np.sqrt(0.5)
    assert expected_largest(count) / u_of_a_mean_of_two == pytest.approx(of_its_u, abs=0.005)


def test_mean_and_difference_by_drawing_every_input():
    rng = np.random.default_rng(9)
    names = [
        ("session", "length", "survey scale"),
        ("camera north", "focal length", "focal length"),
    ]
    passes, rows = [], []
    for label, way in (("1", "forward"), ("2", "reverse"), ("3", "forward"), ("4", "reverse")):
        shared = [(entry(*name), rng.normal(0.0, 0.4)) for name in names]
        own = rng.uniform(0.1, 0.4)
        passes.append(flown(label, 100.0, way, u=own, shared=shared))
        rows.append([value for _, value in shared])
    common = rng.standard_normal((200_000, 2)) @ np.array(rows).T
    alone = np.array([row.sensitivities_mps[-1] for row in passes])
    speeds = 100.0 + common + alone * rng.standard_normal(common.shape)
    mark = choose_mark(passes[:2], *covariance(passes[:2]))
    assert mark.speed_u_mps == pytest.approx(np.std(speeds[:, :2].mean(axis=1)), rel=BRUTE)
    assert mark.wind.along_u_mps == pytest.approx(
        np.std(speeds[:, 0] - speeds[:, 1]) / 2.0, rel=BRUTE
    )
    home = session()
    sides = [
        Side(name=n, session=home, passes=tuple(p))
        for n, p in (("a", passes[:2]), ("b", passes[2:]))
    ]
    found = compare(*sides)
    difference = speeds[:, 2:].mean(axis=1) - speeds[:, :2].mean(axis=1)
    assert found.measurement_u_mps == pytest.approx(np.std(difference), rel=BRUTE)
