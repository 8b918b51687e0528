"""Records made on board, as the formats' own descriptions have them.

GPX 1.1: the schema http://www.topografix.com/GPX/1/1/gpx.xsd (trkpt with lat, lon, ele, time);
written from memory of it. NMEA 0183: the RMC and GGA sentences of fixes near Munich with which the
sentences are described in wide circulation, checksums as printed there; from memory.
"""

import math
from datetime import UTC, datetime

import numpy as np
import pytest

from vidspeed.errors import SessionError
from vidspeed.session.gpx import read_gpx
from vidspeed.session.nmea import checksum, read_nmea
from vidspeed.session.onboard import EARTH_M, as_record

GPX = b"""<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" creator="a recorder" xmlns="http://www.topografix.com/GPX/1/1"
 xmlns:x="http://example.org/extension/1">
 <metadata><time>2026-09-12T20:40:00Z</time></metadata>
 <trk><name>flight 1</name><trkseg>
  <trkpt lat="54.0000000" lon="-2.0000000"><ele>4.0</ele><time>2026-09-12T20:40:05Z</time></trkpt>
  <trkpt lat="54.0008993" lon="-2.0000000"><ele>4.1</ele><time>2026-09-12T20:40:06.000Z</time>
   <extensions><x:speed>99.5</x:speed></extensions></trkpt>
  <trkpt lat="54.0017986" lon="-2.0000000"><time>2026-09-12T22:40:07+02:00</time></trkpt>
  <trkpt lat="54.0020000" lon="-2.0000000"></trkpt>
 </trkseg></trk>
</gpx>
"""
RMC = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"
GGA = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"


def test_gpx_points_with_times():
    points = read_gpx(GPX, "flight.gpx")
    begin = datetime(2026, 9, 12, 20, 40, 5, tzinfo=UTC).timestamp()
    assert points.time_s == pytest.approx(begin + np.arange(3.0))
    assert points.left_out == 1
    assert np.isnan(points.speed_mps).tolist() == [True, False, True]
    record = as_record(points, "flight.gpx", {}, clock=True)
    assert record.speed_mps is None  # most points have none, so places decide
    step_m = EARTH_M * math.radians(0.0008993)
    assert np.diff(record.north_m) == pytest.approx([step_m, step_m], rel=1e-6)
    assert step_m == pytest.approx(100.0, abs=0.1)


def test_nmea_sentences_as_described():
    assert checksum(RMC[1:-3]) == "6A"
    assert checksum(GGA[1:-3]) == "47"
    later = "$GPRMC,123520,A,4807.038,N,01131.010,E,022.4,084.4,230394,003.1,W"
    later += f"*{checksum(later[1:])}"
    spoilt = RMC.replace("022.4", "922.4")
    lost = "$GPRMC,123521,V,,,,,,,230394,,"
    points = read_nmea("\r\n".join([RMC, GGA, later, spoilt, lost, "noise"]).encode(), "a.nmea")
    assert points.time_s[0] == datetime(1994, 3, 23, 12, 35, 19, tzinfo=UTC).timestamp()
    assert np.diff(points.time_s) == pytest.approx([1.0])
    assert points.latitude_deg[0] == pytest.approx(48.0 + 7.038 / 60.0)
    assert points.longitude_deg[0] == pytest.approx(11.0 + 31.0 / 60.0)
    assert points.speed_mps[0] == pytest.approx(22.4 * 1852.0 / 3600.0)
    assert points.left_out == 2  # a wrong checksum, and no fix


def test_nmea_places_alone_pass_midnight():
    rows = []
    for time, minutes in (
        ("235959.50", "07.0000"),
        ("000000.50", "07.0540"),
        ("000001.50", "07.108"),
    ):
        body = f"GNGGA,{time},48{minutes},S,01131.000,W,1,08,0.9,545.4,M,46.9,M,,"
        rows.append(f"${body}*{checksum(body)}")
    points = read_nmea("\n".join(rows).encode(), "a.nmea")
    assert np.diff(points.time_s) == pytest.approx([1.0, 1.0])
    assert (points.latitude_deg < 0).all() and (points.longitude_deg < 0).all()
    assert np.isnan(points.speed_mps).all()


@pytest.mark.parametrize("data", [b"", b"<gpx", b"<kml></kml>", b"<gpx></gpx>"])
def test_what_is_no_gpx_is_refused(data):
    with pytest.raises(SessionError, match=r"flight\.gpx"):
        read_gpx(data, "flight.gpx")


def test_what_has_no_fix_is_refused():
    with pytest.raises(SessionError, match="0 fixes"):
        read_nmea(b"hello\n$GPGSV,1,1\n", "a.nmea")


@pytest.mark.parametrize("code", ["utf-8", "utf-16"])
def test_a_gpx_with_a_document_type_is_refused_in_whatever_code_it_is_written(code):
    head, _, body = GPX.decode("utf-8").partition("\n")
    text = f'{head.replace("UTF-8", code)}<!DOCTYPE gpx [<!ENTITY a "b">]>{body}'
    with pytest.raises(SessionError, match="declares a document type"):
        read_gpx(text.encode(code), "flight.gpx")


def test_points_within_points_are_read_once():
    """Each read with all that is within it would take a day for a file that can be sent."""
    deep = b'<trkpt lat="54" lon="-2">' * 20_000 + b"</trkpt>" * 20_000
    points = read_gpx(GPX.replace(b"</trkseg>", deep + b"</trkseg>"), "flight.gpx")
    assert (len(points.time_s), points.left_out) == (3, 2)


@pytest.mark.parametrize(
    "spoilt",
    [
        GGA.replace("123519", "12351e300"),  # a time longer than any day
        GGA.replace("123519", "1235inf"),
        GGA.replace("4807.038", "9907.038"),  # beyond the pole
        GGA.replace("01131.000", "18131.000"),
        GGA.replace("4807.038", "481e400.0"),
    ],
)
def test_a_sentence_with_a_time_or_a_place_that_cannot_be_is_left_out(spoilt):
    good = [RMC, RMC.replace("123519", "123520")]
    lines = [line.partition("*")[0] for line in (*good, spoilt)]
    points = read_nmea("\n".join(lines).encode(), "a.nmea")
    assert (len(points.time_s), points.left_out) == (2, 1)
