"""Several sounds of one pass: what they have in common is not averaged away."""

from dataclasses import replace

import numpy as np
import pytest

from tests.session.made_heard import a_heard
from vidspeed.assembly.heard import Asked, Nearest, together
from vidspeed.values import Around


def row(speed_mps, own_u_mps, by_wind_mps):
    """Return a sound whose speed hangs on the wind by so much for one u of it."""
    around = Around(wind_u_mps=2.0)
    covariance = np.eye(8)
    covariance[0, 0] = own_u_mps**2 + by_wind_mps**2
    covariance[0, 6] = covariance[6, 0] = by_wind_mps * 2.0
    heard = a_heard()
    flyby = replace(heard.flyby, speed_mps=speed_mps)
    near = Nearest(time_s=1.0, x_m=40.0, distance_m=30.0, part=1.0, over=1.0)
    asked = Asked(
        file="a.mp4", clip="a.mp4", camera="north", around=around, within_s=(0.5, 1.5),
        speed_mps=(40.0, 170.0), near=near,
    )  # fmt: skip
    return asked, replace(heard, flyby=flyby, covariance=covariance)


def test_one_sound_is_itself():
    assert together([row(100.0, 0.5, 0.3)]) == pytest.approx((100.0, np.hypot(0.5, 0.3)))


def test_two_sounds_share_the_air():
    speed_mps, u_mps = together([row(100.0, 0.5, 0.3), row(101.0, 0.5, 0.3)])
    assert speed_mps == pytest.approx(100.5)
    assert u_mps == pytest.approx(np.hypot(0.5 / np.sqrt(2.0), 0.3))


def test_a_surer_sound_counts_more():
    speed_mps, u_mps = together([row(100.0, 0.2, 0.0), row(102.0, 2.0, 0.0)])
    assert speed_mps == pytest.approx(100.0 + 2.0 / 101.0)
    assert u_mps < 0.2
