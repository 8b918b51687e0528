"""Sentences of NMEA 0183: RMC (place, speed in knots, date) and GGA (place).

    $GPRMC,hhmmss.ss,A,llll.ll,N,yyyyy.yy,W,knots,course,ddmmyy,variation,E*hh
    $GPGGA,hhmmss.ss,llll.ll,N,yyyyy.yy,W,quality,satellites,hdop,height,M,...*hh

hh is the exclusive or of all bytes between $ and *. The talker (GP, GN, ...) does not matter.
From memory; a sentence of the description in wide circulation is in the tests.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np

from vidspeed.errors import SessionError
from vidspeed.session.cells import decoded
from vidspeed.session.gpx import Points

KNOT_MPS = 1852.0 / 3600.0
HALF_DAY_S = 43_200.0


def checksum(body: str) -> str:
    """Return the checksum of what stands between $ and *.

    Examples
    --------
    >>> checksum("GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W")
    '6A'
    """
    total = 0
    for byte in body.encode("utf-8"):
        total ^= byte
    return f"{total:02X}"


def read_nmea(data: bytes, where: str) -> Points:
    """Return the fixes of a file, one for each moment; RMC's speed where there is one.

    Sentences with a wrong checksum, or without a fix, are left out and counted.

    Raises
    ------
    SessionError
        Where there are not two fixes in it.
    """
    found: dict[float, list[float]] = {}
    left_out, day, dated = 0, 0.0, False
    last_s = -np.inf
    for line in decoded(data, where).splitlines():
        fields = _fields(line)
        if fields is None:
            left_out += line.lstrip().startswith("$")
            continue
        kind = fields[0][2:]
        if kind not in ("RMC", "GGA"):
            continue
        try:
            fix, date = _fix(kind, fields)
        except (ValueError, IndexError, OverflowError):
            left_out += 1
            continue
        if date is not None:
            day, dated = date, True
        elif fix[0] + day < last_s - HALF_DAY_S:
            day += 2.0 * HALF_DAY_S  # midnight, by sentences without a date
        time_s = fix[0] + day
        last_s = time_s
        row = found.setdefault(round(time_s, 4), [time_s, np.nan, np.nan, np.nan])
        row[1:3] = fix[1:3]
        row[3] = fix[3] if np.isfinite(fix[3]) else row[3]
    if len(found) < 2:
        raise SessionError(
            f"{where}: {len(found)} fixes in RMC or GGA sentences, at least 2 are needed"
        )
    rows = np.array(list(found.values()), dtype=np.float64)
    if dated:
        rows = rows[rows[:, 0] >= 2.0 * HALF_DAY_S]  # those before the first date
    time_s, latitude, longitude, speed = rows[np.argsort(rows[:, 0])].T
    return Points(time_s, latitude, longitude, speed, left_out)


def _fields(line: str) -> list[str] | None:
    """Return the fields of a sentence, None where it is none or its checksum is wrong."""
    text = line.strip()
    if not text.startswith("$"):
        return None
    body, star, told = text[1:].partition("*")
    if star and told.strip().upper() != checksum(body):
        return None
    return body.split(",")


def _fix(kind: str, fields: list[str]) -> tuple[tuple[float, float, float, float], float | None]:
    """Return time of day, degrees and speed (NaN: none), and the day in seconds since 1970.

    Raises ValueError, IndexError or OverflowError where the sentence holds no fix.
    """
    at = 3 if kind == "RMC" else 2
    if (kind == "RMC" and fields[2] != "A") or (kind == "GGA" and fields[6] in ("", "0")):
        raise ValueError("no fix")
    place = (
        _degrees(fields[at], fields[at + 1], "NS", 90.0),
        _degrees(fields[at + 2], fields[at + 3], "EW", 180.0),
    )
    speed, date = np.nan, None
    if kind == "RMC":
        speed = float(fields[7]) * KNOT_MPS if fields[7] else np.nan
        date = datetime.strptime(fields[9], "%d%m%y").replace(tzinfo=UTC).timestamp()
    return (_time_of_day_s(fields[1]), *place, speed), date


def _time_of_day_s(text: str) -> float:
    parts = timedelta(hours=int(text[:2]), minutes=int(text[2:4]), seconds=float(text[4:]))
    return parts.total_seconds()


def _degrees(text: str, side: str, sides: str, most: float) -> float:
    """Return degrees from degrees and minutes run together; the second of `sides` is negative.

    Examples
    --------
    >>> _degrees("4807.038", "N", "NS", 90.0)
    48.1173
    """
    whole, dot, part = text.partition(".")
    if side not in sides or len(whole) < 3 or not side:
        raise ValueError("no place")
    degrees = int(whole[:-2]) + float(f"{whole[-2:]}{dot}{part}") / 60.0
    if not 0.0 <= degrees <= most:
        raise ValueError("no such place")
    return degrees if side == sides[0] else -degrees
