"""Speeds as a person reads them: the unit, and how far a figure may be rounded."""

from __future__ import annotations

import math
from dataclasses import dataclass

from vidspeed.errors import VidspeedError
from vidspeed.values import Value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Unit(Value):
    """A unit of speed: `per_mps` of it make one metre a second."""

    name: str
    label: str
    per_mps: float


UNITS = {
    unit.name: unit
    for unit in (
        Unit(name="kmh", label="km/h", per_mps=3.6),
        Unit(name="mph", label="mph", per_mps=3600.0 / 1609.344),
        Unit(name="kn", label="kn", per_mps=3600.0 / 1852.0),
        Unit(name="mps", label="m/s", per_mps=1.0),
    )
}


def unit_named(name: str) -> Unit:
    """Return the unit of that name; VidspeedError names the allowed ones.

    Examples
    --------
    >>> unit_named("kn").label
    'kn'
    """
    try:
        return UNITS[name]
    except KeyError:
        raise VidspeedError(
            f"--unit: {name!r} is not known; use one of {', '.join(UNITS)}"
        ) from None


def rounded_up(uncertainty: float) -> tuple[float, int]:
    """Round an uncertainty to two significant digits; return it and its decimal places.

    Upwards, except that up to 0.05 of the last digit is dropped (JCGM 100:2008, 7.2.6: 10.47
    becomes 11, 28.05 becomes 28), so that at most 0.5 % is ever lost.

    Examples
    --------
    >>> rounded_up(10.47), rounded_up(28.05), rounded_up(0.0996), rounded_up(0.751)
    ((11.0, 0), (28.0, 0), (0.1, 2), (0.76, 2))
    """
    if not (math.isfinite(uncertainty) and uncertainty > 0.0):
        return (uncertainty, 3)
    places = 1 - math.floor(math.log10(uncertainty))
    digits = math.ceil(uncertainty * 10.0**places - 0.05)
    if digits >= 100:
        digits, places = math.ceil(digits / 10), places - 1
    return (digits / 10.0**places, max(places, 0))


def with_uncertainty(value: float, uncertainty: float) -> tuple[str, str]:
    """Return value and uncertainty as text, both to the place of the uncertainty's second digit.

    Examples
    --------
    >>> with_uncertainty(402.3149, 0.7511)
    ('402.31', '0.76')
    >>> with_uncertainty(402.3149, 123.0)
    ('402', '130')
    """
    shown, places = rounded_up(uncertainty)
    return (f"{value:.{places}f}", f"{shown:.{places}f}")


def speed_text(speed_mps: float, U95_mps: float, unit: Unit) -> str:
    """Return "402.31 ± 0.76 km/h" for a speed and its expanded uncertainty.

    Examples
    --------
    >>> speed_text(100.0, 0.25, UNITS["kmh"])
    '360.00 ± 0.90 km/h'
    """
    return f"{bare_speed_text(speed_mps, U95_mps, unit)} {unit.label}"


def bare_speed_text(speed_mps: float, U95_mps: float, unit: Unit) -> str:
    """Return "402.31 ± 0.76": for columns whose head names the unit."""
    value, uncertainty = with_uncertainty(speed_mps * unit.per_mps, U95_mps * unit.per_mps)
    return f"{value} ± {uncertainty}"


def claim_text(speed_mps: float, U95_mps: float, unit: Unit, *, bare: bool = False) -> str:
    """Return a speed that a claim stands on: cut, where `speed_text` rounds to the nearest.

    Examples
    --------
    >>> claim_text(111.7499, 0.2, UNITS["kmh"]), speed_text(111.7499, 0.2, UNITS["kmh"])
    ('402.29 ± 0.72 km/h', '402.30 ± 0.72 km/h')
    """
    shown, places = rounded_up(U95_mps * unit.per_mps)
    text = f"{cut_text(speed_mps * unit.per_mps, places)} ± {shown:.{places}f}"
    return text if bare else f"{text} {unit.label}"


def cut_text(value: float, places: int) -> str:
    """Return a figure with so many decimals, cut downwards.

    Examples
    --------
    >>> cut_text(399.9951, 2), cut_text(400.0, 2), cut_text(0.1 + 0.2, 1)
    ('399.99', '400.00', '0.3')
    """
    return f"{math.floor(value * 10.0**places + 1e-6) / 10.0**places:.{places}f}"


def raised_text(value: float, places: int = 2) -> str:
    """Return a figure to be beaten, rounded upwards.

    Examples
    --------
    >>> raised_text(400.0), raised_text(400.001)
    ('400.00', '400.01')
    """
    return f"{math.ceil(value * 10.0**places - 1e-6) / 10.0**places:.{places}f}"


def percent_text(part: float) -> str:
    """Return a part of one as a percentage with two significant digits at most.

    Examples
    --------
    >>> percent_text(0.0019), percent_text(0.163), percent_text(0.00001), percent_text(1.0)
    ('0.19 %', '16 %', '< 0.01 %', '100 %')
    """
    percent = 100.0 * part
    if percent <= 0.0:
        return "0 %"
    if percent < 0.01:
        return "< 0.01 %"
    places = max(0, 1 - math.floor(math.log10(percent)))
    return f"{percent:.{places}f} %"


def probability_text(probability: float) -> str:
    """Return a probability as a percentage cut, never rounded up, to one decimal.

    A claim stands on it, so that 0.9498 reads 94.9 % and nothing reads 100 %.

    Examples
    --------
    >>> probability_text(0.94985), probability_text(0.99999), probability_text(0.0001)
    ('94.9 %', 'over 99.9 %', 'under 0.1 %')
    """
    tenths = math.floor(probability * 1000.0 + 1e-9)
    if tenths >= 1000 or probability > 0.999:
        return "over 99.9 %"
    return "under 0.1 %" if tenths < 1 else f"{tenths / 10.0:.1f} %"
