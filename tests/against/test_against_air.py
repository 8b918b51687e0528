"""Air density and speed of sound against published figures.

Sources: IEC 61094-2:2009, table F.1, for CIPM-2007 (Picard et al., Metrologia 45, 2008) and Cramer
(J. Acoust. Soc. Am. 93, 1993), read in a stored copy; ISO 2533:1975 (the standard atmosphere, an
ideal gas), computed from its defining equations. The sensitivities of density are those printed in
the CIPM-2007 paper, from memory.
"""

from __future__ import annotations

import math

import pytest

from vidspeed.air import density_kgm3, density_of, sound_mps, sound_of, vapour_fraction
from vidspeed.values import Air

DENSITY_LAST_DIGIT = 0.5e-7
SOUND_LAST_DIGIT = 0.5e-5
IDEAL_GAS = 5e-4  # ISO 2533 takes no account of compressibility: 4e-4 at sea level


@pytest.mark.parametrize(
    ("temperature_c", "pressure_pa", "humidity", "density", "sound"),
    [(23.0, 101_325.0, 0.50, 1.1860848, 345.86652), (20.0, 80_000.0, 0.65, 0.9441589, 344.38267)],
)
def test_table_of_iec_61094_2(temperature_c, pressure_pa, humidity, density, sound):
    found = density_kgm3(temperature_c, pressure_pa, humidity)
    assert found == pytest.approx(density, abs=DENSITY_LAST_DIGIT)
    heard = sound_mps(temperature_c, pressure_pa, humidity)
    assert heard == pytest.approx(sound, abs=SOUND_LAST_DIGIT)


@pytest.mark.parametrize(
    ("height_m", "density", "sound"),
    [(0.0, 1.2250, 340.294), (1000.0, 1.11164, 336.434), (2000.0, 1.00649, 332.529)],
)
def test_standard_atmosphere_of_iso_2533(height_m, density, sound):
    kelvin = 288.15 - 0.0065 * height_m
    pressure_pa = 101_325.0 * (kelvin / 288.15) ** (9.80665 / (0.0065 * 287.05287))
    assert density_kgm3(kelvin - 273.15, pressure_pa, 0.0) == pytest.approx(density, rel=IDEAL_GAS)
    assert sound_mps(kelvin - 273.15, pressure_pa, 0.0) == pytest.approx(sound, rel=IDEAL_GAS)


def test_moist_air_is_lighter_and_carries_sound_faster():
    assert density_kgm3(25.0, 1e5, 1.0) < density_kgm3(25.0, 1e5, 0.0)
    assert sound_mps(25.0, 1e5, 1.0) > sound_mps(25.0, 1e5, 0.0)
    assert vapour_fraction(25.0, 1e5, 1.0) == pytest.approx(0.0318, abs=0.0001)


def test_sensitivities_of_density_as_printed():
    # Relative, per unit: pressure 1e-5 a pascal, temperature -4e-3 a kelvin, humidity -9e-3.
    rho = density_kgm3(20.0, 101_325.0, 0.5)
    by_pressure = density_kgm3(20.0, 101_326.0, 0.5) / rho - 1.0
    by_warmth = density_kgm3(20.5, 101_325.0, 0.5) - density_kgm3(19.5, 101_325.0, 0.5)
    by_humidity = density_kgm3(20.0, 101_325.0, 1.0) - density_kgm3(20.0, 101_325.0, 0.0)
    assert by_pressure == pytest.approx(1e-5, rel=0.05)
    assert by_warmth / rho == pytest.approx(-4e-3, rel=0.15)
    assert by_humidity / rho == pytest.approx(-9e-3, rel=0.05)


def test_stated_air_carries_its_uncertainty():
    air = Air(temperature_c=14.0, pressure_hpa=1009.0, humidity_pct=60.0)
    rho, u = density_of(air)
    assert rho == pytest.approx(density_kgm3(14.0, 100_900.0, 0.6))
    parts = (2.0 * 0.00375, 3.0 / 1009.0, 0.15 * 0.0060, 22e-6)  # 1/T, and what vapour adds
    assert u / rho == pytest.approx(math.hypot(*parts), rel=0.03)
    sound, u_sound = sound_of(air)
    # One kelvin is 0.17 % of the speed of sound, in dry air.
    assert u_sound / sound == pytest.approx(2.0 * 0.00174, rel=0.08)


def test_air_that_says_too_little():
    assert density_of(None) is None
    assert density_of(Air(temperature_c=14.0)) is None
    assert density_of(Air(pressure_hpa=1009.0)) is None
    assert sound_of(Air(pressure_hpa=1009.0)) is None
    _, dry = sound_of(Air(temperature_c=14.0, humidity_pct=60.0, pressure_hpa=1009.0))
    _, any_humidity = sound_of(Air(temperature_c=14.0))
    assert dry < any_humidity < 1.1 * dry
