"""Keys of `[[log]]`: a record made on board the craft."""

from __future__ import annotations

from vidspeed.session.key import key, of, u_of

LOG_KEYS = of(
    "log",
    key("file", "path", "the record", '"flight-1.gpx"', required=True),
    key("format", "choice", "how it is written", '"gpx"', choices=("gpx", "nmea", "csv"),
        left_out="what the file's name ends with"),
    key("passes", "text", "labels of the passes in it, in their order", '["1"]', count=0,
        left_out="all of the session"),
    u_of("speed_u_mps", "m/s", "one of its speeds", "0.3", default=0.3, left_out="0.3"),
    key("time_column", "text", "csv: the column of its times", '"time_s"', left_out="time_s"),
    key("time_unit", "choice", "csv: the unit of its times", '"ms"', choices=("s", "ms", "us"),
        default="s", left_out="s"),
    key("speed_column", "text", "csv: the column of its speeds over ground", '"gps_speed"'),
    key("speed_unit", "choice", "csv: the unit of its speeds", '"kmh"',
        choices=("mps", "kmh", "kn", "mph"), default="mps", left_out="mps"),
    key("latitude_column", "text", "csv: the column of its latitudes, degrees", '"lat"',
        beside="longitude_column"),
    key("longitude_column", "text", "csv: the column of its longitudes, degrees", '"lon"',
        beside="latitude_column"),
)  # fmt: skip
