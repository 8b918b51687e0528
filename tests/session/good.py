"""A session that is right, as text; tests make it wrong one thing at a time."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

from vidspeed.errors import SessionError
from vidspeed.session.read import read_session

SESSION = """\
title = "Evening passes"
date = 2026-09-12
place = "Low Moor airstrip"

[course]
length_m = 80.0
length_u_m = 0.02
markers = "markers.csv"

[flight_line]
offset_m = 0.0
offset_u_m = 0.5
height_m = 4.0
height_u_m = 3.0

[[camera]]
name = "north"
image_size_px = [1920, 1080]
picks = "picks-north.csv"
focal_px = 1480.0
focal_u_px = 15.0
centre_px = [959.5, 539.5]
centre_u_px = 10.0
k1 = 0.0
k1_u = 0.01
readout_ms = 12.0
readout_u_ms = 3.0
clock_u_ppm = 50.0

[[clip]]
file = "clips/pass-1.mp4"
camera = "north"
"""

MARKERS = """\
name,x_m,y_m,z_m,u_m,use
A1,0,-5,0,0.02,fit
A2,80,-5,0,0.02,fit
A3,0,5,0,0.02,fit
A4,80,5,2.5,0.02,fit
C1,40,0,0,0.02,check
"""

PICKS = """\
name,x_px,y_px,u_px
A1,100.25,800,0.5
A2,1800,805,0.5
A3,150,700,0.5
A4,1750,600.5,0.5
C1,950,745,0.5
"""


def write(
    folder: Path, session: str = SESSION, *, markers: str = MARKERS, picks: str = PICKS
) -> Path:
    folder.mkdir(exist_ok=True)
    for name, text in (
        ("session.toml", session),
        ("markers.csv", markers),
        ("picks-north.csv", picks),
    ):
        (folder / name).write_text(text, encoding="utf-8", newline="")
    return folder


def faults(folder: Path) -> tuple[str, ...]:
    with pytest.raises(SessionError) as error:
        read_session(folder)
    assert all("\n" not in message and message for message in error.value.messages)
    assert pickle.loads(pickle.dumps(error.value)).messages == error.value.messages
    return error.value.messages
