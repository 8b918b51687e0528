"""Sound tracks: every sample where it was written, whatever the container and the channels."""

from __future__ import annotations

import numpy as np
import pytest

from vidspeed.clip.sound import read_sound
from vidspeed.errors import ClipError

from .painted import Painting, paint_clip
from .sounded import RATE, Clap, write_sounded


@pytest.mark.parametrize(
    ("suffix", "channels", "start_s"),
    [("mov", 1, 0.0), ("mov", 2, 0.0), ("avi", 1, 0.0), ("mkv", 2, 0.25)],
)
def test_samples_and_their_times_come_back(tmp_path, suffix, channels, start_s):
    clap = Clap(channels=channels, sound_start_s=start_s, seconds=1.5, bang_s=0.6)
    sound = read_sound(write_sounded(tmp_path / f"a.{suffix}", clap))
    assert (sound.rate_hz, sound.channels) == (RATE, channels)
    assert sound.start_s == pytest.approx(start_s, abs=1e-3)
    assert len(sound.samples) == len(clap.samples())
    assert np.abs(sound.samples - clap.samples()).max() < 2e-4
    loudest = sound.time_s[int(np.argmax(np.abs(sound.samples)))]
    assert 0.6 <= loudest < 0.63
    assert sound.notes == ()


def test_a_lossy_track_keeps_its_place(tmp_path):
    clap = Clap(seconds=1.5, bang_s=0.6)
    sound = read_sound(write_sounded(tmp_path / "a.mp4", clap, sound="aac"))
    lag = np.argmax(np.correlate(sound.samples[20000:50000], clap.samples()[25000:40000], "valid"))
    assert abs(lag - 5000) <= 2  # samples


def test_a_gap_in_the_track_is_kept_and_said(tmp_path, monkeypatch):
    import vidspeed.clip.sound as room

    path = write_sounded(tmp_path / "a.mov", Clap(seconds=1.0))
    whole = read_sound(path)
    pieces = room._pieces
    monkeypatch.setattr(
        room, "_pieces", lambda *a: [row for k, row in enumerate(pieces(*a)) if k not in (10, 11)]
    )
    holed = read_sound(path)
    assert len(holed.samples) == len(whole.samples)
    assert "jumps in 1 places" in holed.notes[0]
    assert np.count_nonzero(holed.samples == 0.0) >= 2000
    kept = holed.samples != 0.0
    assert np.array_equal(holed.samples[kept], whole.samples[kept])


def test_a_clip_without_sound_and_a_file_that_is_none_are_refused(tmp_path):
    silent = paint_clip(tmp_path / "a.mp4", Painting(shape=(32, 32), count=3, lamps=0, flyers=[]))
    with pytest.raises(ClipError, match=r"a\.mp4: there is no sound in this file"):
        read_sound(silent)
    (tmp_path / "b.mp4").write_bytes(b"nothing")
    with pytest.raises(ClipError, match=r"b\.mp4: this is not a clip"):
        read_sound(tmp_path / "b.mp4")
