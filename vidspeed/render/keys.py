"""The keys of a scene: of what kind each is, and what it is where it is left out."""

from __future__ import annotations

import numpy as np

from vidspeed.clip.write import CONTAINERS, ENCODERS
from vidspeed.render.kinds import (
    REQUIRED,
    Rules,
    above_zero,
    cell_text,
    count,
    day,
    even,
    file_text,
    flag,
    from_one,
    names,
    not_negative,
    number,
    numbers,
    one_of,
    pair,
    rate,
    share,
    some_of,
    table,
    tables,
    text,
    whole,
)
from vidspeed.render.scene import DISTURBANCES

SCENE: Rules = {
    "title": (text, REQUIRED),
    "date": (day, None),
    "place": (text, None),
    "seed": (count, REQUIRED),
    "clip_s": (above_zero, 1.4),
    "disturb": (some_of(*DISTURBANCES), DISTURBANCES),
    "course": (table, REQUIRED),
    "flight_line": (table, REQUIRED),
    "craft": (table, {}),
    "air": (table, None),
    "all_cameras": (table, {}),
    "camera": (tables, REQUIRED),
    "marker": (tables, REQUIRED),
    "lamp": (tables, []),
    "pass": (tables, REQUIRED),
}
COURSE: Rules = {
    "length_m": (above_zero, REQUIRED),
    "length_u_m": (not_negative, REQUIRED),
}
FLIGHT_LINE: Rules = {
    "offset_m": (number, 0.0),
    "offset_u_m": (not_negative, REQUIRED),
    "height_m": (number, REQUIRED),
    "height_u_m": (not_negative, REQUIRED),
    "drift_u_m": (not_negative, None),
    "climb_u_m": (not_negative, None),
    "weave_u_m": (not_negative, 0.02),
    "accel_u_mps2": (numbers(3, not_negative), np.array([10.0, 3.0, 3.0])),
    "offset_shared_u_m": (not_negative, None),
    "height_shared_u_m": (not_negative, None),
    "stated": (flag, True),
}
CRAFT: Rules = {
    "name": (text, None),
    "speed_kmh": (pair(above_zero), (150.0, 600.0)),
    "lamp_u_m": (not_negative, 0.0),
}
AIR: Rules = {
    "temperature_c": (number, None),
    "pressure_hpa": (above_zero, None),
    "humidity_pct": (not_negative, None),
}
MARKER: Rules = {
    "name": (cell_text, REQUIRED),
    "xyz_m": (numbers(3), REQUIRED),
    "u_m": (not_negative, REQUIRED),
    "use": (one_of("fit", "check"), "fit"),
}
LAMP: Rules = {
    "xyz_m": (numbers(3), REQUIRED),
    "signal": (above_zero, REQUIRED),
}
LOOK: Rules = {
    "background": (one_of("day", "dusk", "dark"), "dark"),
    "lamp_signal": (not_negative, 4.0),
    "reference_m": (above_zero, 60.0),
    "spot_px": (above_zero, 1.2),
    "halo_px": (above_zero, 5.0),
    "halo_share": (share, 0.03),
    "full_well_e": (above_zero, 6000.0),
    "read_noise_e": (not_negative, 3.0),
    "marker_signal": (not_negative, 0.3),
    "blink_hz": (not_negative, 0.0),
    "blink_duty": (share, 0.5),
    "full_range": (flag, False),
}
CAMERA: Rules = {
    "name": (file_text, REQUIRED),
    "position_m": (numbers(3), REQUIRED),
    "aim_m": (numbers(3), REQUIRED),
    "roll_deg": (number, 0.0),
    "image_size_px": (pair(even), REQUIRED),
    "focal_px": (above_zero, REQUIRED),
    "focal_u_px": (not_negative, REQUIRED),
    "centre_px": (pair(number), None),
    "centre_u_px": (not_negative, 0.0),
    **dict.fromkeys(("k1", "k2", "p1", "p2", "k3"), (number, 0.0)),
    **{f"{key}_u": (not_negative, 0.0) for key in ("k1", "k2", "p1", "p2", "k3")},
    "rate_hz": (rate, REQUIRED),
    "exposure_ms": (above_zero, REQUIRED),
    "exposure_u_ms": (not_negative, 0.0),
    "readout_ms": (not_negative, 0.0),
    "readout_u_ms": (not_negative, 0.0),
    "clock_ppm": (number, None),
    "clock_u_ppm": (not_negative, 50.0),
    "pick_u_px": (not_negative, 0.5),
    "position_u_m": (above_zero, None),
    "stored_rate_hz": (rate, None),
    "stamps": (one_of("steady", "uneven", "halved"), "steady"),
    "exposure_to_ms": (above_zero, None),
    "stamp_at": (one_of("start", "middle", "end"), "start"),
    "dropped": (share, 0.0),
    "repeated": (share, 0.0),
    "merged": (from_one, 1),
    "merge_ms": (not_negative, 0.0),
    "rotation_deg": (whole, 0),
    "codec": (one_of(*ENCODERS), "h264"),
    "crf": (count, 18),
    "preset": (text, "ultrafast"),
    "suffix": (one_of(*CONTAINERS), ".mp4"),
    "look": (table, {}),
    "unstated": (
        some_of("focal", "focal_u", "centre", "k1", "readout", "exposure", "clock"),
        frozenset(),
    ),
}
PASS: Rules = {
    "pass": (file_text, None),
    "flight": (text, None),
    "setup": (text, None),
    "direction": (one_of("forward", "reverse"), REQUIRED),
    "speed_kmh": (above_zero, REQUIRED),
    "offset_m": (number, None),
    "height_m": (number, None),
    "drift_m": (number, None),
    "climb_m": (number, None),
    "accel_mps2": (numbers(3), None),
    "cameras": (names, None),
    "clip_s": (above_zero, None),
}
