"""The pitch of a craft that flies by, against figures worked out apart from this code.

t = tau + sqrt(d^2 + v^2 tau^2)/c, f = f0/(1 + v^2 tau/(r c)): B. G. Ferguson and B. G. Quinn,
J. Acoust. Soc. Am. 96 (1994) 821. The figures were computed from it by two methods, c 343.2 m/s,
v 100 m/s, d 20 m, f0 1000 Hz; the moments are those of hearing.
"""

from dataclasses import replace

import numpy as np
import pytest

from tests.bench.bench_sound import Fly, delays, sound_of
from vidspeed.agreement.arrival import emitted, pitch, turns
from vidspeed.agreement.hearing import hear
from vidspeed.values import Around, Flyby

FLYBY = Flyby(speed_mps=100.0, distance_m=20.0, moment_s=0.0, sound_mps=343.2)
HEARD = {
    -1.0: 1405.512, -0.5: 1390.157, 0.0: 1092.776, 0.058275: 1000.000, 0.1: 945.283,
    0.5: 795.395, 1.0: 780.040,
}  # fmt: skip
PRINTED_HZ = 6e-4


@pytest.mark.parametrize(("heard_s", "pitch_hz"), HEARD.items())
def test_pitch_as_heard(heard_s, pitch_hz):
    assert 1000.0 * pitch(FLYBY, np.array([heard_s]))[0] == pytest.approx(pitch_hz, abs=PRINTED_HZ)


def speed_from_asymptotes(near_hz, far_hz, sound_mps):
    """Return the speed from the pitch long before and long after, the air at rest."""
    return sound_mps * (near_hz - far_hz) / (near_hz + far_hz)


def test_the_asymptotes_give_the_speed_back():
    long_before, long_after = 1000.0 * pitch(FLYBY, np.array([-1e4, 1e4]))
    assert long_before == pytest.approx(1411.184, abs=PRINTED_HZ)
    assert long_after == pytest.approx(774.368, abs=PRINTED_HZ)
    assert speed_from_asymptotes(long_before, long_after, 343.2) == pytest.approx(100.0, abs=1e-3)


def test_a_kelvin_moves_a_speed_by_a_sixth_of_a_percent():
    a, b = pitch(FLYBY, np.array([-1e4, 1e4]))
    warmer = 343.2 * np.sqrt(294.15 / 293.15)
    change = speed_from_asymptotes(a, b, warmer) / speed_from_asymptotes(a, b, 343.2) - 1.0
    assert change == pytest.approx(0.0017, abs=5e-5)


def test_wind_along_the_course_biases_a_speed_that_forgets_it():
    """5 m/s along the course: -0.57 %, which is the figure of a craft at 500 km/h."""
    blown = replace(FLYBY, speed_mps=500.0 / 3.6, wind_mps=5.0)
    a, b = pitch(blown, np.array([-1e4, 1e4]))
    bias = speed_from_asymptotes(a, b, 343.2) / (500.0 / 3.6) - 1.0
    assert 100.0 * bias == pytest.approx(-0.57, abs=0.01)


def test_the_tool_hears_the_speed_of_the_table():
    fly = Fly(100.0, 20.0, 2.0, [1400.0, 2800.0], [25.0, 22.0])
    samples = sound_of([fly], 4.0, np.random.default_rng(1))
    known = Around(sound_mps=343.2, sound_u_mps=0.1, wind_u_mps=0.1, accel_u_mps2=0.5)
    (heard,) = hear(samples, 48_000, 0.0, around=known, within_s=(1.8, 2.4)).heard
    assert heard.speed_u_mps < 0.5
    assert heard.speed_mps == pytest.approx(100.0, abs=3.0 * heard.speed_u_mps)
    assert heard.flyby.distance_m == pytest.approx(20.0, abs=4.0 * heard.distance_u_m)


@pytest.mark.parametrize("wind_mps", [-8.0, 0.0, 8.0])
def test_arrival_agrees_with_the_delay_from_the_source_outwards(wind_mps):
    truth = Fly(90.0, 12.0, 3.0, [], [], accel_mps2=8.0, bend_mps2=2.0, wind_mps=wind_mps)
    flyby = Flyby(
        speed_mps=90.0, distance_m=12.0, moment_s=3.0, accel_mps2=8.0, bend_mps2=2.0,
        wind_mps=wind_mps, sound_mps=343.2, slope_per_s=0.05,
    )  # fmt: skip
    sent = np.linspace(-2.0, 1.5, 71)
    late, _ = delays(truth, sent)
    assert emitted(flyby, 3.0 + sent + late) == pytest.approx(3.0 + sent, abs=1e-6)
    step = 1e-5
    at = 3.0 + sent + late
    by_phase = (turns(flyby, at + step) - turns(flyby, at - step)) / (2.0 * step)
    assert pitch(flyby, at) == pytest.approx(by_phase, abs=1e-5)
