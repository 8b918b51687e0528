"""A small scene made in code, for the tests of this room."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np

from vidspeed.render.flight import Flight, make_flight, no_weave
from vidspeed.render.scene import Look, Scene, SceneCamera, ScenePass
from vidspeed.values import Course, FlightLine, Marker

CLEAN = Look(lamp_signal=0.5, halo_share=0.0, read_noise_e=0.0, full_well_e=1e9, marker_signal=0.0)


def camera(**changes: Any) -> SceneCamera:
    """Return a camera 60 m beside an 80 m course, 320 x 180 px."""
    plain = SceneCamera(
        name="north",
        position_m=np.array([40.0, -60.0, 1.7]),
        aim_m=np.array([40.0, 0.0, 4.0]),
        image_size_px=(320, 180),
        lens=np.array([240.0, 240.0, 159.5, 89.5, -0.02, 0.0, 0.0, 0.0, 0.0]),
        lens_u=np.array([2.0, 2.0, 2.0, 2.0, 0.01, 0.0, 0.0, 0.0, 0.0]),
        rate_hz=Fraction(60),
        exposure_s=0.002,
        readout_s=0.0,
        readout_u_s=0.0,
        look=CLEAN,
    )
    return replace(plain, **changes)


def flight(**changes: Any) -> Flight:
    """Return a flight at a steady 100 m/s along the middle of the course, 4 m high."""
    plain: dict[str, Any] = {
        "length_m": 80.0,
        "direction": "forward",
        "speed_mps": 100.0,
        "mean_m": (0.0, 4.0),
        "change_m": (0.0, 0.0),
        "accel_mps2": np.zeros(3),
        "jerk_mps3": np.zeros(3),
        "weave": no_weave(80.0),
    }
    return make_flight(**{**plain, **changes})


def scene(**changes: Any) -> Scene:
    """Return a scene of one camera and two short passes."""
    places = [(0, 0, 0), (80, 0, 0), (0, 8, 2), (80, 8, 2), (40, 5, 1), (30, -20, 0)]
    plain = Scene(
        title="Trial",
        seed=5,
        course=Course(length_m=80.0, length_u_m=0.02),
        markers=tuple(
            Marker(name=f"m{i}", xyz_m=np.array(place, float), u_m=0.02)
            for i, place in enumerate(places)
        ),
        flight_line=FlightLine(
            offset_m=0.5,
            offset_u_m=0.4,
            height_m=4.0,
            height_u_m=0.3,
            drift_u_m=0.2,
            climb_u_m=0.1,
            weave_u_m=0.02,
            accel_u_mps2=np.array([10.0, 3.0, 3.0]),
        ),
        cameras=(camera(),),
        passes=(
            ScenePass(label="1", direction="forward", speed_mps=110.0, flight="1"),
            ScenePass(label="2", direction="reverse", speed_mps=95.0, flight="1"),
        ),
        clip_s=0.3,
    )
    return replace(plain, **changes)
