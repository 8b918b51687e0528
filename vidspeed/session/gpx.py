"""Tracks in GPX 1.1 (Topografix, schema http://www.topografix.com/GPX/1/1): points with times.

A `trkpt` has `lat` and `lon` in degrees (WGS 84) and a `time` by ISO 8601 in UTC. The schema has
no speed; extensions of some writers have an element of that name, in metres a second.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import NamedTuple
from xml.etree import ElementTree

import numpy as np

from vidspeed.errors import SessionError
from vidspeed.values import Floats


class Points(NamedTuple):
    """Rows of a record: times (n,) in seconds, degrees (n,) or NaN, speeds (n,) m/s or NaN."""

    time_s: Floats
    latitude_deg: Floats
    longitude_deg: Floats
    speed_mps: Floats
    left_out: int = 0


def read_gpx(data: bytes, where: str) -> Points:
    """Return the track points of a GPX file that have a time.

    Raises
    ------
    SessionError
        Where the file is no GPX, or has no track points with times.
    """
    parser = ElementTree.XMLParser(target=_Typeless())  # in whatever code the file is written
    try:
        root = ElementTree.fromstring(data, parser)
    except ElementTree.ParseError as error:
        raise SessionError(f"{where}: cannot be read as GPX: {error}; export it again") from None
    if _plain(root.tag) != "gpx":
        raise SessionError(f"{where}: begins with <{_plain(root.tag)}>, <gpx> is needed")
    rows, left_out = [], 0
    for point in root.iterfind("./{*}trk/{*}trkseg/{*}trkpt"):  # none within another
        row = _row(point)
        if row is None:
            left_out += 1
        else:
            rows.append(row)
    if len(rows) < 2:
        raise SessionError(
            f"{where}: {len(rows)} track points with place and time, at least 2 are needed; "
            "export the track, not a route or waypoints"
        )
    time_s, latitude, longitude, speed = np.array(rows, dtype=np.float64).T
    return Points(time_s, latitude, longitude, speed, left_out)


class _Typeless(ElementTree.TreeBuilder):
    """Builds the tree of a document without a type: with one comes text that swells."""

    def doctype(self, name: str, pubid: str | None, system: str | None) -> None:
        """Refuse the type as soon as it is declared."""
        raise ElementTree.ParseError("it declares a document type, and GPX has none")


def _plain(tag: str) -> str:
    """Return an element's name without its namespace."""
    return str(tag).rpartition("}")[2]


def _row(point: ElementTree.Element) -> tuple[float, float, float, float] | None:
    """Return time, latitude, longitude and speed of a point, None where one cannot be read."""
    texts = {_plain(each.tag): (each.text or "").strip() for each in point.iter()}
    try:
        time_s = moment_s(texts["time"])
        place = float(point.attrib["lat"]), float(point.attrib["lon"])
    except (KeyError, ValueError):
        return None
    try:
        speed = float(texts.get("speed", "nan"))
    except ValueError:
        speed = np.nan
    good = np.all(np.isfinite([time_s, *place])) and abs(place[0]) <= 90.0
    return (time_s, *place, speed) if good else None


def moment_s(text: str) -> float:
    """Return a time by ISO 8601 as seconds since 1970; one without an offset is UTC.

    Examples
    --------
    >>> moment_s("1970-01-01T00:01:00.25Z")
    60.25
    """
    moment = datetime.fromisoformat(text)
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
