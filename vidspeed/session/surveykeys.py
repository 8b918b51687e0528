"""The keys of a survey by tape, level or satellite: tables of session.toml and CSV columns."""

from __future__ import annotations

from vidspeed.session.key import key, number, of, u_of

COURSE_KEYS = of(
    "course",
    number("length_m", "metres", "horizontal distance between the gates", "80.0",
           above=0.0, most=100e3, left_out="with tapes or gnss: follows from them"),
    u_of("length_u_m", "metres", "length_m", "0.02",
         left_out="with tapes or gnss: follows from them"),
    key("markers", "path", "the file of surveyed markers", '"markers.csv"',
        left_out="with tapes or gnss: follow from them"),
    key("covariance", "path", "covariances between the coordinates of the markers",
        '"covariance.csv"', left_out="each coordinate by itself", beside="markers"),
    key("tapes", "path", "taped slope distances, instead of markers, with levels; or beside gnss",
        '"tapes.csv"'),
    key("levels", "path", "heights of the points, beside tapes", '"levels.csv"', beside="tapes"),
    key("gnss", "path", "the points by satellite, instead of markers", '"gnss.csv"'),
    key("start_post", "text", "the point at the start gate, in tapes or gnss", '"start"',
        default="start", left_out='"start"'),
    key("finish_post", "text", "the point at the finish gate, in tapes or gnss", '"finish"',
        default="finish", left_out='"finish"'),
)  # fmt: skip

TAPE_KEYS = of(
    "tape",
    key("name", "text", "what the tape is called in the file of distances", '"steel"',
        required=True),
    u_of("scale_u_ppm", "ppm", "how far its metres are from true ones", "100.0", most=1e5,
         required=True),
)  # fmt: skip

_USE = key("use", "choice", "check: held out of the fit, only tests it", "fit",
           choices=("fit", "check"), default="fit", left_out="fit")  # fmt: skip

SURVEY_FILE_KEYS = (
    *of(
        "tapes.csv",
        key("from", "text", "the point at one end of the tape", "start", required=True),
        key("to", "text", "the point at its other end", "A1", required=True),
        number("distance_m", "metres", "the slope distance as read", "25.314", above=0.0,
               most=100e3, required=True),
        u_of("u_m", "metres", "distance_m, beside the scale of the tape", "0.005", required=True),
        key("tape", "text", "name of the tape", "steel", left_out="the only one"),
    ),
    *of(
        "levels.csv",
        key("name", "text", "the point", "A1", required=True),
        number("height_m", "metres", "its z, over the plane that heights are counted from",
               "0.35", least=-10e3, most=10e3, required=True),
        u_of("u_m", "metres", "height_m", "0.01", required=True),
        key("side", "choice", "on which side of the course it stands, seen from start to finish",
            "left", choices=("left", "right"), left_out="the distances must tell"),
        _USE,
    ),
    *of(
        "gnss.csv",
        key("name", "text", "the point", "A1", required=True),
        number("latitude_deg", "degrees", "geodetic latitude, north positive", "57.1234567",
               least=-90.0, most=90.0, required=True),
        number("longitude_deg", "degrees", "longitude, east positive", "-2.7654321",
               least=-180.0, most=360.0, required=True),
        number("height_m", "metres", "height over the ellipsoid", "71.402", least=-1e3,
               most=10e3, required=True),
        u_of("u_m", "metres", "east and north, beside a shift common to all points", "0.01",
             required=True),
        u_of("u_up_m", "metres", "height_m, beside a shift common to all points", "0.02",
             left_out="twice u_m"),
        _USE,
    ),
    *of(
        "covariance.csv",
        key("marker", "text", "one marker", "A1", required=True),
        key("axis", "choice", "which of its coordinates", "x", choices=("x", "y", "z"),
            required=True),
        key("other", "text", "the other marker, or the same one", "A2", required=True),
        key("other_axis", "choice", "which of its coordinates", "y", choices=("x", "y", "z"),
            required=True),
        number("cov_m2", "square metres", "covariance of the two, beside the common scale",
               "0.0001", required=True),
    ),
)  # fmt: skip
