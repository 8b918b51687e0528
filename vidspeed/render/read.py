"""Read a scene from TOML into checked values; every message says which key is meant."""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Callable, Mapping
from datetime import date as Date
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from vidspeed.clip.write import CONTAINERS, ENCODERS
from vidspeed.errors import SceneError
from vidspeed.render.scene import (
    DISTURBANCES,
    Look,
    Scene,
    SceneCamera,
    ScenePass,
    StaticLamp,
)
from vidspeed.values import Air, Course, Craft, FlightLine, Marker

Kind = Callable[[Any], Any]
REQUIRED = object()


def read_scene(path: Path) -> Scene:
    """Read a scene file.

    Raises
    ------
    SceneError
        With the file, the key, what was found and what is allowed.
    """
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SceneError(f"{path}: cannot be read: {error.strerror or error}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SceneError(f"{path}: is not TOML: {error}") from error
    try:
        return _scene(raw)
    except SceneError as error:
        raise SceneError(*(f"{path.name}: {message}" for message in error.messages)) from error


def _scene(raw: Mapping[str, Any]) -> Scene:
    top = _taken(raw, "the scene", _SCENE)
    course = _taken(top["course"], "[course]", _COURSE)
    shared = top["all_cameras"]
    cameras = tuple(_camera(_merged(shared, item)) for item in top["camera"])
    scene = Scene(
        title=top["title"],
        date=top["date"],
        place=top["place"],
        seed=top["seed"],
        clip_s=top["clip_s"],
        disturb=top["disturb"],
        course=Course(**course),
        flight_line=_flight_line(top["flight_line"]),
        craft=_craft(top["craft"]),
        air=None if top["air"] is None else Air(**_taken(top["air"], "[air]", _AIR)),
        markers=tuple(_marker(item) for item in top["marker"]),
        lamps=tuple(StaticLamp(**_taken(item, "[[lamp]]", _LAMP)) for item in top["lamp"]),
        cameras=cameras,
        passes=tuple(_pass(item, index) for index, item in enumerate(top["pass"], start=1)),
    )
    _check_names(scene)
    return scene


def _check_names(scene: Scene) -> None:
    """Refuse names that are there twice, and cameras that are not there."""
    for what, names in (
        ("[[camera]]", [camera.name for camera in scene.cameras]),
        ("[[pass]]", [item.label for item in scene.passes]),
        ("[[marker]]", [marker.name for marker in scene.markers]),
    ):
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise SceneError(f'{what}: the name "{twice[0]}" is there twice; give another')
    known = {camera.name for camera in scene.cameras}
    for item in scene.passes:
        for name in item.cameras or ():
            if name not in known:
                raise SceneError(
                    f'[[pass]] "{item.label}": cameras: "{name}" is no [[camera]]; '
                    f"allowed are {', '.join(sorted(known))}"
                )


def _merged(shared: Mapping[str, Any], own: Any) -> Any:
    """Lay a camera's own keys over those of all cameras, `look` key by key."""
    if not isinstance(own, Mapping):
        return own
    look = {**shared.get("look", {}), **own.get("look", {})}
    return {**shared, **own, "look": look}


def _camera(raw: Any) -> SceneCamera:
    name = raw.get("name", "?") if isinstance(raw, Mapping) else "?"
    where = f'[[camera]] "{name}"'
    got = _taken(raw, where, _CAMERA)
    width, height = got["image_size_px"]
    centre = got.pop("centre_px") or ((width - 1) / 2.0, (height - 1) / 2.0)
    focal, focal_u = got.pop("focal_px"), got.pop("focal_u_px")
    centre_u = got.pop("centre_u_px")
    bends = [got.pop(key) for key in ("k1", "k2", "p1", "p2", "k3")]
    bends_u = [got.pop(f"{key}_u") for key in ("k1", "k2", "p1", "p2", "k3")]
    for key in ("exposure", "exposure_u", "readout", "readout_u"):
        stem = key.removesuffix("_u")
        tail = "_u" if key.endswith("_u") else ""
        got[f"{stem}{tail}_s"] = got.pop(f"{stem}{tail}_ms") / 1e3
    look = Look(**_taken(got.pop("look"), f"{where} [look]", _LOOK))
    if got["rotation_deg"] % 90:
        raise SceneError(f"{where}: rotation_deg is {got['rotation_deg']}; a multiple of 90 only")
    return SceneCamera(
        lens=np.array([focal, focal, *centre, *bends]),
        lens_u=np.array([focal_u, focal_u, centre_u, centre_u, *bends_u]),
        look=look,
        **got,
    )


def _flight_line(raw: Any) -> FlightLine:
    got = _taken(raw, "[flight_line]", _FLIGHT_LINE)
    if got["drift_u_m"] is None:
        got["drift_u_m"] = got["offset_u_m"]
    if got["climb_u_m"] is None:
        got["climb_u_m"] = got["height_u_m"]
    return FlightLine(**got)


def _craft(raw: Any) -> Craft:
    got = _taken(raw, "[craft]", _CRAFT)
    low, high = got.pop("speed_kmh")
    return Craft(speed_mps=(low / 3.6, high / 3.6), **got)


def _marker(raw: Any) -> Marker:
    got = _taken(raw, "[[marker]]", _MARKER)
    return Marker(**got)


def _pass(raw: Any, number: int) -> ScenePass:
    got = _taken(raw, f"[[pass]] number {number}", _PASS)
    label = got.pop("pass") or str(number)
    return ScenePass(label=label, speed_mps=got.pop("speed_kmh") / 3.6, **got)


def _taken(raw: Any, where: str, table: Mapping[str, tuple[Kind, Any]]) -> dict[str, Any]:
    """Check a table against its kinds; return a value for every key that it may have."""
    if not isinstance(raw, Mapping):
        raise SceneError(f"{where}: is {raw!r}; a table is needed")
    for key in raw:
        if key not in table:
            near = difflib.get_close_matches(key, table, n=1, cutoff=0.0)
            raise SceneError(f'{where}: unknown key "{key}"; the nearest known one is "{near[0]}"')
    return {key: _value(raw, where, key, *rule) for key, rule in table.items()}


def _value(raw: Mapping[str, Any], where: str, key: str, kind: Kind, default: Any) -> Any:
    if key not in raw:
        if default is REQUIRED:
            raise SceneError(f'{where}: "{key}" is missing; give it')
        return default
    try:
        return kind(raw[key])
    except (ValueError, TypeError, ZeroDivisionError) as error:
        raise SceneError(f"{where}: {key} is {raw[key]!r}; {error}") from error


# --- kinds of values: each returns the value or raises ValueError with what is allowed --------


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise ValueError("a number is needed")
    return float(value)


def _above_zero(value: Any) -> float:
    if _number(value) <= 0.0:
        raise ValueError("a number above 0 is needed")
    return float(value)


def _not_negative(value: Any) -> float:
    if _number(value) < 0.0:
        raise ValueError("a number not below 0 is needed")
    return float(value)


def _share(value: Any) -> float:
    if not 0.0 <= _number(value) < 1.0:
        raise ValueError("a number from 0 to below 1 is needed")
    return float(value)


def _whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError("a whole number is needed")
    return value


def _count(value: Any) -> int:
    if _whole(value) < 0:
        raise ValueError("a whole number not below 0 is needed")
    return int(value)


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ValueError("a text is needed")
    return value


def _file_text(value: Any) -> str:
    if not all(sign.isalnum() or sign in "-_" for sign in _text(value)):
        raise ValueError("it names files: letters, digits, - and _ only")
    return str(value)


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise ValueError("true or false is needed")
    return value


def _day(value: Any) -> Date:
    if type(value) is not Date:
        raise ValueError("a date like 2026-09-12 is needed")
    return value


def _rate(value: Any) -> Fraction:
    """Take a rate as a number or as text like "60000/1001"."""
    rate = Fraction(value) if isinstance(value, str) else Fraction(str(_above_zero(value)))
    if rate <= 0:
        raise ValueError('a rate like 60 or "60000/1001" is needed')
    return rate


def _numbers(count: int, item: Kind = _number) -> Kind:
    def kind(value: Any) -> Any:
        if not isinstance(value, list) or len(value) != count:
            raise ValueError(f"a list of {count} numbers is needed")
        return np.array([item(part) for part in value])

    return kind


def _pair(item: Kind) -> Kind:
    def kind(value: Any) -> Any:
        if not isinstance(value, list) or len(value) != 2:
            raise ValueError("a list of two numbers is needed")
        return (item(value[0]), item(value[1]))

    return kind


def _even(value: Any) -> int:
    if _whole(value) < 16 or value % 2:
        raise ValueError("an even number of pixels from 16 is needed")
    return int(value)


def _one_of(*allowed: str) -> Kind:
    def kind(value: Any) -> Any:
        if value not in allowed:
            raise ValueError(f"allowed are {', '.join(allowed)}")
        return value

    return kind


def _some_of(*allowed: str) -> Kind:
    def kind(value: Any) -> frozenset[str]:
        if not isinstance(value, list) or not set(value) <= set(allowed):
            raise ValueError(f"a list is needed; allowed are {', '.join(sorted(allowed))}")
        return frozenset(value)

    return kind


def _names(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise ValueError("a list of names is needed")
    return tuple(_text(item) for item in value)


def _table(value: Any) -> Any:
    if not isinstance(value, Mapping):
        raise ValueError("a table is needed")
    return value


def _tables(value: Any) -> Any:
    if not isinstance(value, list) or not value:
        raise ValueError("a list of tables is needed")
    return value


# --- the keys: kind and default; REQUIRED where there is none ---------------------------------

_SCENE: Mapping[str, tuple[Kind, Any]] = {
    "title": (_text, REQUIRED),
    "date": (_day, None),
    "place": (_text, None),
    "seed": (_count, REQUIRED),
    "clip_s": (_above_zero, 1.4),
    "disturb": (_some_of(*DISTURBANCES), DISTURBANCES),
    "course": (_table, REQUIRED),
    "flight_line": (_table, REQUIRED),
    "craft": (_table, {}),
    "air": (_table, None),
    "all_cameras": (_table, {}),
    "camera": (_tables, REQUIRED),
    "marker": (_tables, REQUIRED),
    "lamp": (_tables, []),
    "pass": (_tables, REQUIRED),
}
_COURSE: Mapping[str, tuple[Kind, Any]] = {
    "length_m": (_above_zero, REQUIRED),
    "length_u_m": (_not_negative, REQUIRED),
}
_FLIGHT_LINE: Mapping[str, tuple[Kind, Any]] = {
    "offset_m": (_number, 0.0),
    "offset_u_m": (_not_negative, REQUIRED),
    "height_m": (_number, REQUIRED),
    "height_u_m": (_not_negative, REQUIRED),
    "drift_u_m": (_not_negative, None),
    "climb_u_m": (_not_negative, None),
    "weave_u_m": (_not_negative, 0.02),
    "accel_u_mps2": (_numbers(3, _not_negative), np.array([10.0, 3.0, 3.0])),
    "offset_shared_u_m": (_not_negative, None),
    "height_shared_u_m": (_not_negative, None),
    "stated": (_flag, True),
}
_CRAFT: Mapping[str, tuple[Kind, Any]] = {
    "name": (_text, None),
    "speed_kmh": (_pair(_above_zero), (150.0, 600.0)),
    "lamp_u_m": (_not_negative, 0.0),
}
_AIR: Mapping[str, tuple[Kind, Any]] = {
    "temperature_c": (_number, None),
    "pressure_hpa": (_above_zero, None),
    "humidity_pct": (_not_negative, None),
}
_MARKER: Mapping[str, tuple[Kind, Any]] = {
    "name": (_text, REQUIRED),
    "xyz_m": (_numbers(3), REQUIRED),
    "u_m": (_not_negative, REQUIRED),
    "use": (_one_of("fit", "check"), "fit"),
}
_LAMP: Mapping[str, tuple[Kind, Any]] = {
    "xyz_m": (_numbers(3), REQUIRED),
    "signal": (_above_zero, REQUIRED),
}
_LOOK: Mapping[str, tuple[Kind, Any]] = {
    "background": (_one_of("day", "dusk", "dark"), "dark"),
    "lamp_signal": (_not_negative, 4.0),
    "reference_m": (_above_zero, 60.0),
    "spot_px": (_above_zero, 1.2),
    "halo_px": (_above_zero, 5.0),
    "halo_share": (_share, 0.03),
    "full_well_e": (_above_zero, 6000.0),
    "read_noise_e": (_not_negative, 3.0),
    "marker_signal": (_not_negative, 0.3),
    "full_range": (_flag, False),
}
_CAMERA: Mapping[str, tuple[Kind, Any]] = {
    "name": (_file_text, REQUIRED),
    "position_m": (_numbers(3), REQUIRED),
    "aim_m": (_numbers(3), REQUIRED),
    "roll_deg": (_number, 0.0),
    "image_size_px": (_pair(_even), REQUIRED),
    "focal_px": (_above_zero, REQUIRED),
    "focal_u_px": (_not_negative, REQUIRED),
    "centre_px": (_pair(_number), None),
    "centre_u_px": (_not_negative, 0.0),
    **{key: (_number, 0.0) for key in ("k1", "k2", "p1", "p2", "k3")},
    **{f"{key}_u": (_not_negative, 0.0) for key in ("k1", "k2", "p1", "p2", "k3")},
    "rate_hz": (_rate, REQUIRED),
    "exposure_ms": (_above_zero, REQUIRED),
    "exposure_u_ms": (_not_negative, 0.0),
    "readout_ms": (_not_negative, 0.0),
    "readout_u_ms": (_not_negative, 0.0),
    "clock_ppm": (_number, None),
    "clock_u_ppm": (_not_negative, 50.0),
    "pick_u_px": (_not_negative, 0.5),
    "position_u_m": (_above_zero, None),
    "stored_rate_hz": (_rate, None),
    "stamps": (_one_of("steady", "uneven"), "steady"),
    "rotation_deg": (_whole, 0),
    "codec": (_one_of(*ENCODERS), "h264"),
    "crf": (_count, 18),
    "preset": (_text, "veryfast"),
    "suffix": (_one_of(*CONTAINERS), ".mp4"),
    "look": (_table, {}),
    "unstated": (
        _some_of("focal", "focal_u", "centre", "k1", "readout", "exposure", "clock"),
        frozenset(),
    ),
}
_PASS: Mapping[str, tuple[Kind, Any]] = {
    "pass": (_file_text, None),
    "flight": (_text, None),
    "setup": (_text, None),
    "direction": (_one_of("forward", "reverse"), REQUIRED),
    "speed_kmh": (_above_zero, REQUIRED),
    "offset_m": (_number, None),
    "height_m": (_number, None),
    "drift_m": (_number, None),
    "climb_m": (_number, None),
    "accel_mps2": (_numbers(3), None),
    "cameras": (_names, None),
    "clip_s": (_above_zero, None),
}
