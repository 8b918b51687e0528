"""Every key of a session, once: the reader, `vidspeed new` and the messages are made from this.

A key is described in the words and the unit in which it is written. Adding a key here makes it
known to the reader and shows it in a new session; `read.py` then decides what it means.
"""

from __future__ import annotations

from vidspeed.session.filekeys import FILE_KEYS
from vidspeed.session.key import Key, Table, key, number, of, u_of
from vidspeed.session.logkeys import LOG_KEYS
from vidspeed.session.plankeys import PLANNED_KEYS
from vidspeed.session.surveykeys import COURSE_KEYS, SURVEY_FILE_KEYS, TAPE_KEYS

__all__ = [
    "FILE_KEYS",
    "KEYS",
    "SESSION_KEYS",
    "TABLES",
    "TOP",
    "Key",
    "Table",
    "keys_of",
]

TOP = ""

TABLES = (
    Table(name="course", meaning="the measured straight line between the two gates", required=True),
    Table(name="tape", meaning="one tape that the course was measured with", many=True),
    Table(
        name="flight_line",
        meaning="what is known of the path beforehand; with several cameras it may be left out",
    ),
    Table(name="air", meaning="the air over the course"),
    Table(name="craft", meaning="the craft and its lamp"),
    Table(
        name="camera",
        meaning="one fixed position of one camera with one lens setting; moved or re-zoomed: "
        "a new entry",
        many=True,
        required=True,
    ),
    Table(name="clip", meaning="one recorded clip; none is needed to calibrate", many=True),
    Table(name="sync", meaning="one event seen or heard in several clips", many=True),
    Table(
        name="proof",
        meaning="a lamp held still at a surveyed place on the flight line, or driven along it with "
        "a log, to prove the course by",
        many=True,
    ),
    Table(name="log", meaning="a record made on board the craft", many=True),
    Table(name="mark", meaning="the rules of the mark, and the earlier figure to be beaten"),
)

SESSION_KEYS = (
    *of(
        TOP,
        key("title", "text", "what this session is called", '"Evening passes"', left_out="folder"),
        key("date", "date", "the day of the session", "2026-09-12"),
        key("place", "text", "where the course is", '"Low Moor airstrip"'),
        key("timezone", "text", "IANA name, for times without an offset", '"Europe/London"'),
        number(
            "wanted_U95_percent",
            "percent",
            "calibrate says ready when the forecast U95 of a pass is at most this",
            "1.0",
            above=0.0,
            most=100.0,
            default=1.0,
            left_out="1",
        ),
        key("use_sound", "yes or no", "closest distance and speed by the clips' sound are "
            "observations of each pass, not only compared with it", "true", default=False,
            left_out="false"),
    ),
    *COURSE_KEYS,
    *TAPE_KEYS,
    *of(
        "flight_line",
        number("offset_m", "metres", "mean y of the path, left of the course positive", "0.0"),
        u_of("offset_u_m", "metres", "offset_m, of one pass", "0.5"),
        number("height_m", "metres", "mean z of the path", "4.0"),
        u_of("height_u_m", "metres", "height_m, of one pass", "3.0"),
        u_of("drift_u_m", "metres", "y at the finish less y at the start", "0.5",
             left_out="offset_u_m"),
        u_of("climb_u_m", "metres", "z at the finish less z at the start", "3.0",
             left_out="height_u_m"),
        number("weave_u_m", "metres", "RMS of y and of z about the smooth path", "0.02",
               least=0.0, default=0.02, left_out="0.02"),
        u_of("accel_u_mps2", "m/s²", "the acceleration along x, y, z", "[10.0, 3.0, 3.0]",
             count=3, default=(10.0, 3.0, 3.0), left_out="[10, 3, 3]"),
        u_of("offset_shared_u_m", "metres", "the part of offset_m common to all passes", "0.1",
             left_out="the split is unknown: the worse of both is taken", beside="offset_u_m"),
        u_of("height_shared_u_m", "metres", "the part of height_m common to all passes", "0.1",
             left_out="the split is unknown: the worse of both is taken", beside="height_u_m"),
    ),
    *of(
        "air",
        number("temperature_c", "°C", "temperature of the air", "14.0", least=-60.0, most=60.0),
        u_of("temperature_u_c", "°C", "temperature_c", "1.0", default=2.0, left_out="2",
             beside="temperature_c"),
        number("pressure_hpa", "hPa", "pressure at the course, not reduced to sea level",
               "1009.0", least=300.0, most=1100.0),
        u_of("pressure_u_hpa", "hPa", "pressure_hpa", "1.0", default=3.0, left_out="3",
             beside="pressure_hpa"),
        number("humidity_pct", "percent", "relative humidity", "60.0", least=0.0, most=100.0),
        u_of("humidity_u_pct", "percent", "humidity_pct", "5.0", default=15.0, left_out="15",
             beside="humidity_pct"),
        number("wind_along_mps", "m/s", "wind from start to finish positive", "1.5",
               least=-60.0, most=60.0, default=0.0, left_out="0"),
        u_of("wind_u_mps", "m/s", "wind_along_mps", "1.0", default=4.0, left_out="4"),
    ),
    *of(
        "craft",
        key("name", "text", "what the craft is called", '"Skein 2"'),
        number("speed_kmh", "km/h", "passes outside this range are not taken for the craft",
               "[150.0, 600.0]", least=0.0, most=5000.0, count=2, default=(150.0, 600.0),
               left_out="[150, 600]"),
        number("expected_kmh", "km/h", "the speed that forecasts are made for", "400.0",
               above=0.0, most=5000.0, left_out="the middle of speed_kmh"),
        u_of("lamp_u_m", "metres", "where the light sits beside the point that is followed",
             "0.02", default=0.0, left_out="0"),
    ),
    *of(
        "camera",
        key("name", "text", "what the camera is called", '"north"', required=True),
        key("image_size_px", "whole", "width and height of its clips as shown", "[1920, 1080]",
            unit="pixels", above=0.0, most=65536.0, count=2, required=True),
        key("picks", "path", "the file of where its markers are seen", '"picks-north.csv"'),
        key("lens", "path", "a lens file, instead of focal_px to k1_u; or OpenCV's .yml or .xml",
            '"lens-north.json"'),
        number("lens_scale", "", "the picture is the whole one of the lens file, this many times "
               "as large, nothing cropped", "0.5", above=0.0, most=100.0, left_out="1",
               beside="lens"),
        key("lens_focus", "choice", "near: the chart was filmed with another focus than the "
            "field, so that the focal length is known to 2 % only", '"near"',
            choices=("near", "field"), left_out="what the lens file says", beside="lens"),
        number("focal_px", "pixels", "focal length", "1480.0", above=0.0, most=1e6,
               left_out="free: the markers must carry it"),
        u_of("focal_u_px", "pixels", "focal_px, or of the focal length in OpenCV's file", "15.0",
             left_out="3 %"),
        number("centre_px", "pixels", "where the lens axis meets the picture", "[959.5, 539.5]",
               least=-65536.0, most=65536.0, count=2, left_out="the middle of the picture"),
        u_of("centre_u_px", "pixels", "each of centre_px", "10.0", left_out="2 % of the width"),
        number("k1", "", "radial distortion", "0.0", least=-10.0, most=10.0, default=0.0,
               left_out="0"),
        u_of("k1_u", "", "k1", "0.01", default=0.1, left_out="0.1"),
        number("readout_ms", "milliseconds",
               "rolling shutter: time from the first row to the last; 0 for a global shutter",
               "12.0", least=0.0, most=1000.0,
               left_out="anything from 0 to the frame interval, at most 35 ms"),
        u_of("readout_u_ms", "milliseconds", "readout_ms", "3.0",
             left_out="a quarter of readout_ms", beside="readout_ms"),
        number("sound_late_ms", "milliseconds", "by how much the sound of its clips is behind the "
               "picture, as vidspeed clock says", "12.0", least=-1000.0, most=1000.0,
               beside="sound_late_u_ms"),
        u_of("sound_late_u_ms", "milliseconds", "sound_late_ms", "3.0", beside="sound_late_ms",
             left_out="not known"),
        key("clock", "path", "a clock file, instead of clock_u_ppm; its readout_ms holds too",
            '"clock-north.toml"'),
        u_of("clock_u_ppm", "ppm", "the rate of the camera's clock", "50.0", default=100.0,
             most=1e5, left_out="100"),
        key("reference", "path", "a frame of the calibrated view, not a photograph",
            '"still-north.png"'),
        number("position_m", "metres", "where the lens stands, by tape: x, y, z",
               "[40.0, -60.0, 1.7]", count=3, beside="position_u_m"),
        number("position_u_m", "metres", "standard uncertainty of each of position_m", "0.1",
               above=0.0, beside="position_m"),
        number("rate_hz", "Hz", "frames a second it will film at, for forecasts", "60.0",
               above=0.0, most=1e6, left_out="what its clips say"),
        key("planned", "table", "instead of picks, for vidspeed plan: where it will stand, what "
            "it will look at", "{position_m = [40.0, -60.0, 1.7]}"),
    ),
    *PLANNED_KEYS,
    *of(
        "clip",
        key("file", "path", "the clip", '"clips/pass-1.mp4"'),
        key("camera", "text", "name of the camera that recorded it", '"north"', required=True),
        key("flight", "text", "label of the flight", '"1"'),
        key("pass", "text",
            "label of the one pass it holds; clips with one label are one pass, solved together "
            "(of one flight: where several use a label, pass 2 of flight 3 is called 3-2)",
            '"1"'),
        number("rate_hz", "Hz", "true capture rate of a clip stored for slow playback", "240.0",
               above=0.0, most=1e6, left_out="the time stamps of the file"),
        number("exposure_ms", "milliseconds", "exposure of a frame", "2.0", above=0.0,
               most=10e3, left_out="anything from 0 to one frame interval"),
        u_of("exposure_u_ms", "milliseconds", "exposure_ms", "0.2",
             left_out="a tenth of exposure_ms", beside="exposure_ms"),
        key("recorded", "moment", "when the clip began", "2026-09-12T21:40:05+01:00"),
        key("setup", "text", "label of the craft's configuration", '"tail 3"'),
        key("expect", "choice", "a clip that should hold no pass", '"none"', choices=("none",)),
        key("choose", "tables", "lights that belong to the craft",
            "[{time_s = 1.52, x_px = 812.0, y_px = 440.0}]"),
        key("dismiss", "tables", "false lights that the solution leaves out; the report says so",
            "[{time_s = 1.54, x_px = 836.0, y_px = 97.0}]"),
        key("track", "path", "positions measured before, in the columns of track.csv",
            '"hand/pass-1.csv"'),
        key("heard", "path", "what was heard before, as results keep it: then its sound is not "
            "listened to", '"results/north-pass-1/heard.json"'),
    ),
    *of(
        "clip.choose",
        number("time_s", "seconds", "time of the frame in the clip", "1.52", required=True),
        number("x_px", "pixels", "where the light is, to the right", "812.0", required=True),
        number("y_px", "pixels", "where the light is, downwards", "440.0", required=True),
    ),
    *of(
        "clip.dismiss",
        number("time_s", "seconds", "time of the frame in the clip", "1.52", required=True),
        number("x_px", "pixels", "where the light is, to the right", "812.0", required=True),
        number("y_px", "pixels", "where the light is, downwards", "440.0", required=True),
    ),
    *of(
        "sync",
        key("clips", "text", "the clips, two or more, as [[clip]] names them",
            '["clips/a.mp4", "clips/b.mp4"]', count=0, required=True),
        number("time_s", "seconds", "when the event is in each of them", "[0.512, 3.871]",
               count=0, required=True),
        number("time_u_s", "seconds", "standard uncertainty of each time", "[0.001, 0.001]",
               above=0.0, count=0, required=True),
        key("kind", "choice", "how it was noticed; sound is allowed its way through the air",
            '"flash"', choices=("flash", "sound"), default="flash", left_out='"flash"'),
    ),
    *of(
        "proof",
        key("clip", "text", "the clip that shows the lamp, as [[clip]] names it",
            '"clips/pole-1.mp4"', required=True),
        number("x_m", "metres", "where the lamp is held, along the course; needed unless it drives",
               "10.0"),
        number("y_m", "metres", "to the left, seen from start to finish", "0.0", required=True),
        number("z_m", "metres", "up: at flying height", "4.0", required=True),
        u_of("u_m", "metres", "each of these", "0.02", required=True),
        key("kind", "choice", "still: the lamp is held still there; drive: a car, bicycle or cart "
            "carries it along the course at y_m and z_m", '"still"', choices=("still", "drive"),
            default="still", left_out='"still"'),
        key("log", "path", "of a drive: time_s and x_m, or time_s and speed_mps; two rows will do, "
            "the times at both gates", '"logs/cart.csv"'),
        u_of("log_u_percent", "percent", "the log's speeds, what all its rows have in common",
             "0.3", most=100.0, default=0.0, left_out="0", beside="log"),
        number("time_s", "seconds", "when it was held there", "3.5",
               left_out="all the time that the clip runs"),
        number("x_px", "pixels", "which light it is, to the right", "812.0", beside="y_px",
               left_out="the one light that is near enough"),
        number("y_px", "pixels", "which light it is, downwards", "440.0", beside="x_px",
               left_out="the one light that is near enough"),
    ),
    *LOG_KEYS,
    *of(
        "mark",
        number("earlier_kmh", "km/h", "the earlier figure", "412.0", above=0.0, most=5000.0),
        u_of("earlier_u_kmh", "km/h", "earlier_kmh", "1.5", default=0.0, left_out="0",
             beside="earlier_kmh"),
        number("margin_percent", "percent", "by how much the earlier figure must be beaten",
               "1.0", least=0.0, most=100.0, default=0.0, left_out="0"),
        key("passes", "text", "labels of the passes that count", '["1", "2"]', count=0,
            left_out="all"),
        key("setup", "text", "only passes of this setup count", '"tail 3"', left_out="any"),
        key("flights", "choice", "whether both passes must be of one flight, or of two",
            '"same"', choices=("any", "same", "different"), default="any", left_out='"any"'),
        number("within_min", "minutes", "time allowed from entering the course in the first of the "
               "two passes to leaving it in the second", "30.0", above=0.0, most=1e6,
               left_out="any"),
        number("height_m", "metres", "window of height at both gates: lowest, highest",
               "[1.5, 20.0]", least=-1000.0, most=10000.0, count=2, left_out="any"),
        number("most_dive_m", "metres", "most height that may be lost on the way to the first gate",
               "2.0", least=0.0, most=10000.0, left_out="any"),
        number("approach_m", "metres", "how far before the first gate most_dive_m holds", "50.0",
               above=0.0, most=10000.0, left_out="as far as was seen", beside="most_dive_m"),
        number("most_wind_mps", "m/s", "most wind along the course", "3.0", above=0.0, most=60.0,
               left_out="any"),
        number("density_kgm3", "kg/m³", "state the mark also as in air of this density; needs "
               "temperature_c and pressure_hpa of the air", "1.225", least=0.3, most=2.0,
               left_out="not worked out"),
    ),
)  # fmt: skip

KEYS = SESSION_KEYS + FILE_KEYS + SURVEY_FILE_KEYS


def keys_of(table: str) -> dict[str, Key]:
    """Return the keys of one table by name, in the order of writing.

    Examples
    --------
    >>> list(keys_of("mark"))[:3]
    ['earlier_kmh', 'earlier_u_kmh', 'margin_percent']
    """
    return {each.name: each for each in KEYS if each.table == table}
