"""The Monte Carlo procedure against JCGM 101:2008 (GUM Supplement 1).

Examples 9.2 (additive model) and 9.3 (mass calibration), the adaptive stop of 7.9 and the
comparison with first order of 8.1, through the functions that the tool itself uses.
"""

from itertools import pairwise

import numpy as np
import pytest

from vidspeed.motion.propagate import agrees, batch_size, propagate, tolerance

PRINTED = 0.03  # the supplement prints three digits of figures that are themselves drawn
ENDS = 0.10  # twice the numerical tolerance 0.05 at which the draws stop


def drawn(model, digits=2):
    def batch(number):
        return model(np.random.default_rng([7, number]), batch_size())

    return propagate(batch, digits=digits, most=12)


def normal(rng, size, u=1.0):
    return u * rng.standard_normal(size)


def rectangular(rng, size, u=1.0):
    return u * rng.uniform(-(3.0**0.5), 3.0**0.5, size)


def test_9_2_2_four_normal_inputs():
    found = drawn(lambda rng, n: sum(normal(rng, n) for _ in range(4)))
    assert found.stable
    assert found.u == pytest.approx(2.00, abs=PRINTED)
    assert found.interval == pytest.approx((-3.92, 3.92), abs=ENDS)
    finer = drawn(lambda rng, n: sum(normal(rng, n) for _ in range(4)), digits=3)  # 8.2
    assert finer.draws > found.draws
    assert agrees((-1.959964 * 2.0, 1.959964 * 2.0), finer)


def test_9_2_3_four_rectangular_inputs():
    found = drawn(lambda rng, n: sum(rectangular(rng, n) for _ in range(4)))
    assert found.u == pytest.approx(2.00, abs=PRINTED)
    assert found.interval == pytest.approx((-3.88, 3.88), abs=ENDS)


def test_9_2_4_one_large_rectangular_input_is_not_validated():
    found = drawn(
        lambda rng, n: sum(rectangular(rng, n) for _ in range(3)) + rectangular(rng, n, 10.0)
    )
    assert found.u == pytest.approx(10.1, abs=0.1)
    assert found.interval == pytest.approx((-17.0, 17.0), abs=0.2)
    assert not agrees((-19.9, 19.9), found)


def test_9_3_mass_calibration():
    def model(rng, n):
        reference = 100_000.0 + normal(rng, n, 0.050)
        difference = 1.234 + normal(rng, n, 0.020)
        air = rng.uniform(1.10, 1.30, n)
        weight, standard = rng.uniform(7000, 9000, n), rng.uniform(7950, 8050, n)
        buoyancy = 1.0 + (air - 1.2) * (1.0 / weight - 1.0 / standard)
        return (reference + difference) * buoyancy - 100_000.0

    found = drawn(model)
    assert found.mean == pytest.approx(1.234, abs=0.001)
    assert found.u == pytest.approx(0.0755, abs=0.0005)
    assert found.interval == pytest.approx((1.083, 1.383), abs=0.003)
    first_order_u = (0.050**2 + 0.020**2) ** 0.5
    assert first_order_u == pytest.approx(0.0539, abs=0.0001)
    assert not agrees((1.234 - 1.96 * first_order_u, 1.234 + 1.96 * first_order_u), found)


def test_7_9_2_numerical_tolerance():
    assert tolerance(0.10) == pytest.approx(0.005)
    assert tolerance(0.0754) == pytest.approx(0.0005)
    assert tolerance(35.0) == pytest.approx(0.5)


def test_7_9_4_batches_and_stop():
    assert batch_size() == 10_000
    assert batch_size(0.999) == 100_000
    found = drawn(normal)
    assert found.stable
    assert found.draws % 10_000 == 0
    assert found.draws >= 20_000
    wild = propagate(lambda n: np.random.default_rng(n).standard_cauchy(batch_size()))
    assert not wild.stable


def test_a_batch_is_the_same_whoever_asks():
    first, second = drawn(normal), drawn(normal)
    assert first.interval == second.interval
    assert all(low < high for low, high in pairwise([first.interval[0], *first.interval[1:]]))
