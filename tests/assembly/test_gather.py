"""Clips that are looked at, and tracks that a session names instead of them."""

import time

import pytest

from tests.tiny import edit, render_tiny
from vidspeed.assembly import gather
from vidspeed.assembly.cameras import calibrate_all
from vidspeed.assembly.gather import look
from vidspeed.errors import ClipError
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


STATED = "exposure_ms = 1.07285627\nexposure_u_ms = 0.1\n"


def _looked(tmp_path, *, stated, track=False):
    """Return what is seen in the clip with another exposure, or in a track in its place."""
    folder = render_tiny(tmp_path / "session")
    edit(folder / "session.toml", STATED, stated)
    if track:
        rows = [f"{frame},{time_s},{20 * frame},90,0.2,0.2" for frame, time_s in ROWS]
        text = "\n".join(["frame,time_s,x_px,y_px,u_x_px,u_y_px", *rows])
        (folder / "hand.csv").write_text(text, encoding="utf-8")
        edit(folder / "session.toml", 'file = "clips/north/pass-1.mp4"', 'track = "hand.csv"')
    session = read_session(folder)
    return look(session, calibrate_all(session), session.clips[0], None)


@pytest.mark.parametrize(
    ("rate", "most", "other"),
    [
        ("", "16.7 ms (60 frames a second)", ""),
        ("rate_hz = 240.0\n", "4.17 ms (240 frames a second by rate_hz)", ", or rate_hz is wrong"),
    ],
)
def test_an_exposure_longer_than_from_frame_to_frame_is_refused_with_what_it_may_be(
    tmp_path, rate, most, other
):
    looked = _looked(tmp_path, stated=f"{rate}exposure_ms = 350\n")
    (problem,) = looked.problems
    assert looked.interval_s is None and problem.level == "error"
    assert (problem.where, problem.message) == (
        "clips/north/pass-1.mp4",
        f"exposure_ms is 350, at most the time from frame to frame is possible, {most}; "
        f"a shutter of 1/350 s is 2.86 ms: write exposure_ms = 2.86{other}",
    )


def test_an_exposure_of_a_whole_frame_may_be_stated_as_roundly_as_it_is_known(tmp_path):
    looked = _looked(tmp_path, stated="exposure_ms = 17\nexposure_u_ms = 0.0\n")
    assert looked.interval_s is not None and not looked.problems


def test_an_exposure_longer_than_from_row_to_row_of_a_track_is_refused(tmp_path):
    (problem,) = _looked(tmp_path, stated="exposure_ms = 25\n", track=True).problems
    assert problem.message.startswith("exposure_ms is 25, at most the time from frame to frame")
    assert problem.message.endswith("(58.8 frames a second); correct it, or leave it out")


def _asked(path, rate_hz):
    raise ClipError("its stamps are not the times of capture")


def _told(tmp_path, monkeypatch, scan):
    """Return what is said of a clip whose stamps are contradicted while it is scanned."""
    session = read_session(render_tiny(tmp_path / "session"))
    monkeypatch.setattr(gather, "_against_stamps", _asked)
    monkeypatch.setattr(gather, "scan", scan)
    looked = look(session, calibrate_all(session), session.clips[0], None)
    return [row.message for row in looked.problems]


def test_a_scan_ends_as_soon_as_the_stamps_are_known_to_be_false(tmp_path, monkeypatch):
    def endless(path, *, progress, **_how):
        while True:
            progress(1, 0)
            time.sleep(0.001)

    assert _told(tmp_path, monkeypatch, endless) == ["its stamps are not the times of capture"]


def test_what_speaks_against_the_stamps_is_said_before_anything_else(tmp_path, monkeypatch):
    def damaged(path, **_how):
        raise ClipError("no frame can be decoded")

    assert _told(tmp_path, monkeypatch, damaged) == ["its stamps are not the times of capture"]
