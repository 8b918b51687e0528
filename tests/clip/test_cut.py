"""A piece of a clip written anew keeps its stamps and its sound, and shows what was drawn."""

from __future__ import annotations

import numpy as np
import pytest

from tests.clip.sounded import Clap, write_sounded
from vidspeed.clip.cut import cut
from vidspeed.clip.read import ClipReader
from vidspeed.clip.sound import read_sound
from vidspeed.clip.write import uneven_stamps, write_clip
from vidspeed.errors import ClipError

TIMES = np.cumsum([0.0, *np.tile([0.016, 0.017, 0.018], 20)])


@pytest.fixture(scope="module")
def uneven(tmp_path_factory):
    path = tmp_path_factory.mktemp("uneven") / "uneven.mp4"
    pictures = (np.full((90, 160), 40 + index, np.uint8) for index in range(len(TIMES)))
    write_clip(path, pictures, stamps=uneven_stamps(TIMES))
    return path


def with_band(_time_s, colours):
    band = np.zeros((31, *colours.shape[1:]), np.uint8)
    band[..., 0] = 200
    return np.concatenate([colours, band])


def stamps(path, *, coloured: bool = False):
    with ClipReader(path) as reader:
        return [
            (frame.time_s, frame.luma, frame.colours) for frame in reader.frames(coloured=coloured)
        ]


def test_stamps_are_those_of_the_source(uneven, tmp_path):
    count = cut(uneven, tmp_path / "a.mp4", with_band, from_s=0.2, to_s=0.6)
    kept = [row[0] for row in stamps(uneven) if 0.2 <= row[0] <= 0.6]
    made = stamps(tmp_path / "a.mp4")
    assert count == len(made) == len(kept)
    np.testing.assert_allclose([row[0] for row in made], kept, atol=1e-9)


def test_slowed_stamps_are_so_many_times_as_far_apart(uneven, tmp_path):
    cut(uneven, tmp_path / "a.mp4", with_band, from_s=0.2, to_s=0.6, slow=4)
    kept = [4.0 * row[0] for row in stamps(uneven) if 0.2 <= row[0] <= 0.6]
    np.testing.assert_allclose([row[0] for row in stamps(tmp_path / "a.mp4")], kept, atol=1e-9)


def test_a_clip_stored_for_slow_playback_has_its_true_times_on_it(uneven, tmp_path):
    told = []

    def draw(time_s, colours):
        told.append(time_s)
        return colours

    cut(uneven, tmp_path / "a.mp4", draw, from_s=0.05, to_s=0.1, rate_hz=240.0)
    np.testing.assert_allclose(told, np.arange(12, 25) / 240.0)
    made = [row[0] for row in stamps(tmp_path / "a.mp4")]
    np.testing.assert_allclose(made, TIMES[12:25], atol=1e-9)


def test_the_picture_stays_as_it_was_and_the_band_is_below(uneven, tmp_path):
    cut(uneven, tmp_path / "a.mp4", with_band, from_s=0.2, to_s=0.6)
    before = [row[1] for row in stamps(uneven) if 0.2 <= row[0] <= 0.6]
    for source, (_, luma, colours) in zip(
        before, stamps(tmp_path / "a.mp4", coloured=True), strict=True
    ):
        assert luma.shape == (122, 160)  # an odd number of lines gets one more
        assert abs(float(luma[:90].mean()) - float(source.mean())) < 2.0
        red, green, _ = colours[100:115].reshape(-1, 3).mean(axis=0)
        assert red > 150 and green < 60


@pytest.mark.parametrize("slow", [1, 3])
def test_sound_is_kept_at_its_moment(slow, tmp_path):
    """The bang stands where it stood against the flash: at the same moment of the picture."""
    source = write_sounded(tmp_path / "a.mov", Clap())
    cut(source, tmp_path / "b.mp4", lambda _time, colours: colours, from_s=0.6, to_s=2.0, slow=slow)
    made = read_sound(tmp_path / "b.mp4")
    loud = np.abs(made.samples) > 0.2
    bang_s = float(made.time_s[np.argmax(loud)])
    assert bang_s == pytest.approx(1.25 * slow, abs=0.03 * slow)


def test_refusals(uneven, tmp_path):
    def same(_time, colours):
        return colours

    with pytest.raises(ClipError, match=r"\.mp4"):
        cut(uneven, tmp_path / "a.avi", same, from_s=0.0, to_s=1.0)
    with pytest.raises(ClipError, match="no frame lies"):
        cut(uneven, tmp_path / "a.mp4", same, from_s=8.0, to_s=9.0)
    with pytest.raises(ClipError, match="slowed 0 times"):
        cut(uneven, tmp_path / "a.mp4", same, from_s=0.0, to_s=1.0, slow=0)
    with pytest.raises(ClipError, match="cannot be written"):
        cut(uneven, tmp_path / "none" / "a.mp4", same, from_s=0.0, to_s=1.0)
    assert not (tmp_path / "a.mp4").exists()
