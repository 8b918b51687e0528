"""Read `[[log]]`: a record made on board, as GPX, NMEA 0183 or CSV with named columns."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import PurePosixPath
from typing import Any

import numpy as np

from vidspeed.errors import SessionError
from vidspeed.session.cells import read_columns
from vidspeed.session.check import Faults, Refused, Taken, shown
from vidspeed.session.gpx import Points, read_gpx
from vidspeed.session.key import Key, number
from vidspeed.session.nmea import read_nmea
from vidspeed.session.paths import Files
from vidspeed.values import Floats, Onboard

SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
SPEEDS = {"mps": 1.0, "kmh": 1.0 / 3.6, "kn": 1852.0 / 3600.0, "mph": 1609.344 / 3600.0}
FORMATS = {".gpx": "gpx", ".nmea": "nmea", ".csv": "csv"}
EARTH_M = 6_371_008.8  # mean radius (IUGG)
USUAL_SPEED_U_MPS = 0.3
MOST_MPS = 3000.0  # what is faster is no speed of anything that flies near the ground
MOST_DEG = {"latitude": 90.0, "longitude": 360.0}  # some count eastward all the way round
DATED_S = 1e8  # since 1970: an earlier time counts from somewhere else, and is no time of day


def take_logs(tables: Sequence[Taken], files: Files, faults: Faults) -> tuple[Onboard, ...]:
    """Read the record that each table names."""
    found = []
    for place, taken in enumerate(tables):
        where = f"session.toml: log {place + 1}"
        try:
            if "file" in taken.values:
                found.append(_read(taken, files))
        except Refused as refusal:
            faults.add(where, f"file {refusal}")
        except SessionError as error:
            faults.messages.extend(error.messages)
    return tuple(found)


def _read(taken: Taken, files: Files) -> Onboard:
    values = taken.values
    file = str(values["file"])
    way = values.get("format") or FORMATS.get(PurePosixPath(file).suffix.lower())
    if way is None:
        raise SessionError(
            f"session.toml: log {shown(file)}: format is left out, and the file's name does not "
            f'say; write format = "gpx", "nmea" or "csv"'
        )
    data = files.read(file)
    if way == "csv":
        points = _csv(data, file, values)
    else:
        points = read_gpx(data, file) if way == "gpx" else read_nmea(data, file)
    return as_record(points, file, values, clock=way != "csv" and bool(points.time_s[0] > DATED_S))


def as_record(points: Points, file: str, values: dict[str, Any], *, clock: bool) -> Onboard:
    """Return the points of a file as a record, in order of time; repeated times are left out."""
    order = np.argsort(points.time_s, kind="stable")
    order = order[np.concatenate([[True], np.diff(points.time_s[order]) > 1e-6])]
    time_s, speed = points.time_s[order], points.speed_mps[order]
    speed = np.where(np.abs(speed) <= MOST_MPS, speed, np.nan)
    placed = np.isfinite(points.latitude_deg[order]) & np.isfinite(points.longitude_deg[order])
    some_speeds = np.isfinite(speed).mean() > 0.5
    if not some_speeds and placed.sum() < 2:
        raise SessionError(f"{file}: neither speeds nor places in it; one of them is needed")
    kept = np.isfinite(speed) if some_speeds else placed
    with_places = placed[kept].all()
    east, north = _plane(points.latitude_deg[order][kept], points.longitude_deg[order][kept])
    left_out = points.left_out + int((~kept).sum())
    return Onboard(
        file=file,
        time_s=time_s[kept],
        speed_mps=np.abs(speed[kept]) if some_speeds else None,
        east_m=east if with_places else None,
        north_m=north if with_places else None,
        speed_u_mps=float(values.get("speed_u_mps", USUAL_SPEED_U_MPS)),
        clock=clock,
        passes=tuple(values.get("passes", ())),
        notes=(f"{left_out} rows without a fix were left out",) if left_out else (),
    )


def _plane(latitude_deg: Floats, longitude_deg: Floats) -> tuple[Floats, Floats]:
    """Return metres east and north (n,) of the first point; exact enough over a few kilometres."""
    north = np.radians(latitude_deg - latitude_deg[0]) * EARTH_M
    east = np.radians(longitude_deg - longitude_deg[0]) * EARTH_M
    return np.asarray(east * np.cos(np.radians(latitude_deg[0]))), np.asarray(north)


def _csv(data: bytes, where: str, values: dict[str, Any]) -> Points:
    """Return the named columns of a CSV file, in seconds, m/s and degrees."""
    keys = _columns(values)
    if "speed" not in keys and not {"latitude", "longitude"} <= keys.keys():
        raise SessionError(
            f"session.toml: log {shown(where)}: name speed_column, or latitude_column and "
            "longitude_column"
        )
    rows = read_columns(data, where, {each.name: each for each in keys.values()})
    if len(rows) < 2:
        raise SessionError(f"{where}: {len(rows)} rows, at least 2 are needed")

    def column(what: str, scale: float = 1.0) -> Floats:
        if what not in keys:
            return np.full(len(rows), np.nan)
        found = [row.values[keys[what].name] for row in rows]
        return scale * np.array([np.nan if each is None else each for each in found], np.float64)

    time_s = column("time", SECONDS[values.get("time_unit", "s")])
    for (before, after), row in zip(pairwise(time_s), rows[1:], strict=True):
        if after < before:
            raise SessionError(
                f"{where}: row {row.number}: its time is before that of the row before; sort the "
                "rows by time"
            )
    return Points(
        time_s,
        column("latitude"),
        column("longitude"),
        column("speed", SPEEDS[values.get("speed_unit", "mps")]),
    )


def _columns(values: dict[str, Any]) -> dict[str, Key]:
    """Return the columns that are asked for, by what they hold."""
    found = {}
    for what in ("time", "speed", "latitude", "longitude"):
        name = values.get(f"{what}_column", "time_s" if what == "time" else None)
        if name is not None:
            plain = str(name).strip().casefold()
            most = MOST_DEG.get(what)
            least = None if most is None else -most
            found[what] = number(
                plain, "", what, "12.5", required=what == "time", least=least, most=most
            )
    return found


def check_logs(logs: Sequence[Taken], clips: Sequence[Taken], faults: Faults) -> None:
    """Check that each log names passes that clips have, where it names any."""
    labels = {str(clip.values["pass"]) for clip in clips if "pass" in clip.values}
    for place, taken in enumerate(logs):
        for label in taken.values.get("passes", ()):
            if labels and str(label) not in labels:
                known = ", ".join(shown(each) for each in sorted(labels))
                faults.add(
                    f"session.toml: log {place + 1}",
                    f"passes names {shown(label)}, which is the pass of no clip; there are {known}",
                )
