"""`vidspeed follow`: all tracks of a clip in pixels, and one picture of it, without a session."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest

from tests.clip.painted import Flyer, Painting, paint_clip
from tests.tiny import command
from vidspeed.clip.still import read_picture
from vidspeed.errors import ClipError, ResultsError
from vidspeed.follow import follow
from vidspeed.record.columns import TRACK_COLUMNS, tracks_csv
from vidspeed.record.followview import marked_times, write_follow
from vidspeed.session.tables import read_tracks

EARLY = Flyer(start=(20.0, 40.0), frames=range(0, 40))
LATE = Flyer(start=(600.0, 120.0), step=(-9.0, 0.6), frames=range(25, 60))


@pytest.fixture(scope="module")
def two_lamps(tmp_path_factory):
    """A clip that two lamps cross, the brighter one later."""
    late = Flyer(start=LATE.start, step=LATE.step, frames=LATE.frames, peak=150.0, bend=0.0)
    painting = Painting(shape=(180, 320), count=60, flyers=[EARLY, late])
    return paint_clip(tmp_path_factory.mktemp("clips") / "two lamps.mp4", painting)


def test_tracks_are_numbered_in_order_of_time(two_lamps):
    seen = follow(two_lamps)
    begins = [track.time_s[0] for track in seen.tracks]
    assert len(begins) == 2
    assert begins == sorted(begins)
    assert seen.tracks[0].xy_px[0, 1] < 60 < seen.tracks[1].xy_px[0, 1]


def test_the_table_is_one_that_a_session_takes(two_lamps, tmp_path):
    seen = follow(two_lamps)
    path = tmp_path / "tracks.csv"
    path.write_bytes(tracks_csv(seen.tracks))
    assert next(csv.reader(io.StringIO(path.read_text(encoding="utf-8")))) == list(TRACK_COLUMNS)
    again = read_tracks(path, height_px=180)
    for one, other in zip(seen.tracks, again, strict=True):
        assert np.array_equal(one.time_s, other.time_s)
        assert np.array_equal(one.xy_px, other.xy_px)
        assert one.interval_s == other.interval_s


def test_the_command_writes_table_and_picture(two_lamps, tmp_path):
    said = command("follow", str(two_lamps), "--out", str(tmp_path / "evening"))
    assert said.status == 0, said.err
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == ["evening-tracks.csv", "evening-tracks.png"]
    picture = read_picture(tmp_path / "evening-tracks.png")
    assert picture.shape[1] > 800
    assert all(str(tmp_path / name) in said.out for name in names)
    assert command("follow", str(two_lamps), "--out", str(tmp_path)).status == 0
    assert (tmp_path / f"{two_lamps.stem}-tracks.csv").exists()


def test_a_stated_rate_is_the_clip_s_time(two_lamps):
    plain, slow = follow(two_lamps), follow(two_lamps, rate_hz=240.0)
    ratio = np.ptp(plain.tracks[0].time_s) / np.ptp(slow.tracks[0].time_s)
    assert ratio == pytest.approx(4.0, abs=0.01)


def test_a_clip_without_a_track_still_has_its_picture(tmp_path):
    clip = paint_clip(tmp_path / "still.mp4", Painting(flyers=[]))
    said = command("follow", str(clip))
    assert said.status == 0
    assert "nothing moved" in said.err
    assert (tmp_path / "still-tracks.png").exists()
    rows = (tmp_path / "still-tracks.csv").read_text(encoding="utf-8").splitlines()
    assert rows == [",".join(TRACK_COLUMNS)]


def test_what_is_no_clip_is_refused(tmp_path):
    (tmp_path / "notes.mp4").write_text("no clip", encoding="utf-8")
    with pytest.raises(ClipError, match=r"notes\.mp4"):
        follow(tmp_path / "notes.mp4")
    said = command("follow", str(tmp_path / "notes.mp4"))
    assert said.status == 1
    assert "Traceback" not in said.err
    assert command("follow", str(tmp_path / "notes.mp4"), "--rate-hz", "-1").status == 2


def test_where_nothing_can_be_written_it_says_so(two_lamps, tmp_path):
    with pytest.raises(ResultsError, match="--out"):
        write_follow(follow(two_lamps), tmp_path / "nowhere" / "x")


def test_times_are_marked_at_round_moments():
    time_s = 3.017 + np.arange(60) / 60.0
    marked = marked_times(time_s)
    assert [round(moment, 1) for _, moment in marked] == [3.2, 3.4, 3.6, 3.8, 4.0]
    assert all(abs(time_s[index] - moment) < 1e-9 for index, moment in marked)
