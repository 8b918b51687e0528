"""The density of moist air, the speed of sound in it, and what a wind across the course takes.

Density: A. Picard, R. S. Davis, M. Gläser, K. Fujii, "Revised formula for the density of moist
air (CIPM-2007)", Metrologia 45 (2008) 149. Speed of sound: O. Cramer, "The variation of the
specific heat ratio and the speed of sound in air with temperature, pressure, humidity, and CO2
concentration", J. Acoust. Soc. Am. 93 (1993) 2510, at the limit of low frequencies.

Temperatures in °C, pressures in pascal, humidity relative, 0 to 1.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from vidspeed.values import Air

ZERO_C_K = 273.15
CARBON_DIOXIDE = 0.0004  # mole fraction
DENSITY_FORMULA_U = 22e-6  # relative standard uncertainty of CIPM-2007 itself
SOUND_FORMULA_U = 300e-6  # Cramer's own estimate
ANY_HUMIDITY = (0.5, 0.5 / math.sqrt(3.0))  # where none is stated: rectangular from 0 to 1
ANY_PRESSURE_PA = (97_000.0, 4_000.0)  # where sound alone is asked for, which hardly feels it


def vapour_fraction(temperature_c: float, pressure_pa: float, humidity: float) -> float:
    """Return the mole fraction of water vapour in moist air (CIPM-2007, A1.1 to A1.3)."""
    t, kelvin = temperature_c, temperature_c + ZERO_C_K
    saturated_pa = math.exp(
        1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin
    )
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * t**2
    return humidity * enhancement * saturated_pa / pressure_pa


def density_kgm3(
    temperature_c: float,
    pressure_pa: float,
    humidity: float,
    carbon_dioxide: float = CARBON_DIOXIDE,
) -> float:
    """Return the density of moist air in kg/m^3 (CIPM-2007, equations 1 and A1.4).

    Examples
    --------
    >>> round(density_kgm3(23.0, 101_325.0, 0.5), 5)
    1.18608
    """
    t, kelvin = temperature_c, temperature_c + ZERO_C_K
    x = vapour_fraction(temperature_c, pressure_pa, humidity)
    pairs = (
        1.58123e-6
        - 2.9331e-8 * t
        + 1.1043e-10 * t**2
        + (5.707e-6 - 2.051e-8 * t) * x
        + (1.9898e-4 - 2.376e-6 * t) * x**2
    )
    over = pressure_pa / kelvin
    compressibility = 1.0 - over * pairs + over**2 * (1.83e-11 - 0.765e-8 * x**2)
    dry = (3.483740 + 1.4446 * (carbon_dioxide - CARBON_DIOXIDE)) * 1e-3
    return dry * over / compressibility * (1.0 - 0.3780 * x)


def sound_mps(
    temperature_c: float,
    pressure_pa: float,
    humidity: float,
    carbon_dioxide: float = CARBON_DIOXIDE,
) -> float:
    """Return the speed of sound in moist air in m/s (Cramer 1993, equation 15).

    Examples
    --------
    >>> round(sound_mps(23.0, 101_325.0, 0.5), 3)
    345.867
    """
    t, p, c = temperature_c, pressure_pa, carbon_dioxide
    x = vapour_fraction(temperature_c, pressure_pa, humidity)
    return (
        331.5024
        + 0.603055 * t
        - 0.000528 * t**2
        + (51.471935 + 0.1495874 * t - 0.000782 * t**2) * x
        + (-1.82e-7 + 3.73e-8 * t - 2.93e-10 * t**2) * p
        + (-85.20931 - 0.228525 * t + 5.91e-5 * t**2) * c
        - 2.835149 * x**2
        - 2.15e-13 * p**2
        + 29.179762 * c**2
        + 0.000486 * x * p * c
    )


def crosswind_loss(speed_mps: float, across_mps: float) -> float:
    """Return what a crosswind takes off the speed along the course, both ways alike, m/s.

    Examples
    --------
    >>> round(3.6 * crosswind_loss(400.0 / 3.6, 20.0 / 3.6), 2)
    0.5
    """
    return speed_mps - math.sqrt(max(speed_mps**2 - across_mps**2, 0.0))


def density_of(air: Air | None) -> tuple[float, float] | None:
    """Return density and standard uncertainty in kg/m^3; None without temperature or pressure.

    A humidity that is not stated is anything from 0 to 100 %.
    """
    if air is None or air.temperature_c is None or air.pressure_hpa is None:
        return None
    return _with_u(density_kgm3, air, DENSITY_FORMULA_U)


def sound_of(air: Air | None) -> tuple[float, float] | None:
    """Return the speed of sound and its standard uncertainty in m/s; None without a temperature.

    A humidity that is not stated is anything from 0 to 100 %; a pressure, that of anywhere
    where people fly. Sound hardly depends on either.
    """
    if air is None or air.temperature_c is None:
        return None
    return _with_u(sound_mps, air, SOUND_FORMULA_U)


def _with_u(
    formula: Callable[[float, float, float], float], air: Air, formula_u: float
) -> tuple[float, float]:
    """Return a formula's figure with what temperature, pressure and humidity leave open.

    To first order (JCGM 100:2008, equation 10), slopes by central differences.
    """
    stated = _stated(air)
    values = [value for value, _ in stated]
    middle = formula(*values)
    terms = [middle * formula_u]
    for place, (_, u) in enumerate(stated):
        ends = [[*values[:place], values[place] + way * u, *values[place + 1 :]] for way in (1, -1)]
        terms.append((formula(*ends[0]) - formula(*ends[1])) / 2.0)
    return middle, math.hypot(*terms)


def _stated(air: Air) -> list[tuple[float, float]]:
    """Return temperature, pressure (Pa) and humidity (0 to 1) with their uncertainties."""
    assert air.temperature_c is not None
    pressure, humidity = ANY_PRESSURE_PA, ANY_HUMIDITY
    if air.pressure_hpa is not None:
        pressure = (100.0 * air.pressure_hpa, 100.0 * air.pressure_u_hpa)
    if air.humidity_pct is not None:
        humidity = (air.humidity_pct / 100.0, air.humidity_u_pct / 100.0)
    return [(air.temperature_c, air.temperature_u_c), pressure, humidity]
