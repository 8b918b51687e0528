"""Read a scene from TOML into checked values; every message says which key is meant."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from vidspeed.errors import SceneError, SessionError
from vidspeed.render import keys
from vidspeed.render.kinds import taken
from vidspeed.render.scene import (
    Look,
    OtherLight,
    Scene,
    SceneCamera,
    ScenePass,
    StaticLamp,
)
from vidspeed.session.cells import decoded
from vidspeed.session.tomlfile import parsed
from vidspeed.values import Air, Course, Craft, FlightLine, Marker


def read_scene(path: Path) -> Scene:
    """Read a scene file.

    Raises
    ------
    SceneError
        With the file, the key, what was found and what is allowed.
    """
    try:
        raw = parsed(decoded(path.read_bytes(), path.name), path.name, {})
    except OSError as error:
        raise SceneError(f"{path}: cannot be read: {error.strerror or error}") from error
    except SessionError as error:
        raise SceneError(*error.messages) from error
    try:
        return _scene(raw)
    except SceneError as error:
        raise SceneError(*(f"{path.name}: {message}" for message in error.messages)) from error


def _scene(raw: Mapping[str, Any]) -> Scene:
    top = taken(raw, "the scene", keys.SCENE)
    course = taken(top["course"], "[course]", keys.COURSE)
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
        air=None if top["air"] is None else Air(**taken(top["air"], "[air]", keys.AIR)),
        markers=tuple(_marker(item) for item in top["marker"]),
        lamps=tuple(StaticLamp(**taken(item, "[[lamp]]", keys.LAMP)) for item in top["lamp"]),
        others=tuple(_other(item) for item in top["other"]),
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
    got = taken(raw, where, keys.CAMERA)
    width, height = got["image_size_px"]
    centre = got.pop("centre_px") or ((width - 1) / 2.0, (height - 1) / 2.0)
    focal, focal_u = got.pop("focal_px"), got.pop("focal_u_px")
    centre_u = got.pop("centre_u_px")
    bends = [got.pop(key) for key in ("k1", "k2", "p1", "p2", "k3")]
    bends_u = [got.pop(f"{key}_u") for key in ("k1", "k2", "p1", "p2", "k3")]
    for key in ("exposure", "exposure_u", "readout", "readout_u", "merge"):
        got[f"{key}_s"] = got.pop(f"{key}_ms") / 1e3
    exposure_to_ms = got.pop("exposure_to_ms")
    got["exposure_to_s"] = None if exposure_to_ms is None else exposure_to_ms / 1e3
    look = Look(**taken(got.pop("look"), f"{where} [look]", keys.LOOK))
    if got["rotation_deg"] % 90:
        raise SceneError(f"{where}: rotation_deg is {got['rotation_deg']}; a multiple of 90 only")
    return SceneCamera(
        lens=np.array([focal, focal, *centre, *bends]),
        lens_u=np.array([focal_u, focal_u, centre_u, centre_u, *bends_u]),
        look=look,
        **got,
    )


def _flight_line(raw: Any) -> FlightLine:
    got = taken(raw, "[flight_line]", keys.FLIGHT_LINE)
    if got["drift_u_m"] is None:
        got["drift_u_m"] = got["offset_u_m"]
    if got["climb_u_m"] is None:
        got["climb_u_m"] = got["height_u_m"]
    return FlightLine(**got)


def _craft(raw: Any) -> Craft:
    got = taken(raw, "[craft]", keys.CRAFT)
    low, high = got.pop("speed_kmh")
    return Craft(speed_mps=(low / 3.6, high / 3.6), **got)


def _marker(raw: Any) -> Marker:
    got = taken(raw, "[[marker]]", keys.MARKER)
    return Marker(**got)


def _other(raw: Any) -> OtherLight:
    got = taken(raw, "[[other]]", keys.OTHER)
    if len(got["xyz_m"]) != len(got["at_s"]):
        raise SceneError(
            f"[[other]]: xyz_m has {len(got['xyz_m'])} places and at_s {len(got['at_s'])} times; "
            "give one time for each place"
        )
    return OtherLight(**got)


def _pass(raw: Any, number: int) -> ScenePass:
    got = taken(raw, f"[[pass]] number {number}", keys.PASS)
    label = got.pop("pass") or str(number)
    return ScenePass(label=label, speed_mps=got.pop("speed_kmh") / 3.6, **got)
