"""The files of a session folder, as the people at the course would have written them."""

from __future__ import annotations

import json
from collections.abc import Sequence

import numpy as np

from vidspeed.render.draw import Stated, Take, World, needs_lens_file
from vidspeed.render.scene import Scene, SceneCamera
from vidspeed.values import Air, Floats, Marker, Pick


def session_files(
    scene: Scene, world: World, clips: Sequence[str], bare: bool = False
) -> dict[str, str]:
    """Return the text of every file but the clips, by its name in the session folder.

    `clips` are the files of `world.takes`; `bare`: they are tracks.
    """
    files = {
        "session.toml": _session_text(scene, world, clips, bare),
        "markers.csv": _markers_text(world.markers),
    }
    for camera in scene.cameras:
        stated = world.stated[camera.name]
        files[f"picks-{camera.name}.csv"] = _picks_text(stated.picks)
        if needs_lens_file(camera):
            files[f"lens-{camera.name}.json"] = _lens_text(camera, stated.lens)
    return files


def _session_text(scene: Scene, world: World, clips: Sequence[str], bare: bool) -> str:
    """Return session.toml."""
    parts = [_head(scene), _course(scene), _flight_line(scene)]
    if scene.air is not None:
        parts.append(_air(scene.air))
    parts.append(_craft(scene))
    for camera in scene.cameras:
        parts.append(_camera(camera, world.stated[camera.name]))
    for take, file in zip(world.takes, clips, strict=True):
        parts.append(_clip(take, world.stated[take.camera.name], file, bare))
    return "\n".join("\n".join(part) + "\n" for part in parts)


def _head(scene: Scene) -> list[str]:
    lines = [f"title = {_quoted(scene.title)}"]
    if scene.date is not None:
        lines.append(f"date = {scene.date.isoformat()}")
    if scene.place is not None:
        lines.append(f"place = {_quoted(scene.place)}")
    return lines


def _course(scene: Scene) -> list[str]:
    return [
        "[course]",
        f"length_m = {_number(scene.course.length_m)}",
        f"length_u_m = {_number(scene.course.length_u_m)}",
        'markers = "markers.csv"',
    ]


def _flight_line(scene: Scene) -> list[str]:
    line = scene.flight_line
    if not line.stated:
        return []
    lines = ["[flight_line]"]
    for name in (
        "offset_m",
        "offset_u_m",
        "height_m",
        "height_u_m",
        "drift_u_m",
        "climb_u_m",
        "weave_u_m",
        "offset_shared_u_m",
        "height_shared_u_m",
    ):
        value = getattr(line, name)
        if value is not None and name not in line.assumed:
            lines.append(f"{name} = {_number(value)}")
    if "accel_u_mps2" not in line.assumed:
        lines.append(f"accel_u_mps2 = {_numbers(line.accel_u_mps2)}")
    return lines


def _air(air: Air) -> list[str]:
    lines = ["[air]"]
    for name in ("temperature", "pressure", "humidity"):
        unit = {"temperature": "c", "pressure": "hpa", "humidity": "pct"}[name]
        if getattr(air, f"{name}_{unit}") is not None:
            lines.append(f"{name}_{unit} = {_number(getattr(air, f'{name}_{unit}'))}")
    return lines


def _craft(scene: Scene) -> list[str]:
    craft = scene.craft
    lines = ["[craft]"]
    if craft.name is not None:
        lines.append(f"name = {_quoted(craft.name)}")
    lines.append(f"speed_kmh = {_numbers(np.array(craft.speed_mps) * 3.6)}")
    lines.append(f"lamp_u_m = {_number(craft.lamp_u_m)}")
    return lines


def _camera(camera: SceneCamera, stated: Stated) -> list[str]:
    lines = [
        "[[camera]]",
        f"name = {_quoted(camera.name)}",
        f"image_size_px = [{camera.image_size_px[0]}, {camera.image_size_px[1]}]",
        f'picks = "picks-{camera.name}.csv"',
        *_lens_lines(camera, stated.lens),
    ]
    if "readout" not in camera.unstated:
        lines.append(f"readout_ms = {_number(stated.readout_s * 1e3)}")
        lines.append(f"readout_u_ms = {_number(camera.readout_u_s * 1e3)}")
    if "clock" not in camera.unstated:
        lines.append(f"clock_u_ppm = {_number(camera.clock_u_ppm)}")
    if stated.position_m is not None and camera.position_u_m is not None:
        lines.append(f"position_m = {_numbers(stated.position_m)}")
        lines.append(f"position_u_m = {_number(camera.position_u_m)}")
    return lines


def _lens_lines(camera: SceneCamera, lens: Floats) -> list[str]:
    """Return the keys of the lens; what is `unstated` has none."""
    if needs_lens_file(camera):
        return [f'lens = "lens-{camera.name}.json"']
    lines = []
    if "focal" not in camera.unstated:
        lines.append(f"focal_px = {_number(lens[0])}")
        if "focal_u" not in camera.unstated:
            lines.append(f"focal_u_px = {_number(camera.lens_u[0])}")
    if "centre" not in camera.unstated:
        lines.append(f"centre_px = {_numbers(lens[2:4])}")
        lines.append(f"centre_u_px = {_number(camera.lens_u[2])}")
    if "k1" not in camera.unstated:
        lines.append(f"k1 = {_number(lens[4])}")
        lines.append(f"k1_u = {_number(camera.lens_u[4])}")
    return lines


def _clip(take: Take, stated: Stated, file: str, bare: bool) -> list[str]:
    camera, item = take.camera, take.item
    lines = [
        "[[clip]]",
        f"{'track' if bare else 'file'} = {_quoted(file)}",
        f"camera = {_quoted(camera.name)}",
    ]
    if item.flight is not None:
        lines.append(f"flight = {_quoted(item.flight)}")
    lines.append(f"pass = {_quoted(item.label)}")
    if item.setup is not None:
        lines.append(f"setup = {_quoted(item.setup)}")
    if camera.stored_rate_hz is not None:
        lines.append(f"rate_hz = {_number(float(camera.rate_hz))}")
    if "exposure" not in camera.unstated:
        lines.append(f"exposure_ms = {_number(stated.exposure_s * 1e3)}")
        lines.append(f"exposure_u_ms = {_number(camera.exposure_u_s * 1e3)}")
    return lines


def _markers_text(markers: Sequence[Marker]) -> str:
    rows = ["name,x_m,y_m,z_m,u_m,use"]
    for marker in markers:
        places = ",".join(f"{value:.5f}" for value in marker.xyz_m)
        rows.append(f"{marker.name},{places},{marker.u_m:g},{marker.use}")
    return "\n".join(rows) + "\n"


def _picks_text(picks: Sequence[Pick]) -> str:
    rows = ["name,x_px,y_px,u_px"]
    for pick in picks:
        rows.append(f"{pick.name},{pick.xy_px[0]:.4f},{pick.xy_px[1]:.4f},{pick.u_px:g}")
    return "\n".join(rows) + "\n"


def _lens_text(camera: SceneCamera, lens: Floats) -> str:
    """Return a lens file; its covariance is diagonal."""
    names = ("fx_px", "fy_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2", "k3")
    body = {
        "schema": "vidspeed.lens/1",
        "image_size_px": list(camera.image_size_px),
        **{name: float(value) for name, value in zip(names, lens, strict=True)},
        "covariance": np.diag(camera.lens_u**2).tolist(),
        "rms_px": 0.2,
        "views": 20,
    }
    return json.dumps(body, indent=1) + "\n"


def _quoted(text: str) -> str:
    """Return a TOML string: JSON's escapes are among TOML's."""
    return json.dumps(text, ensure_ascii=False)


def _number(value: float) -> str:
    """Return a TOML float with nine digits."""
    text = f"{float(value):.9g}"
    return text if any(mark in text for mark in ".en") else f"{text}.0"


def _numbers(values: Floats) -> str:
    return "[" + ", ".join(_number(value) for value in values) + "]"
