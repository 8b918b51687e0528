"""The keys of a camera that is only planned: where it will stand, before there are picks."""

from __future__ import annotations

from vidspeed.session.key import number, of

PLANNED_KEYS = of(
    "camera.planned",
    number("position_m", "metres", "where the lens will stand: x, y, z", "[40.0, -60.0, 1.7]",
           count=3, required=True),
    number("aim_m", "metres", "what the middle of the picture will look at: x, y, z",
           "[40.0, 0.0, 3.0]", count=3, left_out="the flight line at mid-course"),
    number("exposure_ms", "milliseconds", "exposure it will film with", "2.0", above=0.0,
           most=10e3, left_out="half a frame interval"),
    number("pick_u_px", "pixels", "standard uncertainty of its picks", "0.5", above=0.0,
           default=1.0, left_out="1.0"),
    number("light_u_px", "pixels", "standard uncertainty of a light", "0.1", above=0.0,
           default=0.1, left_out="0.1"),
    number("from_m", "metres", "lowest x, y, z at which it may stand", "[0.0, -80.0, 1.0]",
           count=3, left_out="it stays where it is", beside="to_m"),
    number("to_m", "metres", "highest x, y, z at which it may stand", "[80.0, -40.0, 4.0]",
           count=3, left_out="it stays where it is", beside="from_m"),
)  # fmt: skip
