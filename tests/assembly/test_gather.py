"""Tracks that a session names instead of clips."""

import pytest

from tests.tiny import edit, render_tiny
from vidspeed.assembly.cameras import calibrate_all
from vidspeed.assembly.gather import look
from vidspeed.session.read import read_session

ROWS = ((3, 0.05), (4, 0.067), (5, 0.083), (7, 0.118))  # frame, time_s: uneven, one missing


@pytest.mark.parametrize(("stated", "interval_s"), [("", 0.017), ("0.01668", 0.01668)])
def test_a_track_keeps_the_frame_interval_of_its_clip(tmp_path, stated, interval_s):
    """What is assumed of an unknown read-out or exposure hangs on it."""
    folder = render_tiny(tmp_path / "session")
    lines = [f"{frame},{time_s},{20 * frame},90,0.2,0.2,{stated}" for frame, time_s in ROWS]
    head = "frame,time_s,x_px,y_px,u_x_px,u_y_px,interval_s"
    (folder / "hand.csv").write_text("\n".join([head, *lines]), encoding="utf-8")
    edit(folder / "session.toml", 'file = "clips/north/pass-1.mp4"', 'track = "hand.csv"')
    session = read_session(folder)
    looked = look(session, calibrate_all(session), session.clips[0], None)
    assert looked.interval_s == pytest.approx(interval_s)
