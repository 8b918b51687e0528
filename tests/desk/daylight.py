"""A session whose one camera still lacks its picks: a painted still with a lamp at every marker."""

import cv2
import numpy as np

from vidspeed.geometry.aim import aimed
from vidspeed.geometry.lens import project

SIZE_PX = (1280, 720)
LENS = np.array([960.0, 960.0, 639.5, 359.5, 0.0, 0.0, 0.0, 0.0, 0.0])
PLACES_M = {
    "A1": (0.0, -4.0, 0.0), "A2": (60.0, -5.0, 0.0), "B1": (0.0, 0.0, 3.0), "B2": (60.0, 0.0, 3.0),
    "C1": (30.0, 8.0, 0.2), "C2": (28.0, -9.0, 2.5),
}  # fmt: skip
SESSION = """\
title = "{title}"
wanted_U95_percent = 5.0

[course]
length_m = 60.0
length_u_m = 0.02
markers = "markers.csv"

[flight_line]
offset_m = 0.0
offset_u_m = 0.2
height_m = 3.0
height_u_m = 0.2

[[camera]]
name = "north"
image_size_px = [1280, 720]
picks = "picks-north.csv"
reference = "still-north.png"
focal_px = 960.0
focal_u_px = 5.0
centre_u_px = 2.0
k1_u = 0.001
readout_ms = 8.0
"""


def true_picks():
    """Return where each marker is in the picture, by its own camera equation."""
    pose = aimed(np.array([31.0, -55.0, 1.8]), np.array([30.0, 0.0, 2.0]))
    xy = project(np.array(list(PLACES_M.values())), pose, LENS)
    return dict(zip(PLACES_M, xy, strict=True))


def lamps(places):
    """Paint a lamp of 1.6 px at each place, over a little noise."""
    y, x = np.indices(SIZE_PX[::-1], dtype=np.float64)
    picture = 18.0 + np.random.default_rng(4).normal(0.0, 1.0, x.shape)
    for place in places:
        picture += 180.0 * np.exp(-((x - place[0]) ** 2 + (y - place[1]) ** 2) / (2.0 * 1.6**2))
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


def session_without_picks(folder, title="Evening passes"):
    """Write the session's files; the picks file is not there yet."""
    rows = [f"{name},{x},{y},{z},0.01,fit" for name, (x, y, z) in PLACES_M.items()]
    text = "\n".join(["name,x_m,y_m,z_m,u_m,use", *rows, ""])
    (folder / "markers.csv").write_text(text, encoding="utf-8")
    (folder / "session.toml").write_text(SESSION.format(title=title), encoding="utf-8")
    picture = cv2.imencode(".png", lamps(true_picks().values()))[1]
    (folder / "still-north.png").write_bytes(picture.tobytes())
    return folder
