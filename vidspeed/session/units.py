"""Work out what a number with a unit in it would be in the unit that is needed, and a date."""

from __future__ import annotations

import re
from datetime import date as Date
from datetime import datetime

_LENGTH = {
    "m": 1.0, "metre": 1.0, "metres": 1.0, "meter": 1.0, "meters": 1.0,
    "ft": 0.3048, "foot": 0.3048, "feet": 0.3048, "'": 0.3048, "′": 0.3048,
    "in": 0.0254, "inch": 0.0254, "inches": 0.0254, '"': 0.0254, "″": 0.0254,
    "yd": 0.9144, "yard": 0.9144, "yards": 0.9144, "mile": 1609.344, "miles": 1609.344,
    "mm": 1e-3, "cm": 1e-2, "km": 1e3,
}  # fmt: skip
_SPEED_MPS = {
    "m/s": 1.0, "mps": 1.0, "km/h": 1 / 3.6, "kmh": 1 / 3.6, "kph": 1 / 3.6,
    "mph": 0.44704, "kn": 1852 / 3600, "kt": 1852 / 3600, "kts": 1852 / 3600,
    "knot": 1852 / 3600, "knots": 1852 / 3600, "ft/s": 0.3048, "fps": 0.3048,
}  # fmt: skip
_TIME_S = {"s": 1.0, "sec": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "min": 60.0}
_PRESSURE_HPA = {"hpa": 1.0, "mbar": 1.0, "mb": 1.0, "pa": 0.01, "kpa": 10.0, "inhg": 33.86389}

ROUNDLY = 1.02  # times the frame interval, to which an exposure of all of it may be rounded

# unit that is needed: (symbol, factor of each unit that may be found)
_KNOWN: dict[str, tuple[str, dict[str, float]]] = {
    "metres": ("m", _LENGTH),
    "m/s": ("m/s", _SPEED_MPS),
    "km/h": ("km/h", {unit: 3.6 * factor for unit, factor in _SPEED_MPS.items()}),
    "seconds": ("s", _TIME_S),
    "milliseconds": ("ms", {unit: 1e3 * factor for unit, factor in _TIME_S.items()}),
    "hPa": ("hPa", _PRESSURE_HPA),
    "percent": ("%", {"%": 1.0, "percent": 1.0}),
    "pixels": ("px", {"px": 1.0, "pixel": 1.0, "pixels": 1.0}),
    "Hz": ("Hz", {"hz": 1.0, "fps": 1.0, "khz": 1e3}),
    "ppm": ("ppm", {"ppm": 1.0, "%": 1e4}),
    "m/s²": ("m/s²", {"m/s²": 1.0, "m/s2": 1.0, "m/s^2": 1.0, "g": 9.80665}),
    "°C": ("°C", {"°c": 1.0, "c": 1.0, "degc": 1.0}),
}
_OTHER_TEMPERATURES = {  # zero of the Celsius scale, and degrees Celsius in one of theirs
    "°f": (32.0, 1 / 1.8), "f": (32.0, 1 / 1.8), "degf": (32.0, 1 / 1.8), "k": (273.15, 1.0),
}  # fmt: skip
_NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?"
_FRACTION = re.compile(r"1\s*/\s*(\d{1,6})\s*(s|sec)?", re.ASCII)
_PLAIN = re.compile(rf"({_NUMBER})\s*([^\d\s].*)?", re.ASCII)
_DATE = re.compile(
    r"(?:(?P<y>\d{4})[-./](?P<m>\d\d?)[-./](?P<d>\d\d?)"
    r"|(?P<d2>\d\d?)\. ?(?P<m2>\d\d?)\. ?(?P<y2>\d{4}))"
    r"(?:(?:T|,? +)(?P<time>\d\d:\d\d(?::\d\d)? ?(?:Z|[+-]\d\d:\d\d)?))?",
    re.ASCII,
)
_FEET_AND_INCHES = re.compile(
    rf"({_NUMBER})\s*(?:ft|feet|foot|'|′)\s*({_NUMBER})\s*(?:in|inch|inches|\"|″|'')?", re.ASCII
)


def worked_out(text: str, unit: str) -> str | None:
    """Return the figure that `text` gives in `unit`, as text; None where it gives none.

    Examples
    --------
    >>> worked_out("262 ft", "metres")
    '79.8576'
    >>> worked_out("57 °F", "°C"), worked_out("1/500", "milliseconds"), worked_out("x", "metres")
    ('13.88889', '2', None)
    """
    value = _value(text.strip(), unit)
    return None if value is None else f"{value:.7g}"


def dated(text: str, *, moment: bool) -> str | None:
    """Return the date, or the date and time, that `text` gives, as it is written in TOML.

    A day and a month that may be taken for each other give none.

    Examples
    --------
    >>> dated("03.10.2026", moment=False), dated("10/03/2026", moment=False)
    ('2026-10-03', None)
    >>> dated("2026-10-03 20:00", moment=True)
    '2026-10-03T20:00:00'
    """
    found = _DATE.fullmatch(text.strip())
    if not found or (moment and not found["time"]):
        return None
    year, month, day = (int(found[name] or found[f"{name}2"]) for name in ("y", "m", "d"))
    try:
        date = Date(year, month, day).isoformat()
        if not moment:
            return date
        return datetime.fromisoformat(f"{date}T{found['time'].replace(' ', '')}").isoformat()
    except ValueError:
        return None


def too_long(exposure_ms: float, most_ms: float, *, by_rate: bool) -> str:
    """Word that an exposure is longer than from frame to frame; `by_rate`: as rate_hz says.

    What is written may be the number under a fraction of a second.

    Examples
    --------
    >>> too_long(25.0, 16.7, by_rate=False).partition("; ")[2]
    'correct it, or leave it out'
    >>> too_long(350.0, 16.7, by_rate=True).partition("; ")[2]
    'a shutter of 1/350 s is 2.86 ms: write exposure_ms = 2.86, or rate_hz is wrong'
    """
    meant_ms = 1e3 / exposure_ms
    meant = f"{meant_ms:.3g}"
    mend = f"a shutter of 1/{exposure_ms:g} s is {meant} ms: write exposure_ms = {meant}"
    return (
        f"exposure_ms is {exposure_ms:g}, at most the time from frame to frame is possible, "
        f"{most_ms:.3g} ms ({1e3 / most_ms:.3g} frames a second{' by rate_hz' * by_rate}); "
        f"{mend if meant_ms <= most_ms else 'correct it, or leave it out'}"
        f"{', or rate_hz is wrong' * by_rate}"
    )


def symbol(unit: str) -> str:
    """Return the short form of a unit for messages."""
    return _KNOWN[unit][0] if unit in _KNOWN else unit


def _value(text: str, unit: str) -> float | None:
    """Return the value in `unit`, or None."""
    factors = _KNOWN.get(unit, ("", {}))[1]
    fraction = _FRACTION.fullmatch(text)
    if fraction and unit in ("seconds", "milliseconds") and int(fraction[1]) > 0:
        return factors["s"] / int(fraction[1])
    both = _FEET_AND_INCHES.fullmatch(text)
    if both and unit == "metres" and not re.match(r"\d{3}", both[2]):
        return _float(both[1]) * 0.3048 + _float(both[2]) * 0.0254
    plain = _PLAIN.fullmatch(text)
    if not plain or _is_grouped(plain[1]):
        return None
    found = (plain[2] or "").strip().rstrip(".").lower()
    value = _float(plain[1])
    if unit == "°C" and found in _OTHER_TEMPERATURES:
        zero, degree = _OTHER_TEMPERATURES[found]
        return (value - zero) * degree
    factors = {"": 1.0, **factors}
    return value * factors[found] if found in factors else None


def _float(text: str) -> float:
    """Return a number written with a point or a comma."""
    return float(text.replace(",", "."))


def _is_grouped(text: str) -> bool:
    """Say whether the comma may be a thousands separator, so that the figure is not certain."""
    return re.fullmatch(r"[+-]?\d{1,3},\d{3}", text) is not None
