"""A small course of which every figure is stated truly, filmed as a test asks."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np

from vidspeed.render.scene import Look, Scene, SceneCamera, ScenePass
from vidspeed.render.session import render_session
from vidspeed.values import Course, Craft, FlightLine, Marker

PLACES_M = {
    "A1": (0.0, 0.0, 0.2), "A2": (40.0, 0.0, 0.2), "B1": (0.0, 6.0, 2.0), "B2": (40.0, 6.0, 2.0),
    "D1": (15.0, -12.0, 0.0), "D2": (28.0, 12.0, 5.0), "C1": (22.0, 3.0, 1.0),
    "E1": (8.0, 9.0, 3.0),
}  # fmt: skip


def a_camera(**changes):
    """Return a camera 30 m beside the course, 480 x 270 pixels."""
    width, height = changes.get("image_size_px", (480, 270))
    focal = changes.pop("focal_px", 0.45 * width)
    plain = SceneCamera(
        name="north",
        position_m=np.array([20.0, -30.0, 1.6]),
        aim_m=np.array([20.0, 0.0, 3.0]),
        image_size_px=(480, 270),
        lens=np.array([focal, focal, (width - 1) / 2.0, (height - 1) / 2.0, 0, 0, 0, 0, 0]),
        lens_u=np.array([1.0, 1.0, 1.0, 1.0, 0.002, 0.0, 0.0, 0.0, 0.0]),
        rate_hz=Fraction(60),
        exposure_s=0.006,
        readout_s=0.008,
        readout_u_s=0.0002,
        exposure_u_s=0.0001,
        pick_u_px=0.1,
        look=Look(lamp_signal=2.0, reference_m=30.0),
    )
    return replace(plain, **changes)


def a_scene(*cameras, speed_kmh=300.0, clip_s=0.75, **changes):
    """Return a scene with nothing disturbed: whatever is stated is so."""
    plain = Scene(
        title="A short afternoon",
        seed=7,
        course=Course(length_m=40.0, length_u_m=0.004),
        markers=tuple(
            Marker(name=name, xyz_m=np.array(place), u_m=0.005) for name, place in PLACES_M.items()
        ),
        flight_line=FlightLine(
            offset_m=0.0, offset_u_m=0.03, height_m=3.0, height_u_m=0.03, drift_u_m=0.03,
            climb_u_m=0.03, weave_u_m=0.005, accel_u_mps2=np.array([10.0, 3.0, 3.0]),
        ),
        cameras=cameras,
        passes=(ScenePass(label="1", direction="forward", speed_mps=speed_kmh / 3.6),),
        craft=Craft(name="Skein 2", speed_mps=(150 / 3.6, 600 / 3.6)),
        clip_s=clip_s,
        disturb=frozenset(),
    )  # fmt: skip
    return replace(plain, **changes)


def filmed(folder, *cameras, **how):
    """Write a session and its clips; return the true speed."""
    folder.mkdir(exist_ok=True)
    return render_session(a_scene(*cameras, **how), folder).passes[0].speed_mps


def edited(folder, old, new):
    """Change a text of session.toml; it must be there."""
    path = folder / "session.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text, text
    path.write_text(text.replace(old, new), encoding="utf-8", newline="\n")
