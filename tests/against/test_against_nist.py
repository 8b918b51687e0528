"""The adjustment against a certified straight line.

NIST Statistical Reference Datasets, linear regression, 'Norris' (J. Norris, 1979): calibration of
ozone monitors, 36 observations. Data and certified values from memory; that the certified figures
come out to ten digits is what shows that the data were remembered rightly.
"""

import numpy as np
import pytest

from vidspeed.motion.adjust import adjust

# fmt: off
Y = np.array([
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3,
    0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3,
    0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
])
X = np.array([
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4,
    0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3,
    0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
])
# fmt: on
INTERCEPT, SLOPE = -0.262323073774029, 1.00211681802045
INTERCEPT_U, SLOPE_U = 0.232818234301152, 0.000429796848199937
RESIDUAL_S = 0.884796396144373


class StraightLine:
    """y = a + b x with unit weights, as a problem for the adjustment."""

    def normal(self, jacobian):
        return jacobian.T @ jacobian

    def evaluate(self, state):
        return Y - state[0] - state[1] * X, np.column_stack([np.ones_like(X), X])

    def moved(self, state, step):
        return state + step


def test_norris():
    state, found = adjust(StraightLine(), np.zeros(2))
    s = np.sqrt(found.cost / (len(X) - 2))
    u = s * np.sqrt(np.diag(found.covariance))
    assert state == pytest.approx([INTERCEPT, SLOPE], rel=1e-10)
    assert s == pytest.approx(RESIDUAL_S, rel=1e-10)
    assert u == pytest.approx([INTERCEPT_U, SLOPE_U], rel=1e-10)
