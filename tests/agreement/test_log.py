"""The speed between the gates from a record of places or of speeds."""

import numpy as np
import pytest

from vidspeed.agreement.log import logged, usual_speed_mps
from vidspeed.errors import ClipError
from vidspeed.values import Log, Profile

LENGTH_M = 80.0


def log_of(time_s, *, x_m=None, speed_mps=None, time_u_s=0.0, x_u_m=0.0, speed_u_mps=0.0, **more):
    n = len(time_s)
    return Log(
        file="cart.csv", time_s=np.array(time_s, float), time_u_s=np.full(n, time_u_s),
        x_m=None if x_m is None else np.array(x_m, float), x_u_m=np.full(n, x_u_m),
        speed_mps=None if speed_mps is None else np.array(speed_mps, float),
        speed_u_mps=np.full(n, speed_u_mps), **more,
    )  # fmt: skip


def profile(speed_mps=lambda x: np.full(len(x), 8.0)):
    x_m = np.linspace(-10.0, 90.0, 101)
    return Profile(x_m=x_m, speed_mps=speed_mps(x_m), speed_u_mps=np.full(101, 0.01))


def asked(log, forward=True, duration_s=10.0, **more):
    return logged(
        log, length_m=LENGTH_M, duration_s=duration_s, profile=profile(**more), forward=forward
    )


def test_two_times_taken_at_the_gates():
    found = asked(log_of([3.0, 13.0], x_m=[0.0, 80.0], time_u_s=0.1))
    assert found.speed_mps == pytest.approx(8.0)
    assert found.speed_u_mps == pytest.approx(8.0 * np.sqrt(2.0) * 0.1 / 10.0)  # by hand


def test_places_are_read_off_at_the_gates_either_way():
    time = np.arange(0.0, 15.0, 0.1)
    log = log_of(time, x_m=-16.0 + 8.0 * time, x_u_m=0.04, common_u=0.01)
    found = asked(log)
    assert found.speed_mps == pytest.approx(8.0)
    assert found.speed_u_mps == pytest.approx(np.hypot(0.08, np.sqrt(2.0) * 0.04 / 10.0))
    back = log_of(time, x_m=96.0 - 8.0 * time, x_u_m=0.04)
    assert asked(back, forward=False).speed_mps == pytest.approx(8.0)
    assert usual_speed_mps(back) == pytest.approx(8.0)


@pytest.mark.parametrize(
    ("x_m", "said"),
    [
        ([0.0, 40.0], "passes x = 80 m 0 times"),
        ([0.0, 80.0, 0.0, 80.0], "passes x = 0 m 2 times"),
        ([-30.0, 90.0], "its rows beside x = 0 m are at -30 and 90 m"),
    ],
)
def test_a_record_that_does_not_hold_the_drive_once_is_refused(x_m, said):
    with pytest.raises(ClipError, match=said):
        asked(log_of(np.arange(len(x_m)), x_m=x_m, time_u_s=0.1))


def test_steady_speeds_need_no_common_clock():
    time = np.arange(0.0, 40.0, 0.2)
    found = asked(log_of(time, speed_mps=np.full(len(time), 8.1), speed_u_mps=0.1))
    assert found.speed_mps == pytest.approx(8.1)
    assert found.speed_u_mps == pytest.approx(0.1 / np.sqrt(50.0), rel=0.05)


def test_speeds_that_rise_are_laid_where_the_profile_rises():
    """The record runs from standing to 12 m/s; the drive is where it goes from 6 to 10 m/s."""
    time = np.arange(0.0, 30.0, 0.1)
    log = log_of(time, speed_mps=0.4 * time, common_u=0.001)
    found = asked(log, speed_mps=lambda x: np.sqrt(36.0 + 0.8 * np.clip(x, -10.0, 90.0)))
    assert found.speed_mps == pytest.approx(8.0, abs=0.05)
    assert 0.008 <= found.speed_u_mps < 0.1
    assert 6.0 < usual_speed_mps(log) < 12.0


def test_a_record_shorter_than_the_drive_is_refused():
    with pytest.raises(ClipError, match=r"holds 5\.00 s, the drive between the gates took 10\.00"):
        asked(log_of([0.0, 5.0], speed_mps=[8.0, 8.0]))
    with pytest.raises(ClipError, match="2 rows in a drive, at least 4 are needed"):
        asked(log_of([0.0, 5.0, 10.0], speed_mps=[8.0, 8.0, 8.0], speed_u_mps=0.1), duration_s=8.0)
