from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from vidspeed.session.read import read_session

from .good import MARKERS, PICKS, SESSION, faults, write

CAMERA = SESSION[SESSION.index("[[camera]]") : SESSION.index("[[clip]]")]
CLIP = SESSION[SESSION.index("[[clip]]") :]
OF_NORTH = 'camera = "north"'
SOUTH = CAMERA.replace('"north"', '"south"').replace("picks-north", "picks-south")


def two_cameras(folder: Path, session: str) -> Path:
    write(folder, session)
    (folder / "picks-south.csv").write_text(PICKS, encoding="utf-8")
    return folder


# --- what a good session gives -------------------------------------------------------------


def test_a_full_session_becomes_values_in_si_units(tmp_path: Path) -> None:
    text = SESSION.replace(
        "[[camera]]",
        """
drift_u_m = 0.4
climb_u_m = 0.3
weave_u_m = 0.01
accel_u_mps2 = [5, 2, 1]
offset_shared_u_m = 0.1
height_shared_u_m = 0.2
[air]
temperature_c = 14
temperature_u_c = 1
pressure_hpa = 1009.0
pressure_u_hpa = 2
humidity_pct = 60.0
humidity_u_pct = 5
wind_along_mps = -1.5
wind_u_mps = 1
[craft]
name = "Skein 2"
speed_kmh = [180, 540]
expected_kmh = 396
lamp_u_m = 0.02
[mark]
earlier_kmh = 360
earlier_u_kmh = 1.8
margin_percent = 1
[[camera]]
reference = "still.png"
position_m = [40, -60, 1.7]
position_u_m = 0.1
rate_hz = 60
""",
    )
    text = 'timezone = "Europe/London"\nwanted_U95_percent = 0.5\n' + text
    text += """\
flight = "1"
pass = "2"
rate_hz = 240.0
exposure_ms = 2.0
exposure_u_ms = 0.2
recorded = 2026-09-12T21:40:05
setup = "tail 3"
choose = [{time_s = 1.52, x_px = 812.0, y_px = 440}]
track = "hand/pass-1.csv"
[[clip]]
file = "clips/pass-2.mp4"
camera = "north"
expect = "none"
recorded = 2026-09-12T21:50:05+02:00
[[sync]]
clips = ["clips/pass-1.mp4", "./clips/pass-2.mp4"]
time_s = [0.512, 3.871]
time_u_s = [0.001, 0.002]
kind = "sound"
"""
    folder = write(tmp_path / "s", text)
    (folder / "still.png").write_bytes(b"picture")
    session = read_session(folder)

    assert (session.title, session.date, session.place) == (
        "Evening passes",
        date(2026, 9, 12),
        "Low Moor airstrip",
    )
    assert (session.timezone, session.wanted_U95_percent) == ("Europe/London", 0.5)
    assert (session.course.length_m, session.course.length_u_m) == (80.0, 0.02)
    line = session.flight_line
    assert line.stated and line.assumed == frozenset()
    assert (line.offset_m, line.offset_u_m, line.height_m, line.height_u_m) == (0.0, 0.5, 4.0, 3.0)
    assert (line.drift_u_m, line.climb_u_m, line.weave_u_m) == (0.4, 0.3, 0.01)
    assert line.accel_u_mps2.tolist() == [5.0, 2.0, 1.0]
    assert (line.offset_shared_u_m, line.height_shared_u_m) == (0.1, 0.2)
    air = session.air
    assert air is not None and air.assumed == frozenset()
    assert (air.temperature_c, air.temperature_u_c) == (14.0, 1.0)
    assert (air.pressure_hpa, air.pressure_u_hpa) == (1009.0, 2.0)
    assert (air.humidity_pct, air.humidity_u_pct) == (60.0, 5.0)
    assert (air.wind_along_mps, air.wind_u_mps) == (-1.5, 1.0)
    craft = session.craft
    assert craft.name == "Skein 2" and craft.assumed == frozenset()
    assert craft.speed_mps == pytest.approx((50.0, 150.0), abs=1e-12)
    assert (craft.expected_mps, craft.lamp_u_m) == (pytest.approx(110.0, abs=1e-12), 0.02)
    assert session.mark is not None
    assert session.mark.earlier_mps == pytest.approx(100.0, abs=1e-12)
    assert session.mark.earlier_u_mps == pytest.approx(0.5, abs=1e-12)
    assert session.mark.margin_percent == 1.0
    camera = session.camera("north")
    assert (camera.readout_s, camera.readout_u_s, camera.clock_u_ppm) == (0.012, 0.003, 50.0)
    assert (camera.reference, camera.rate_hz, camera.assumed) == ("still.png", 60.0, frozenset())
    assert camera.position_m is not None and camera.position_m.tolist() == [40.0, -60.0, 1.7]
    assert camera.position_u_m == 0.1
    first, second = session.clips
    assert (first.file, first.camera, first.flight, first.pass_label, first.setup) == (
        "clips/pass-1.mp4",
        "north",
        "1",
        "2",
        "tail 3",
    )
    assert (first.rate_hz, first.exposure_s, first.exposure_u_s) == (240.0, 0.002, 0.0002)
    assert (first.track, first.expect_none) == ("hand/pass-1.csv", False)
    assert first.recorded == datetime(2026, 9, 12, 21, 40, 5, tzinfo=ZoneInfo("Europe/London"))
    assert first.choose[0].time_s == 1.52 and first.choose[0].xy_px.tolist() == [812.0, 440.0]
    assert second.expect_none and second.recorded is not None
    assert second.recorded.utcoffset() == timedelta(hours=2)
    assert second.recorded.astimezone(UTC).hour == 19
    sync = session.syncs[0]
    assert sync.clips == ("clips/pass-1.mp4", "clips/pass-2.mp4") and sync.kind == "sound"
    assert (sync.time_s.tolist(), sync.time_u_s.tolist()) == ([0.512, 3.871], [0.001, 0.002])


def test_what_is_left_out_is_taken_as_the_contract_says(tmp_path: Path) -> None:
    kept = ("[[camera]]", "name", "image_size_px", "picks")
    bare = "".join(line for line in CAMERA.splitlines(keepends=True) if line.startswith(kept))
    text = SESSION[SESSION.index("[course]") :].replace(CAMERA, bare)
    session = read_session(write(tmp_path / "evening", text))

    assert (session.title, session.date, session.place) == ("evening", None, None)
    assert session.wanted_U95_percent == 1.0
    assert session.air is None and session.mark is None and session.syncs == ()
    line = session.flight_line
    assert (line.drift_u_m, line.climb_u_m, line.weave_u_m) == (0.5, 3.0, 0.02)
    assert line.accel_u_mps2.tolist() == [10.0, 3.0, 3.0]
    assert line.assumed == {"drift_u_m", "climb_u_m", "weave_u_m", "accel_u_mps2"}
    assert (line.offset_shared_u_m, line.height_shared_u_m) == (None, None)
    assert session.craft.assumed == {"speed_kmh", "lamp_u_m"}
    assert session.craft.speed_mps == (150.0 / 3.6, 600.0 / 3.6)
    camera = session.cameras[0]
    assert (camera.readout_s, camera.readout_u_s, camera.clock_u_ppm) == (None, 0.0, 100.0)
    assert camera.assumed == {"readout", "clock"}
    lens = camera.lens
    assert lens.focal_free and lens.names == ("centre x", "centre y", "k1")
    assert lens.assumed == {"centre x", "centre y", "k1"}
    assert lens.parameters.tolist() == [1920.0, 1920.0, 959.5, 539.5, 0, 0, 0, 0, 0]
    assert not lens.factor[:2].any()
    assert np.sqrt((lens.factor**2).sum(axis=1)).tolist() == [0, 0, 38.4, 38.4, 0.1, 0, 0, 0, 0]


def test_the_air_says_what_was_not_stated(tmp_path: Path) -> None:
    session = read_session(write(tmp_path / "s", SESSION + "[air]\ntemperature_c = 14.0\n"))
    air = session.air
    assert air is not None and air.pressure_hpa is None and air.humidity_pct is None
    assert (air.temperature_u_c, air.wind_along_mps, air.wind_u_mps) == (2.0, 0.0, 4.0)
    assert {"temperature_u_c", "wind_along_mps", "wind_u_mps"} <= air.assumed


@pytest.mark.parametrize(
    ("line", "u_focal", "names"),
    [("focal_u_px = 15.0\n", 15.0, set()), ("", 44.4, {"focal length"})],
)
def test_the_focal_length_moves_both_axes_together(
    tmp_path: Path, line: str, u_focal: float, names: set[str]
) -> None:
    session = read_session(write(tmp_path / "s", SESSION.replace("focal_u_px = 15.0\n", line)))
    lens = session.cameras[0].lens
    assert lens.names == ("focal length", "centre x", "centre y", "k1")
    assert lens.factor[:, 0] == pytest.approx([u_focal, u_focal, 0, 0, 0, 0, 0, 0, 0])
    assert lens.factor[:, 1:].sum(axis=1).tolist() == [0, 0, 10.0, 10.0, 0.01, 0, 0, 0, 0]
    assert lens.assumed == names and not lens.focal_free


def test_a_known_lens_may_be_exact(tmp_path: Path) -> None:
    text = SESSION.replace("focal_u_px = 15.0", "focal_u_px = 0").replace("k1_u = 0.01", "k1_u = 0")
    assert not read_session(write(tmp_path / "s", text)).cameras[0].lens.factor[[0, 1, 4]].any()


@pytest.mark.parametrize(
    ("lines", "readout_s", "readout_u_s", "assumed"),
    [
        ("readout_ms = 12.0\nreadout_u_ms = 3.0\n", 0.012, 0.003, False),
        ("readout_ms = 12.0\n", 0.012, 0.003, True),
        ("readout_ms = 0\n", 0.0, 0.0, False),
        ("", None, 0.0, True),
    ],
)
def test_the_read_out(
    tmp_path: Path, lines: str, readout_s: float | None, readout_u_s: float, assumed: bool
) -> None:
    text = SESSION.replace("readout_ms = 12.0\nreadout_u_ms = 3.0\n", lines)
    camera = read_session(write(tmp_path / "s", text)).cameras[0]
    assert camera.readout_s == readout_s
    assert camera.readout_u_s == pytest.approx(readout_u_s)
    assert ("readout" in camera.assumed) is assumed


def test_an_exposure_alone_is_known_to_a_tenth(tmp_path: Path) -> None:
    clip = read_session(write(tmp_path / "s", SESSION + "exposure_ms = 2.0\n")).clips[0]
    assert (clip.exposure_s, clip.exposure_u_s) == (0.002, pytest.approx(0.0002))


def test_no_clip_is_needed_and_a_missing_one_is_no_fault_of_the_session(tmp_path: Path) -> None:
    assert read_session(write(tmp_path / "a", SESSION.replace(CLIP, ""))).clips == ()
    assert len(read_session(write(tmp_path / "b")).clips) == 1


def test_with_several_cameras_the_flight_line_may_be_left_out(tmp_path: Path) -> None:
    line = SESSION[SESSION.index("[flight_line]") : SESSION.index("[[camera]]")]
    text = SESSION.replace(CLIP, "") + SOUTH
    for number, instead in enumerate(("", "[flight_line]\nweave_u_m = 0.05\n")):
        folder = two_cameras(tmp_path / str(number), text.replace(line, instead))
        found = read_session(folder).flight_line
        assert not found.stated
        assert (found.offset_m, found.offset_u_m, found.height_m, found.height_u_m) == (0, 0, 0, 0)
        assert (found.drift_u_m, found.climb_u_m) == (2.0, 2.0)
        assert found.weave_u_m == (0.05 if instead else 0.02)
    part = text.replace("offset_u_m = 0.5\n", "")
    assert "[flight_line]: offset_u_m is missing" in faults(two_cameras(tmp_path / "c", part))[0]


def test_the_inputs_are_all_files_with_their_hashes(tmp_path: Path) -> None:
    text = SESSION.replace("[[clip]]", 'reference = "deep/still.png"\n[[clip]]')
    text = text.replace('"markers.csv"', '"./markers.csv"')
    folder = write(tmp_path / "s", text)
    (folder / "deep").mkdir()
    (folder / "deep" / "still.png").write_bytes(b"picture")
    session = read_session(folder)
    assert {item.file for item in session.inputs} == {
        "session.toml",
        "markers.csv",
        "picks-north.csv",
        "deep/still.png",
    }
    for item in session.inputs:
        assert item.sha256 == hashlib.sha256((folder / item.file).read_bytes()).hexdigest()


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
@pytest.mark.parametrize("end", ["\r\n", "\r"])
def test_session_toml_is_read_as_editors_save_it(tmp_path: Path, encoding: str, end: str) -> None:
    folder = write(tmp_path / "s")
    (folder / "session.toml").write_bytes(SESSION.replace("\n", end).encode(encoding))
    assert read_session(folder).course.length_m == 80.0


# --- what is wrong -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("= 80.0", '= "262 ft"', "a number above 0 in metres is needed; "
         "262 ft is 79.8576 m: write length_m = 79.8576"),
        ("= 80.0", "= -80.0", "[course]: length_m is -80.0, a number above 0 in metres"),
        ("= 80.0", "= nan", "[course]: length_m is nan, a number"),
        ("= 80.0", "= inf", "[course]: length_m is inf, a number"),
        ("= 80.0", "= true", "[course]: length_m is true, a number"),
        ("= 80.0", '= "long"', '[course]: length_m is "long", a number'),
        ("= 80.0", "= 0x" + "f" * 4000, "length_m is a whole number of more than 20 digits"),
        ("= 80.0", "= 0.01", "length_u_m is 0.02, larger than length_m (0.01)"),
        ("length_m = 80.0\n", "", "[course]: length_m is missing; horizontal distance"),
        ("length_u_m = 0.02", "length_u_m = -0.02", "length_u_m is -0.02, a number at least 0"),
        ("length_u_m", "lenght_u_m", 'unknown key "lenght_u_m"; the nearest known is length_u_m'),
        ("[course]", "[curse]", 'unknown table "curse"; the nearest known is course'),
        ("[course]", "[[course]]", "write it as [course]"),
        ("[[camera]]", "[camera]", "write it as [[camera]]"),
        ("[course]", "[[record]]\n[course]", 'unknown table "record"; the nearest known is'),
        ("title", "titel", 'unknown key "titel"; the nearest known is title'),
        ("[[clip]]", "wanted_U95_percent = 1\n[[clip]]", "belongs before the first table"),
        ('"Evening passes"', "7", 'a text in quotation marks is needed; write title = "7"'),
        ('"Evening passes"', '" "', "that can be seen"),
        ('"Evening passes"', '"a\\u0007b"', "that can be seen"),
        ("2026-09-12", '"2026-09-12"', "a date without quotation marks"),
        ("2026-09-12", "2026-09-12T10:00:00", "a date without quotation marks"),
        ("title", 'timezone = "Mars/Base"\ntitle', 'timezone is "Mars/Base", an IANA name'),
        ("title", 'timezone = "../x"\ntitle', 'timezone is "../x", an IANA name'),
        ("title", "wanted_U95_percent = 0\ntitle", "wanted_U95_percent is 0, a number above 0"),
        ("offset_m = 0.0\n", "", "[flight_line]: offset_m is missing"),
        ("height_u_m = 3.0", "height_u_m = 3.0\noffset_shared_u_m = 0.6",
         "offset_shared_u_m is 0.6, larger than offset_u_m (0.5)"),
        ("height_u_m = 3.0", "height_u_m = 3.0\naccel_u_mps2 = 10", "a list of 3 numbers"),
        ("height_u_m = 3.0", "height_u_m = 3.0\naccel_u_mps2 = [10, 3, -1]", "each at least 0"),
        ("1480.0", "-3", 'camera "north": focal_px is -3, a number above 0 in pixels is needed; '),
        ("focal_px = 1480.0\n", "", "focal_u_px is given without focal_px"),
        ("readout_ms = 12.0\n", "", "readout_u_ms is given without readout_ms"),
        ("[1920, 1080]", "[1920]", "image_size_px is [1920], a list of 2 whole numbers"),
        ("[1920, 1080]", "[1920, 1080.5]", "image_size_px is [1920, 1080.5]"),
        ("[1920, 1080]", "[1280, 720]", "picks-north.csv: row 2: y_px is 800, outside the picture"),
        ("[959.5, 539.5]", '["a", 1]', 'centre_px is ["a", 1], a list of 2 numbers'),
        ("k1 = 0.0", 'k1 = 0.0\nlens = "lens.json"', "keep the file or the figures"),
        ("k1 = 0.0", "k1 = 0.0\nposition_m = [1, 2, 3]", "given without position_u_m"),
        ('"picks-north.csv"', '"none.csv"', 'picks "none.csv" does not exist'),
        ('"markers.csv"', '"none.csv"', '[course]: markers "none.csv" does not exist'),
        ('"markers.csv"', '"."', 'markers "." is a folder'),
        ('"markers.csv"', '"../markers.csv"', "leads out of the session folder"),
        ('"markers.csv"', '"a/../../markers.csv"', "leads out of the session folder"),
        ('"markers.csv"', '"/etc/hostname"', "is not relative to the session folder"),
        ('"markers.csv"', '"C:/markers.csv"', "is not relative to the session folder"),
        ('"markers.csv"', "'a\\markers.csv'", "write paths with /"),
        ('"clips/pass-1.mp4"', '"../pass-1.mp4"', "leads out of the session folder"),
        ('"clips/pass-1.mp4"', '"/pass-1.mp4"', 'file "/pass-1.mp4" is not relative'),
        ('"clips/pass-1.mp4"', '"clips\\pass-1.mp4"', "write paths with /, not with a backslash"),
        ("k1 = 0.0", 'k1 = 0.0\nreference = "no.png"', 'reference "no.png" does not exist'),
        ('file = "clips/pass-1.mp4"', "", "file is missing; the clip"),
        (OF_NORTH, 'camera = "nroth"', '"nroth"; the nearest is "north"'),
        (OF_NORTH, "", 'clip "clips/pass-1.mp4": camera is missing'),
        (OF_NORTH, OF_NORTH + '\npass = 1', 'write pass = "1"'),
        (OF_NORTH, OF_NORTH + '\nexpect = "some"', 'expect is "some", "none" is needed'),
        (OF_NORTH, OF_NORTH + '\nexpect = "none"\npass = "1"', "says no pass is there"),
        (OF_NORTH, OF_NORTH + '\nrecorded = "now"', "a date and time without quotation"),
        (OF_NORTH, OF_NORTH + '\nexposure_u_ms = 1', "without exposure_ms"),
        (OF_NORTH, OF_NORTH + '\nexposure_ms = "1/500"', "1/500 is 2 ms"),
        (OF_NORTH, OF_NORTH + '\nrate_hz = 0', "rate_hz is 0, a number above 0 in Hz"),
        (OF_NORTH, OF_NORTH + '\nchoose = [{time_s = 1}]',
         'choose 1: x_px is missing'),
        (OF_NORTH, OF_NORTH + '\nchoose = 3', "a list of tables in braces"),
        (OF_NORTH, OF_NORTH + '\ndismiss = [{time_s = 1, x_px = 2, y_px = "3"}]',
         'dismiss 1: y_px is "3", a number in pixels is needed'),
        (OF_NORTH, OF_NORTH + '\ndismis = []',
         'unknown key "dismis"; the nearest known is dismiss'),
        (OF_NORTH, OF_NORTH + '\nchoose = [{time_s = 1, x_px = 2, y_px = 3}]'
         '\ndismiss = [{time_s = 1, x_px = 2, y_px = 3}]',
         "choose and dismiss both name the light at 1.0 s"),
        (OF_NORTH, OF_NORTH + '\n' + CLIP, "is named by another clip too"),
        ("[[clip]]", CAMERA + "[[clip]]", 'name is "north", the name of another camera too'),
        ("[[clip]]", CAMERA.replace('"north"', '"North"') + "[[clip]]", "the name of another"),
        ("[[clip]]", CAMERA + "[[clip]]", "the picks file of another camera too"),
        ("[[clip]]", "[craft]\nspeed_kmh = [600, 150]\n[[clip]]", "the lower speed must stand"),
        ("[[clip]]", "[craft]\nexpected_kmh = 700\n[[clip]]", "700, outside speed_kmh"),
        ("[[clip]]", "[air]\nhumidity_pct = 140\n[[clip]]", "at least 0 and at most 100 in"),
        ("[[clip]]", "[air]\ntemperature_u_c = 1\n[[clip]]", "without temperature_c"),
        ("[[clip]]", "[mark]\nearlier_u_kmh = 1\n[[clip]]", "without earlier_kmh"),
        ("[[clip]]", "[[clip", "session.toml: line 30, [[clip: a closing ]] is missing"),
        ("= 80.0", "= 80.0\nlength_m = 80.0", "length_m = 80.0: length_m is in line 6 too"),
        ("= 80.0", "= 9" * 5000, "session.toml"),
        ("= 80.0", "= [" * 5000, "session.toml"),
    ],
)  # fmt: skip
def test_each_fault_is_said_with_its_place_and_its_mend(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    assert old in SESSION
    messages = faults(write(tmp_path / "s", SESSION.replace(old, new)))
    assert any(message in each for each in messages), messages


SYNC = '[[sync]]\nclips = ["clips/pass-1.mp4", "clips/pass-2.mp4"]\ntime_s = [1, 2]\n\
time_u_s = [0.1, 0.1]\n'


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('"clips/pass-2.mp4"', '"clips/pass-3.mp4"', "which is no clip; the nearest is"),
        ('"clips/pass-2.mp4"', '"clips/pass-1.mp4"', "two different clips or more"),
        (', "clips/pass-2.mp4"', "", "two different clips or more"),
        ("[1, 2]", "[1]", "sync 1: time_s has 1 numbers for 2 clips"),
        ("[0.1, 0.1]", "[0.1, 0]", "time_u_s is [0.1, 0], a list of numbers each above 0"),
        ("[1, 2]", "1", "time_s is 1, a list of numbers"),
        ('["clips/pass-1.mp4", "clips/pass-2.mp4"]', '"a"', "a list, each a text"),
        ("time_s", 'kind = "bang"\ntime_s', 'kind is "bang", "flash" or "sound" is needed'),
    ],
)
def test_each_fault_of_a_sync(tmp_path: Path, old: str, new: str, message: str) -> None:
    clips = SESSION + CLIP.replace("pass-1", "pass-2")
    read_session(write(tmp_path / "good", clips + SYNC))
    messages = faults(write(tmp_path / "bad", clips + SYNC.replace(old, new, 1)))
    assert any(message in each for each in messages), messages


def test_one_pass_is_in_one_clip_of_each_camera(tmp_path: Path) -> None:
    first = SESSION + 'pass = "1"\n'
    again = CLIP.replace("pass-1", "pass-2") + 'pass = "1"\n'
    assert (
        'pass is "1", as of "clips/pass-1.mp4"' in faults(write(tmp_path / "a", first + again))[0]
    )
    other_flight = first + 'flight = "1"\n' + again + 'flight = "2"\n'
    assert len(read_session(write(tmp_path / "b", other_flight)).clips) == 2


def test_flights_that_number_their_passes_alike_have_passes_of_their_own(tmp_path: Path) -> None:
    """Two flights with a pass 1 each were solved as one pass, at a speed that neither had."""
    clips = [CLIP.replace("pass-1", f"pass-{k}") for k in range(2, 6)]

    def labelled(*pairs):
        rows = zip(clips, pairs, strict=False)
        text = [
            row
            + "".join(
                f'{key} = "{label}"\n' for key, label in zip(keys, pair, strict=True) if label
            )
            for row, pair in rows
        ]
        return SESSION + "".join(text)

    keys = ("flight", "pass")
    good = labelled(("1", "1"), ("1", "2"), ("2", "1"), ("", "4"))
    labels = [clip.pass_label for clip in read_session(write(tmp_path / "a", good)).clips]
    assert labels == [None, "1-1", "2", "2-1", "4"]
    bad = labelled(("1", "1"), ("2", "1"), ("", "1"))
    (message,) = faults(write(tmp_path / "b", bad))
    assert 'pass is "1" without a flight, and in the flights "1" and "2"' in message
    bad = labelled(("1", "1"), ("2", "1"), ("", "2-1"))
    (message,) = faults(write(tmp_path / "c", bad))
    assert 'two passes are called "2-1"' in message


def test_times_with_and_without_an_offset_cannot_be_compared(tmp_path: Path) -> None:
    text = SESSION + "recorded = 2026-09-12T21:40:05\n"
    text += CLIP.replace("pass-1", "pass-2") + "recorded = 2026-09-12T21:45:05Z\n"
    assert "has no offset, others have" in faults(write(tmp_path / "a", text))[0]
    read_session(write(tmp_path / "b", 'timezone = "Europe/London"\n' + text))


def test_every_fault_is_said_at_once(tmp_path: Path) -> None:
    text = SESSION.replace("= 80.0", "= -1").replace("1480.0", "0").replace('"north"\n', '"n"\n')
    messages = faults(
        write(
            tmp_path / "s",
            text.replace('camera = "n"', 'camera = "x"'),
            markers=MARKERS.replace("A2,80", "A2,far"),
            picks=PICKS.replace("A3,150", "A3,left"),
        )
    )
    joined = "\n".join(messages)
    for part in (
        "length_m is -1",
        "focal_px is 0",
        'no camera is named "x"',
        'markers.csv: row 3: x_m is "far"',
        'picks-north.csv: row 4: x_px is "left"',
    ):
        assert part in joined


@pytest.mark.parametrize(
    ("picks", "message"),
    [
        (PICKS.replace("A4,1750,600.5,0.5\n", ""),
         'session.toml: camera "north": 3 markers picked, at least 4 needed; pick more '
         "(picks-north.csv; check markers do not count)"),
        ("name,x_px,y_px,u_px\nA1,1,2,1\n", "1 marker picked, at least 4 needed; pick more (picks"),
        ("name,x_px,y_px,u_px\n", "0 markers picked, at least 4 needed; pick more (picks"),
        (PICKS + "B7,1,2,0.5\n", 'picks-north.csv: row 7: no marker is named "B7"; there are "A1"'),
        (PICKS.replace("A1,", "a1,"), 'row 2: no marker is named "a1"; the nearest is "A1"'),
        (PICKS + "A1,1,2,0.5\n", 'picks-north.csv: row 7: pick of "A1" is in row 2 too'),
        (PICKS + "a1,1,2,0.5\n", 'row 7: pick of "a1" is in row 2 too but for capitals, as "A1"'),
        (PICKS.replace("1750,", "1919.6,"), "row 5: x_px is 1919.6, outside the picture of "
         "[1920, 1080] pixels; pick on a still of the clip's own size"),
        (PICKS.replace("600.5,0.5", "600.5,0"), "row 5: u_px is 0.0, a number above 0 in pixels"),
    ],
)  # fmt: skip
def test_each_fault_of_the_picks(tmp_path: Path, picks: str, message: str) -> None:
    messages = faults(write(tmp_path / "s", picks=picks))
    assert any(message in each for each in messages), messages


def test_a_pick_takes_one_pixel_where_nothing_is_said(tmp_path: Path) -> None:
    session = read_session(write(tmp_path / "s", picks=PICKS.replace("100.25,800,0.5", "7,800,")))
    assert session.cameras[0].picks[0].u_px == 1.0


@pytest.mark.parametrize("target", ["session.toml", "markers.csv", "clips/pass-1.mp4"])
def test_a_link_out_of_the_session_is_refused(tmp_path: Path, target: str) -> None:
    folder = write(tmp_path / "s")
    outside = tmp_path / "outside"
    outside.write_text(SESSION if target == "session.toml" else MARKERS, encoding="utf-8")
    link = folder / target
    link.parent.mkdir(exist_ok=True)
    link.unlink(missing_ok=True)
    _link(link, outside)
    assert any("leads out of the session folder" in each for each in faults(folder))


def test_a_link_that_stays_inside_is_followed(tmp_path: Path) -> None:
    folder = write(tmp_path / "s")
    (folder / "markers.csv").rename(folder / "real.csv")
    _link(folder / "markers.csv", folder / "real.csv")
    assert len(read_session(folder).markers) == 5
    loop = folder / "picks-north.csv"
    loop.unlink()
    _link(loop, loop)
    assert any("picks" in each for each in faults(folder))


def test_a_session_reached_through_a_link_is_read(tmp_path: Path) -> None:
    write(tmp_path / "s")
    _link(tmp_path / "t", tmp_path / "s")
    assert read_session(tmp_path / "t").course.length_m == 80.0


def _link(link: Path, target: Path) -> None:
    try:
        link.symlink_to(target)
    except OSError as error:
        pytest.skip(f"no links here: {error}")


def test_no_session_there(tmp_path: Path) -> None:
    assert "no session.toml there; vidspeed new" in faults(tmp_path)[0]
    assert "no session.toml there" in faults(tmp_path / "nowhere")[0]
    folder = write(tmp_path / "s")
    assert "give the folder that session.toml is in" in faults(folder / "session.toml")[0]


@pytest.mark.parametrize("data", [b"\xff\xfe\x00", b'title = "caf\xe9"', b"a\0b", b"\x00" * 9])
def test_a_session_that_is_no_text(tmp_path: Path, data: bytes) -> None:
    folder = write(tmp_path / "s")
    (folder / "session.toml").write_bytes(data)
    assert faults(folder)[0].startswith("session.toml: ")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("length_m", "lenght_m"),
        ("[course]", "[curse]"),
        ("[course]", "[[course]]"),
        ("[[camera]]", "[camera]"),
        ("[flight_line]", "[flightline]"),
    ],
)
def test_what_is_misspelt_is_not_said_to_be_missing_as_well(tmp_path, old, new) -> None:
    text = SESSION.replace(CLIP, "").replace(old, new)
    (message,) = faults(write(tmp_path / "s", text))
    assert "is missing" not in message


def test_a_list_of_no_camera_is_a_missing_one(tmp_path: Path) -> None:
    text = "camera = []\n" + SESSION[: SESSION.index("[[camera]]")]
    assert any("[[camera]] is missing" in each for each in faults(write(tmp_path / "s", text)))


def test_an_empty_session_says_what_is_missing(tmp_path: Path) -> None:
    messages = faults(write(tmp_path / "s", ""))
    for part in ("[course] is missing", "[[camera]] is missing", "[flight_line] is missing"):
        assert any(part in each for each in messages)
