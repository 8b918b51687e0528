"""Coverage factors against the GUM.

JCGM 100:2008, table G.2 (printed values, two decimals) and equation (G.2b), with the figures of
its example H.1 (effective degrees of freedom of an end gauge, 16.75, cut to 16).
"""

import pytest

from vidspeed.motion.coverage import coverage_factor, effective_dof

TABLE_G2_95 = {1: 12.71, 2: 4.30, 5: 2.57, 10: 2.23, 16: 2.12, 20: 2.09, 50: 2.01}


@pytest.mark.parametrize(("dof", "factor"), TABLE_G2_95.items())
def test_table_g2(dof, factor):
    assert coverage_factor(dof) == pytest.approx(factor, abs=0.005)


def test_table_g2_infinite_and_99_percent():
    assert coverage_factor(None) == pytest.approx(1.960, abs=0.0005)
    assert coverage_factor(16, level=0.99) == pytest.approx(2.92, abs=0.005)


def test_degrees_of_freedom_are_cut_not_rounded():
    assert coverage_factor(16.75) == coverage_factor(16)


def test_end_gauge_h1_effective_degrees_of_freedom():
    # H.1: u(l_s) 25 nm, nu 18; the difference 5.8 (24), 3.9 (5), 6.7 (8); expansion difference
    # u(dalpha) theta l_s: 2.9 nm, nu 50; temperature difference l_s alpha u(dtheta) 16.6 nm, nu 2.
    l_s = 50.000623e6
    parts = [
        (25.0, 18.0),
        (5.8, 24.0),
        (3.9, 5.0),
        (6.7, 8.0),
        (l_s * 0.1 * 1e-6 / 3**0.5, 50.0),
        (l_s * 11.5e-6 * 0.05 / 3**0.5, 2.0),
    ]
    u = sum(part**2 for part, _ in parts) ** 0.5
    assert u == pytest.approx(31.664, abs=0.01)
    assert effective_dof(u, parts) == pytest.approx(16.75, abs=0.02)
