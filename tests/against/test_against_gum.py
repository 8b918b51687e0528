"""First-order uncertainty against the worked examples of the GUM (JCGM 100:2008, annex H).

H.2 (simultaneous resistance and reactance) through the covariance that passes get, H.3
(calibration of a thermometer) through the adjustment. Figures as printed there.
"""

import numpy as np
import pytest

from vidspeed.motion.adjust import adjust
from vidspeed.motion.budget import covariance
from vidspeed.motion.unknowns import entered
from vidspeed.values import PassResult

VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERES = 1e-3 * np.array([19.663, 19.639, 19.640, 19.685, 19.678])
RADIANS = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def quantity(label, slopes):
    """Return a result whose inputs are the five sets of simultaneous readings.

    The deviations of a set, over sqrt(n (n - 1)), are one input: their products add up to the
    covariance of the means (GUM 5.2.3).
    """
    deviations = np.array([x - x.mean() for x in (VOLTS, AMPERES, RADIANS)]) / np.sqrt(20.0)
    inputs = tuple(entered("session", f"set {k}", "readings", 1.0, "1") for k in range(5))
    return PassResult(
        label=label, flight=None, setup=None, clips=(), status="measured",
        inputs=inputs, sensitivities_mps=slopes @ deviations,
    )  # fmt: skip


def test_h2_resistance_reactance_impedance():
    volt, ampere, angle = VOLTS.mean(), AMPERES.mean(), RADIANS.mean()
    ratio = volt / ampere
    resistance, reactance = ratio * np.cos(angle), ratio * np.sin(angle)
    slopes = {
        "R": np.array([resistance / volt, -resistance / ampere, -reactance]),
        "X": np.array([reactance / volt, -reactance / ampere, resistance]),
        "Z": np.array([ratio / volt, -ratio / ampere, 0.0]),
    }
    labels, matrix = covariance([quantity(label, slope) for label, slope in slopes.items()])
    u = np.sqrt(np.diag(matrix))
    correlation = matrix / np.outer(u, u)
    assert labels == ("R", "X", "Z")
    assert [resistance, reactance, ratio] == pytest.approx([127.732, 219.847, 254.260], abs=5e-4)
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=6e-4)
    assert correlation[0, 1] == pytest.approx(-0.588, abs=6e-4)
    assert correlation[0, 2] == pytest.approx(-0.485, abs=6e-4)
    assert correlation[1, 2] == pytest.approx(0.993, abs=6e-4)


# fmt: off
T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999,
              24.513, 25.002, 25.503, 26.010, 26.511])
B = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
# fmt: on


class Thermometer:
    def normal(self, jacobian):
        return jacobian.T @ jacobian

    def evaluate(self, state):
        slopes = np.column_stack([np.ones_like(T), T - 20.0])
        return B - slopes @ state, slopes

    def moved(self, state, step):
        return state + step


def test_h3_thermometer():
    state, found = adjust(Thermometer(), np.zeros(2))
    dof = len(T) - 2
    matrix = found.covariance * found.cost / dof
    u = np.sqrt(np.diag(matrix))
    at_30 = np.array([1.0, 10.0])
    assert dof == 9
    assert state == pytest.approx([-0.1712, 0.00218], abs=6e-5)
    assert u == pytest.approx([0.0029, 0.00067], abs=6e-5)
    assert matrix[0, 1] / (u[0] * u[1]) == pytest.approx(-0.930, abs=6e-4)
    assert at_30 @ state == pytest.approx(-0.1494, abs=6e-5)
    assert np.sqrt(at_30 @ matrix @ at_30) == pytest.approx(0.0041, abs=6e-5)
