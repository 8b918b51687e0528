from __future__ import annotations

import tomllib

import pytest

from vidspeed.session.check import Faults, Refused, checked, take
from vidspeed.session.keys import FILE_KEYS, KEYS, SESSION_KEYS, TABLES, TOP, Key, keys_of

# What the contract names; a key may be added, none may go.
CONTRACT = {
    TOP: "title date place timezone wanted_U95_percent",
    "course": "length_m length_u_m markers",
    "flight_line": "offset_m offset_u_m height_m height_u_m drift_u_m climb_u_m weave_u_m "
    "accel_u_mps2 offset_shared_u_m height_shared_u_m",
    "air": "temperature_c pressure_hpa humidity_pct temperature_u_c pressure_u_hpa "
    "humidity_u_pct wind_along_mps wind_u_mps",
    "craft": "name speed_kmh lamp_u_m expected_kmh",
    "camera": "name image_size_px picks lens focal_px focal_u_px centre_px centre_u_px k1 k1_u "
    "readout_ms readout_u_ms clock_u_ppm reference position_m position_u_m rate_hz",
    "clip": "file camera flight pass rate_hz exposure_ms exposure_u_ms recorded setup expect "
    "choose track dismiss",
    "clip.choose": "time_s x_px y_px",
    "clip.dismiss": "time_s x_px y_px",
    "sync": "clips time_s time_u_s kind",
    "proof": "clip x_m y_m z_m u_m kind",
    "mark": "earlier_kmh earlier_u_kmh margin_percent",
    "markers.csv": "name x_m y_m z_m u_m use",
    "picks": "name x_px y_px u_px",
    "track.csv": "frame time_s x_px y_px u_x_px u_y_px row",
    "lens file": "schema image_size_px fx_px fy_px cx_px cy_px k1 k2 p1 p2 k3 rms_px views",
}


@pytest.mark.parametrize("table", CONTRACT)
def test_the_table_holds_every_key_of_the_contract(table: str) -> None:
    assert set(CONTRACT[table].split()) <= set(keys_of(table))


def test_a_key_is_described_once() -> None:
    places = [(key.table, key.name) for key in KEYS]
    assert len(set(places)) == len(places)
    inner = {"clip.choose", "clip.dismiss", "camera.planned"}
    known = {TOP, *inner, *(table.name for table in TABLES)}
    assert {key.table for key in SESSION_KEYS} == known


@pytest.mark.parametrize("key", SESSION_KEYS, ids=lambda key: f"{key.table}.{key.name}")
def test_the_example_of_a_key_is_what_the_reader_takes(key: Key) -> None:
    value = tomllib.loads(f"it = {key.example}")["it"]
    assert checked(key, value) is not None


@pytest.mark.parametrize("key", KEYS, ids=lambda key: f"{key.table}.{key.name}")
def test_a_key_that_may_be_left_out_says_nothing_untrue(key: Key) -> None:
    assert not (key.required and (key.left_out or key.default is not None))
    if key.default is not None:
        assert key.left_out
        assert checked(key, key.default) == key.default
    if key.beside:
        assert key.beside in keys_of(key.table)


@pytest.mark.parametrize(
    "value", [True, "1480", "1480 px", float("nan"), float("inf"), -3, 0, 10**400, [1480.0], {}]
)
def test_what_is_no_number_above_0_is_refused(value: object) -> None:
    with pytest.raises(Refused, match=r"focal_px is .*, a number above 0 .*pixels is needed; "):
        checked(keys_of("camera")["focal_px"], value)


@pytest.mark.parametrize("value", [[1920], [1920, 1080, 3], [1920, 1080.5], [1920, 0], 1920])
def test_a_picture_size_is_two_whole_numbers(value: object) -> None:
    with pytest.raises(Refused, match="a list of 2 whole numbers"):
        checked(keys_of("camera")["image_size_px"], value)


def test_a_whole_number_may_be_written_with_a_point() -> None:
    assert checked(keys_of("camera")["image_size_px"], [1920.0, 1080]) == (1920, 1080)


@pytest.mark.parametrize(
    ("name", "text", "mend"),
    [
        ("length_m", "262 ft", "262 ft is 79.8576 m: write length_m = 79.8576"),
        ("length_m", "262'", "262' is 79.8576 m"),
        ("length_m", "262 ft 6 in", "262 ft 6 in is 80.01 m"),
        ("length_m", "80 m", "80 m is 80 m: write length_m = 80"),
        ("length_m", "80,5", "80,5 is 80.5 m: write length_m = 80.5"),
        ("length_m", "87.5 yd", "87.5 yd is 80.01 m"),
        ("length_m", "1,250 ft", "for example length_m = 80.0"),
        ("length_m", "eighty", "for example length_m = 80.0"),
        ("length_m", "262 f", "for example length_m = 80.0"),
    ],
)
def test_a_length_with_a_unit_is_worked_out(name: str, text: str, mend: str) -> None:
    with pytest.raises(Refused) as refusal:
        checked(keys_of("course")[name], text)
    assert mend in str(refusal.value)


@pytest.mark.parametrize(
    ("table", "name", "text", "figure"),
    [
        ("craft", "expected_kmh", "250 mph", "402.336 km/h"),
        ("craft", "expected_kmh", "216 kn", "400.032 km/h"),
        ("clip", "exposure_ms", "1/500", "2 ms"),
        ("clip", "exposure_ms", "1/500 s", "2 ms"),
        ("camera", "readout_ms", "0.012 s", "12 ms"),
        ("air", "temperature_c", "57 °F", "13.88889 °C"),
        ("air", "pressure_hpa", "29.8 inHg", "1009.144 hPa"),
        ("air", "wind_along_mps", "3 kn", "1.543333 m/s"),
        ("air", "humidity_pct", "60 %", "60 %"),
    ],
)
def test_other_figures_with_a_unit_are_worked_out(
    table: str, name: str, text: str, figure: str
) -> None:
    with pytest.raises(Refused) as refusal:
        checked(keys_of(table)[name], text)
    assert f"{text} is {figure}" in str(refusal.value)


def test_a_fraction_over_nothing_is_no_time() -> None:
    with pytest.raises(Refused, match=r"for example exposure_ms = 2\.0"):
        checked(keys_of("clip")["exposure_ms"], "1/0")


def test_an_unknown_key_is_named_with_the_nearest_and_its_place() -> None:
    faults = Faults()
    take("course", {"lenght_m": 1.0, "focal_px": 2.0}, "here", faults)
    assert 'here: unknown key "lenght_m"; the nearest known is length_m' in faults.messages
    assert any("focal_px belongs to camera" in message for message in faults.messages)


def test_the_columns_of_files_are_plain_words() -> None:
    assert all(key.name == key.name.strip().lower() for key in FILE_KEYS)
